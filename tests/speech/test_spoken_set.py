"""Readings said by espeak-ng in eight voices, with noise and clicks: how many are right, and that none is kept wrong.

python tests/speech/figures.py prints the figures of both halves.
"""

from __future__ import annotations

import pytest

from speech.spoken_set import confirmed, readings, would_type

QUICK = readings()[::67]


@pytest.mark.parametrize(
    ("chosen", "least"),
    [
        pytest.param(QUICK, 0.4, id="a few"),
        pytest.param(
            tuple(one for one in readings() if one.half == "development"), 0.68, marks=pytest.mark.long
        ),
        pytest.param(
            tuple(one for one in readings() if one.half == "held out"), 0.68, marks=pytest.mark.long
        ),
    ],
)
def test_no_wrong_value_is_kept_and_most_are_right_at_once(chosen: tuple[object, ...], least: float) -> None:
    right, wrong = 0, []
    for reading in chosen:
        outcome = confirmed(reading)  # type: ignore[arg-type]
        right += outcome.right_at_once
        if outcome.kept and outcome.kept != would_type(reading):  # type: ignore[arg-type]
            wrong.append(outcome.sayings)
    assert wrong == []
    assert right / len(chosen) >= least


def test_half_of_the_set_was_not_used_for_tuning_and_it_has_what_it_should() -> None:
    halves = [one.half for one in readings()]
    assert (halves.count("development"), halves.count("held out")) == (100, 100)
    assert len({one.voice for one in readings()}) >= 6
    assert len({one.speed for one in readings()}) >= 4
    assert {one.snr_db for one in readings()} == {"none", "20", "10"}
    assert any(one.clicks for one in readings())
