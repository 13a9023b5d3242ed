"""How well labelled notes are read, in floors a little under what was measured last.

The notes are our own and were labelled by people who had not seen the reader (`judged/README.md`); `fresh_*.toml`
took no part in its making. `unseen_*.toml` have no floor yet. `python tests/reading/judge.py` prints all figures.
"""

from __future__ import annotations

import pytest
from judge import LANGUAGES, Score, tally_of

TALLIES = {
    held_out: {language: tally_of(language, part) for language in LANGUAGES}
    for held_out, part in ((False, "tuned on"), (True, "held out"))
}

# kind of fact: (precision, recall) of all languages together: of the notes tuned on, of those held out.
FLOORS = {
    "symptoms": ((0.95, 0.92), (0.77, 0.78)),
    "readings": ((0.95, 0.92), (0.90, 0.82)),
    "after repair": ((0.94, 0.94), (0.86, 0.86)),
    "part_class": ((0.95, 0.90), (0.88, 0.72)),
    "section": ((0.93, 0.87), (0.92, 0.68)),
    "result": ((0.94, 0.89), (0.92, 0.54)),
}


def _together(held_out: bool, kind: str) -> Score:
    whole = Score()
    for tally in TALLIES[held_out].values():
        one = tally.scores.get(kind, Score())
        whole = Score(whole.right + one.right, whole.wrong + one.wrong, whole.missed + one.missed)
    return whole


@pytest.mark.parametrize("kind", FLOORS)
@pytest.mark.parametrize("held_out", [False, True], ids=["tuned on", "held out"])
def test_labelled_notes_are_read_as_well_as_before(kind: str, held_out: bool) -> None:
    score = _together(held_out, kind)
    precision, recall = FLOORS[kind][held_out]
    assert score.precision >= precision
    assert score.recall >= recall


@pytest.mark.parametrize("language", LANGUAGES)
def test_symptoms_of_the_notes_tuned_on_are_read_in_each_language(language: str) -> None:
    score = TALLIES[False][language].scores["symptoms"]
    assert score.precision >= 0.85
    assert score.recall >= 0.75
