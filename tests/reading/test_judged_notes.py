"""How well labelled notes are read, in floors a little under what was measured last.

The notes are our own and were labelled by people who had not seen the reader (`judged/README.md`); all of those
with a floor were tuned on. `unseen_*.toml` took no part in its making and have no floor yet.
`python tests/reading/judge.py` prints all figures.
"""

from __future__ import annotations

import pytest
from judge import LANGUAGES, Score, tally_of

TALLIES = {language: tally_of(language, "tuned on") for language in LANGUAGES}

# kind of fact: (precision, recall) of all languages together.
FLOORS = {
    "symptoms": (0.96, 0.94),
    "readings": (0.95, 0.92),
    "after repair": (0.97, 0.97),
    "attempts": (0.93, 0.93),
    "part_class": (0.95, 0.90),
    "section": (0.94, 0.87),
    "failure": (0.97, 0.94),
    "action": (0.97, 0.97),
    "result": (0.96, 0.91),
    "minutes": (0.97, 0.90),
    "cost": (0.97, 0.94),
}


@pytest.mark.parametrize("kind", FLOORS)
def test_labelled_notes_are_read_as_well_as_before(kind: str) -> None:
    whole = Score()
    for tally in TALLIES.values():
        one = tally.scores.get(kind, Score())
        whole = Score(whole.right + one.right, whole.wrong + one.wrong, whole.missed + one.missed)
    precision, recall = FLOORS[kind]
    assert whole.precision >= precision
    assert whole.recall >= recall


@pytest.mark.parametrize("language", LANGUAGES)
def test_symptoms_are_read_in_each_language(language: str) -> None:
    score = TALLIES[language].scores["symptoms"]
    assert score.precision >= 0.92
    assert score.recall >= 0.87
