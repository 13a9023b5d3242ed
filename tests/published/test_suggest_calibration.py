"""Scores of forecasts against worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike
from suggest_values import published

from kb.suggest.scores import brier_of_each, calibration_error, log_loss, reliability_bins

VALUES = published("forecast_scores")
TOLERANCE = VALUES["tolerance"]


def _given(said: ArrayLike, came_true: ArrayLike) -> np.ndarray:
    """What forecasts of a yes gave to what happened."""
    p = np.asarray(said, dtype=float)
    return np.where(np.asarray(came_true, dtype=bool), p, 1.0 - p)


def _half_brier(said: ArrayLike, came_true: ArrayLike) -> float:
    """The score of forecasts of a yes as the sources give it: half of the sum over yes and no."""
    p = np.asarray(said, dtype=float)
    return float(brier_of_each(np.column_stack([p, 1.0 - p]), _given(said, came_true)).mean()) / 2


def test_yes_or_no_forecasts_have_the_worked_scores() -> None:
    one = VALUES["yes_no"]
    assert _half_brier(one["said"], one["came_true"]) == pytest.approx(one["brier"], abs=TOLERANCE)
    assert log_loss(_given(one["said"], one["came_true"])) == pytest.approx(
        one["log_loss"], abs=one["log_loss_tolerance"]
    )
    for bins, error in one["calibration_error"].items():
        found = calibration_error(one["said"], one["came_true"], int(bins))
        assert found == pytest.approx(error, abs=TOLERANCE)


def test_the_documented_examples_of_scikit_learn_come_out() -> None:
    one = VALUES["documentation"]
    assert _half_brier(one["brier"]["said"], one["brier"]["came_true"]) == pytest.approx(
        one["brier"]["value"], abs=TOLERANCE
    )
    assert log_loss(one["log_loss"]["of_truth"]) == pytest.approx(
        one["log_loss"]["value"], abs=one["log_loss"]["tolerance"]
    )


def test_three_way_forecasts_have_the_worked_scores() -> None:
    one = VALUES["three_way"]
    said, truth = np.array(one["said"]), np.array(one["truth"])
    of_truth = said[np.arange(len(truth)), truth]
    assert brier_of_each(said, of_truth).mean() == pytest.approx(one["brier"], abs=TOLERANCE)
    found = log_loss(of_truth)
    assert found == pytest.approx(one["log_loss"], abs=one["log_loss_tolerance"])


def test_the_calibration_error_of_grouped_forecasts_is_the_worked_one() -> None:
    one = VALUES["grouped"]
    said = np.concatenate([np.full(size, p) for size, p, _ in one["groups"]])
    hits = np.concatenate([np.arange(size) < hit for size, _, hit in one["groups"]])
    assert calibration_error(said, hits) == pytest.approx(one["calibration_error"], abs=one["tolerance"])
    assert log_loss(_given(said, hits)) == pytest.approx(one["log_loss"], abs=one["tolerance"])
    assert _half_brier(said, hits) == pytest.approx(one["brier"], abs=one["tolerance"])


def test_a_forecast_on_the_edge_of_a_bin_belongs_to_the_bin_above() -> None:
    one = VALUES["on_an_edge"]
    assert any(
        calibration_error(one["said"], one["came_true"], 5) == pytest.approx(error, abs=TOLERANCE)
        for error in one["either_rule"]
    )
    for edge in range(10):
        filled = [place for place, bin in enumerate(reliability_bins([edge / 10], [True])) if bin.cases]
        assert filled == [edge]
    assert reliability_bins([1.0], [True])[-1].cases == 1
