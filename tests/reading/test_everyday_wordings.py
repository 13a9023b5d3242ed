"""How many of the ways in which people word a symptom are read: ten or so for most symptoms of the list.

The wordings are our own, written from memory of how people write before the lists had them, and then used to extend the
lists by their kinds; so this holds what is reached and says little of texts of strangers.
"""

from __future__ import annotations

from pathlib import Path

from kb.facts.symptoms import SYMPTOMS
from kb.reading import read

FILE = Path(__file__).parent / "judged" / "wordings_en.txt"
LEAST_READ = 0.9
MOST_BESIDE = 0.1  # other symptoms, for each wording


def _wordings() -> list[tuple[str, str]]:
    lines = [line for line in FILE.read_text("utf-8").splitlines() if line.strip()]
    return [(name, text) for name, _, text in (line.partition("|") for line in lines)]


def test_most_everyday_wordings_are_read_and_little_else() -> None:
    wordings = _wordings()
    read_right, beside = 0, []
    for name, text in wordings:
        found = {one.name for one in read(text).symptoms if one.present}
        read_right += name in found
        beside += [f"{text}: {other}" for other in sorted(found - {name})]
    assert read_right >= LEAST_READ * len(wordings)
    assert len(beside) <= MOST_BESIDE * len(wordings), beside


def test_the_wordings_name_symptoms_of_the_list_and_stand_once() -> None:
    names = {one.name for one in SYMPTOMS} | {"does not work"}
    wordings = _wordings()
    assert {name for name, _ in wordings} <= names
    assert len({text for _, text in wordings}) == len(wordings)
