"""How long fixes last, against the classic remission times and lifelines."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.survival import Lasting, kaplan_meier

VALUES = published("remission_times")
TOLERANCE = VALUES["tolerance"]


def curve(arm: dict[str, list[int]]) -> Lasting:
    events, censored = arm["events"], arm.get("censored", [])
    return kaplan_meier([*censored, *events], [False] * len(censored) + [True] * len(events))


def test_the_treated_arm_has_the_published_steps() -> None:
    steps = curve(VALUES["treated"]).steps
    assert len(steps) == len(VALUES["treated"]["steps"])
    for step, (time, at_risk, gone, share, error) in zip(steps, VALUES["treated"]["steps"], strict=True):
        assert (step.days, step.at_risk, step.returned) == (time, at_risk, gone)
        assert step.share == pytest.approx(float(Fraction(share)), abs=1e-12)
        assert step.error == pytest.approx(error, abs=TOLERANCE)


def test_the_interval_is_that_of_the_log_log_scale() -> None:
    at_ten = curve(VALUES["treated"]).still_working_after(10)
    assert (at_ten.low, at_ten.high) == pytest.approx(
        tuple(VALUES["treated"]["log_log_at_10"]), abs=TOLERANCE
    )


def test_the_medians_are_the_published_ones() -> None:
    assert curve(VALUES["treated"]).median() == VALUES["treated"]["median"]
    assert curve(VALUES["placebo"]).median() == VALUES["placebo"]["median"]


def test_the_placebo_arm_has_the_published_share_and_error() -> None:
    placebo = curve(VALUES["placebo"])
    at_eight = next(step for step in placebo.steps if step.days == 8)
    assert at_eight.share == pytest.approx(float(Fraction(VALUES["placebo"]["share_at_8"])), abs=1e-12)
    assert at_eight.error == pytest.approx(
        VALUES["placebo"]["error_at_8"], abs=VALUES["placebo"]["printed_tolerance"]
    )
    assert placebo.still_working_after(10).share == at_eight.share


def test_random_follow_ups_equal_lifelines() -> None:
    from lifelines import KaplanMeierFitter

    rng = np.random.default_rng(5)
    for size in (3, 20, 200):
        times, back = rng.integers(1, 60, size).astype(float), rng.random(size) < 0.4
        back[0] = True
        fitter = KaplanMeierFitter().fit(times, back)
        ours = kaplan_meier(times.tolist(), back.tolist())
        theirs = fitter.confidence_interval_
        assert [step.days for step in ours.steps] == sorted({*times[back].tolist()})
        for step in ours.steps:
            assert step.share == pytest.approx(float(fitter.predict(step.days)), abs=1e-12)
            if step.share > 0.0:
                assert (step.low, step.high) == pytest.approx(tuple(theirs.loc[step.days]), abs=1e-9)
