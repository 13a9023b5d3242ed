"""Long texts are read piece by piece: nothing is lost between pieces, and none is longer than allowed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kb.reading import read
from kb.reading.pieces import LONGEST_PIECE, pieces


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet="ab .\n", max_size=200).map(lambda text: text * 80))
def test_pieces_are_the_whole_text_and_none_is_too_long(text: str) -> None:
    found = pieces(text)
    assert "".join(text[start:end] for start, end in found) == text
    assert all(end - start <= LONGEST_PIECE for start, end in found)
    assert len(found) <= 2 + 2 * len(text) // (LONGEST_PIECE // 2)


def test_facts_of_every_piece_have_their_places_in_the_whole_text() -> None:
    filler = "the customer will ring again tomorrow. " * 120
    text = f"fuse blown. {filler}C9 ESR 4.2 ohm, replaced. {filler}all fine, 25 min, 1.20 €"
    found = read(text)
    assert len(pieces(text)) > 2
    for mark in (*found.marks(), *found.left):
        assert text[mark.start : mark.end] == mark.words
    assert {one.name for one in found.symptoms} == {"fuse blown", "high ESR found"}
    assert [one.part for one in found.attempts] == ["C9"]
    assert (found.minutes and found.minutes.value, found.cost and found.cost.value) == (25, 1.2)


@pytest.mark.parametrize(
    "text",
    [
        "x" * 10_000,
        "1 " * 5_000,
        "لا يعمل الجهاز " * 700,
        "=SUM(A1:A9);" * 800,
        "9.4 11.5 12.0\n" * 700,
        ".,;:" * 2_500,
    ],
    ids=["no space", "numbers", "right to left", "formulas", "log", "signs"],
)
def test_what_is_no_note_says_nothing_and_takes_no_harm(text: str) -> None:
    found = read(text)
    assert (found.symptoms, found.attempts, found.verdict) == ((), (), None)


def test_the_same_sentence_many_times_says_its_symptom_once() -> None:
    found = read("relay clicks, no picture. " * 400)
    assert [one.name for one in found.symptoms] == ["relay clicks repeatedly", "no picture"]
