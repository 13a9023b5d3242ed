"""Scores of forecasts against worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.scores import (
    brier,
    calibration_error,
    log_loss,
    murphy_parts,
    reliability_bins,
    yes_no_brier,
    yes_no_log_loss,
)

VALUES = published("forecast_scores")
TOLERANCE = VALUES["tolerance"]


def test_yes_or_no_forecasts_have_the_worked_scores() -> None:
    one = VALUES["yes_no"]
    assert yes_no_brier(one["said"], one["came_true"]) == pytest.approx(one["brier"], abs=TOLERANCE)
    assert yes_no_log_loss(one["said"], one["came_true"]) == pytest.approx(
        one["log_loss"], abs=one["log_loss_tolerance"]
    )
    for bins, error in one["calibration_error"].items():
        found = calibration_error(one["said"], one["came_true"], int(bins))
        assert found == pytest.approx(error, abs=TOLERANCE)


def test_the_documented_examples_of_scikit_learn_come_out() -> None:
    one = VALUES["documentation"]
    assert yes_no_brier(one["brier"]["said"], one["brier"]["came_true"]) == pytest.approx(
        one["brier"]["value"], abs=TOLERANCE
    )
    assert log_loss(one["log_loss"]["of_truth"]) == pytest.approx(
        one["log_loss"]["value"], abs=one["log_loss"]["tolerance"]
    )


def test_three_way_forecasts_have_the_worked_scores() -> None:
    one = VALUES["three_way"]
    said, truth = np.array(one["said"]), np.array(one["truth"])
    assert brier(said, truth) == pytest.approx(one["brier"], abs=TOLERANCE)
    found = log_loss(said[np.arange(len(truth)), truth])
    assert found == pytest.approx(one["log_loss"], abs=one["log_loss_tolerance"])


def test_the_brier_score_splits_into_its_three_parts() -> None:
    one = VALUES["murphy"]
    said = np.concatenate([np.full(size, p) for size, p, _ in one["groups"]])
    hits = np.concatenate([np.arange(size) < hit for size, _, hit in one["groups"]])
    parts = murphy_parts(said, hits)
    for name in ("brier", "reliability", "resolution", "uncertainty"):
        assert getattr(parts, name) == pytest.approx(one[name], abs=one["tolerance"])
    assert parts.brier == pytest.approx(parts.reliability - parts.resolution + parts.uncertainty, abs=1e-12)
    assert calibration_error(said, hits) == pytest.approx(one["calibration_error"], abs=one["tolerance"])
    assert yes_no_log_loss(said, hits) == pytest.approx(one["log_loss"], abs=one["tolerance"])


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
