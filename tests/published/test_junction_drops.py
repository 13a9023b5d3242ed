"""Junction drops against the manuals of hand-held meters (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kb.bench.sequence import bench_sequence
from kb.bench.sequence_judge import judge_step
from kb.bench.sequence_types import BenchFamily, Entry

DROPS = json.loads((Path(__file__).parent / "data" / "junction_drops.json").read_text(encoding="utf-8"))
SEQUENCE = bench_sequence(BenchFamily("any", switch="MOSFET"))
FORWARD = ("unpowered.rectifier.forward", "unpowered.switch.forward")
REVERSE = ("unpowered.rectifier.reverse", "unpowered.switch.reverse")


@pytest.mark.parametrize("key", FORWARD)
@pytest.mark.parametrize("drop", sorted({drop for pair in DROPS["good_v"] for drop in pair}))
def test_a_drop_that_a_manual_calls_good_is_right(key: str, drop: float) -> None:
    assert judge_step(SEQUENCE, key, Entry(value=drop)).outcome == "right"


@pytest.mark.parametrize("key", FORWARD + REVERSE)
@pytest.mark.parametrize("drop", DROPS["short_v"])
def test_a_drop_that_a_manual_calls_a_short_is_wrong_either_way(key: str, drop: float) -> None:
    assert judge_step(SEQUENCE, key, Entry(value=drop)).outcome == "wrong"


@pytest.mark.parametrize("key", REVERSE)
def test_no_reading_is_right_in_reverse(key: str) -> None:
    assert judge_step(SEQUENCE, key, Entry(open=True)).outcome == "right"


@pytest.mark.parametrize("key", FORWARD)
def test_no_reading_is_wrong_forward(key: str) -> None:
    assert judge_step(SEQUENCE, key, Entry(open=True)).outcome == "wrong"


# Common practice, no published source: a bipolar transistor and an IGBT without a diode have no body diode.
@pytest.mark.parametrize("kind", ["bipolar transistor", "IGBT without diode"])
def test_no_reading_is_right_either_way_on_a_switch_without_a_diode(kind: str) -> None:
    sequence = bench_sequence(BenchFamily("any", switch=kind))
    for key in ("unpowered.switch.forward", "unpowered.switch.reverse"):
        assert judge_step(sequence, key, Entry(open=True)).outcome == "right"
        assert judge_step(sequence, key, Entry(value=0.02)).judgement == "shorted"


def test_a_switch_of_unknown_kind_without_a_reading_is_asked_about_and_not_condemned() -> None:
    found = judge_step(bench_sequence(BenchFamily("any")), "unpowered.switch.forward", Entry(open=True))
    assert (found.outcome, found.judgement) == ("doubtful", "unknown")
    assert "bipolar transistor" in found.sentence
