"""Reading takes work in proportion to the length of a text, whatever is in it: lines of Python counted, no clock."""

from __future__ import annotations

import sys
from types import FrameType, SimpleNamespace
from typing import Any

import pytest

from kb.reading import read
from kb.service.sheets import text_facts

# A page of a manual, the log of a meter and notes in several languages, as they are pasted; all invented.
MANUAL = (
    "4.2 Replacing the fuse. Disconnect the appliance from the mains and wait five minutes. Remove the four screws of "
    "the rear cover (1), lift the cover and pull the connector CN3. The fuse F1 (T3.15A) is beside the inlet. Fit only "
    "a fuse of the same rating. If the new fuse blows, check BR1 and Q1 for a short before you switch on again. With a "
    "meter measure 325 V DC at C1; 12 V and 24 V must be within 5 %. See figure 7. "
)
LOG = (
    "12:04:11 CH1 9.4 V CH2 11.52 V CH3 0.03 A T 41.2 C\n12:04:12 CH1 9.5 V CH2 11.49 V CH3 0.03 A T 41.3 C\n"
)
TEXTS = {
    "one word": "x",
    "letters and digits": "a1",
    "a manual": MANUAL,
    "a log of numbers": LOG,
    "right to left": "الجهاز لا يعمل ولا توجد صورة. ",
    "both directions": "no picture الجهاز relay clicks ",
    "formulas": '=IF(A1>12;"12V 9.4";SUM(B1:B9))\t',
    "one sentence again and again": "relay clicks, no picture, C9 ESR 4.2 ohm, replaced, ok. ",
    "without full stops": "no no not replaced C9 and C10 12V low ",
    "denials": "no hum or smoke or smell or noise nor ",
    "brackets": "((((C9 + C10 (",
    "signs": ".,;:-/+=->",
    "short forms": "Brückengl. Kond. Widerst. ",
    "money and time": "12,50 € 1h30 45 min ",
    "numbers joined by a sign": "5-",
    "numbers without a sign": "1 ",
    "articles alone": "l'",
    "articles and signs": "an ' - ",
    "ranges of parts": "C1-C9 ",
}


def work(text: str) -> int:
    """How many lines of Python run while `text` is read."""
    lines = 0

    def trace(frame: FrameType, event: str, argument: Any) -> Any:
        nonlocal lines
        lines += event == "line"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        read(text)
    finally:
        sys.settrace(before)
    return lines


def calls(text: str) -> int:
    """How many functions are called while `text` is read; counted much faster than lines."""
    count = 0

    def profile(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(profile)
    try:
        read(text)
    finally:
        sys.setprofile(before)
    return count


def of_length(piece: str, length: int) -> str:
    return (piece * (length // len(piece) + 1))[:length]


@pytest.fixture(scope="module", autouse=True)
def _lists_are_read() -> None:
    read("ok")


# Counting lines takes ten times as long as counting calls.
OF_EACH_SORT = {
    "one word",
    "a manual",
    "a log of numbers",
    "both directions",
    "denials",
    "brackets",
    "ranges of parts",
}


@pytest.mark.parametrize(
    "kind", [kind if kind in OF_EACH_SORT else pytest.param(kind, marks=pytest.mark.long) for kind in TEXTS]
)
def test_twice_the_text_is_twice_the_work_within_one_piece(kind: str) -> None:
    half, whole = of_length(TEXTS[kind], 600), of_length(TEXTS[kind], 1_200)
    read(half), read(whole)  # what is kept of single words is kept now
    assert work(whole) <= 2.5 * work(half) + 500


@pytest.mark.parametrize("kind", ["one word", "a manual", "a log of numbers"])
def test_twice_the_text_is_twice_the_calls_up_to_ten_thousand_characters(kind: str) -> None:
    half, whole = of_length(TEXTS[kind], 5_000), of_length(TEXTS[kind], 10_000)
    read(half), read(whole)
    assert calls(whole) <= 2.3 * calls(half) + 500


@pytest.mark.parametrize("kind", TEXTS)
def test_no_kind_of_text_takes_many_times_the_calls_of_a_note(kind: str) -> None:
    note = of_length(TEXTS["one sentence again and again"], 1_000)
    text = of_length(TEXTS[kind], 1_000)
    read(note), read(text)
    assert calls(text) <= 4 * calls(note)


def test_a_long_cell_is_searched_once_for_lists_of_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Characters that are looked at for `C9 + C10` in a cell of 30 kB: a list of parts is judged piece by piece."""
    looked_at = 0
    is_list = text_facts._is_list_of_parts

    def counted(piece: str) -> bool:
        nonlocal looked_at
        looked_at += len(piece)
        return is_list(piece)

    monkeypatch.setattr(text_facts, "_is_list_of_parts", counted)
    known = SimpleNamespace(parts=lambda _: {}, letters={"C": "electrolytic capacitor"})
    cell = "C9 + C10, " * 3_000
    found = [fact.what for fact in text_facts._parts_only_named(cell, [], known, "", ())]  # type: ignore[arg-type]
    assert len(found) == 2
    assert 0 < looked_at <= len(cell)
