"""The judged notes, queries and sheets: that they parse, use our own words, and were split by the rule."""

from __future__ import annotations

import csv
import datetime
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent.parent / "search"))

from judging import JUDGED, demo_records, grade

from kb.facts.designators import is_designator
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import (
    ACTIONS,
    FAILURE_MODES,
    LOADS,
    QUANTITIES,
    RESULTS,
    SECTIONS,
    SUPPLY_STATES,
    VERDICTS,
    values,
)

HERE = Path(__file__).parent / "judged"
LANGUAGES = {"en": 40, "de": 18, "fr": 18, "nl": 18, "es": 18, "it": 18}
FRESH = {"en": 36, "de": 14, "fr": 14, "nl": 14, "es": 14, "it": 14}
UNSEEN = {"en": 50, "de": 25, "fr": 14, "nl": 14, "es": 14, "it": 14}
# How many lines stand above the first row, and what parts the cells.
SHEETS = {
    "werkstatt_tabelle": (1, ";"),
    "one_column": (1, ","),
    "workbook": (3, ","),
    "unseen_reparaturliste": (1, ";"),
    "unseen_bench_log": (1, ","),
    "unseen_workbook": (3, ","),
}
SYMPTOM_NAMES = {symptom.name for symptom in SYMPTOMS} | {"does not work"}
VERDICT_NAMES = {*values(VERDICTS), "declined"}
OF_ATTEMPT = {
    "part_class": {part.name for part in PART_CLASSES},
    "section": set(values(SECTIONS)),
    "failure": set(FAILURE_MODES),
    "action": set(ACTIONS),
    "result": set(values(RESULTS)),
}
FACTS = {"symptoms", "also_symptoms", "readings", "attempts", "verdict", "minutes", "cost"}
Facts = dict[str, Any]


def _read(name: str) -> Facts:
    return tomllib.loads((HERE / name).read_text("utf-8"))


NOTES = {language: _read(f"notes_{language}.toml")["note"] for language in LANGUAGES}
FRESH_NOTES = {language: _read(f"fresh_{language}.toml")["note"] for language in FRESH}
UNSEEN_NOTES = {language: _read(f"unseen_{language}.toml")["note"] for language in UNSEEN}
EVENT_NOTES = {language: _read(f"events_{language}.toml")["note"] for language in LANGUAGES}
VOICES = {language: _read(f"voices_{language}.toml")["note"] for language in LANGUAGES}
BENCH = {"en": _read("bench_en.toml")["note"]}
QUERIES = _read("queries.toml")["query"]
UNSEEN_QUERIES = _read("unseen_queries.toml")["query"]
EVENT_QUERIES = _read("events_queries.toml")["query"]
CASES, FAMILIES = demo_records()
# By a name that says which file and which note of it.
ALL_NOTES: dict[str, Facts] = {
    f"{kind}{language} {number}": note
    for kind, files in (
        ("", NOTES),
        ("fresh ", FRESH_NOTES),
        ("unseen ", UNSEEN_NOTES),
        ("event ", EVENT_NOTES),
        ("voices ", VOICES),
        ("bench ", BENCH),
    )
    for language, notes in files.items()
    for number, note in enumerate(notes)
}


def wrong_ones(check: Callable[[Facts], None], all_of_them: Mapping[str, Facts]) -> list[str]:
    """The names of those that a check does not pass, and where it stopped: one test for thousands of notes."""
    found = []
    for name, one in all_of_them.items():
        try:
            check(one)
        except AssertionError as error:
            found.append(f"{name}: {error}")
    return found


@pytest.mark.parametrize("language", LANGUAGES)
def test_there_are_enough_notes_in_each_language_and_every_third_is_held_out(language: str) -> None:
    notes = NOTES[language]
    assert len(notes) >= LANGUAGES[language]
    assert [note["held_out"] for note in notes] == [number % 3 == 2 for number in range(len(notes))]
    assert len({note["text"] for note in notes}) == len(notes)


@pytest.mark.parametrize("language", FRESH)
def test_the_fresh_notes_are_all_held_out_and_stand_in_no_other_file(language: str) -> None:
    notes = FRESH_NOTES[language]
    assert len(notes) >= FRESH[language]
    assert all(note["held_out"] is True for note in notes)
    texts = {note["text"] for note in notes}
    assert len(texts) == len(notes)
    assert not texts & {note["text"] for note in NOTES[language]}


@pytest.mark.parametrize("language", UNSEEN)
def test_the_unseen_notes_stand_in_no_other_file(language: str) -> None:
    notes = UNSEEN_NOTES[language]
    assert len(notes) >= UNSEEN[language]
    assert all(note["held_out"] is True for note in notes)
    texts = {note["text"] for note in notes}
    assert len(texts) == len(notes)
    others = [*NOTES[language], *FRESH_NOTES[language], *EVENT_NOTES[language]]
    assert not texts & {note["text"] for note in others}


def test_the_unseen_notes_have_traps_in_each_language() -> None:
    assert all(sum("trap" in note for note in notes) >= 3 for notes in UNSEEN_NOTES.values())


def test_the_fresh_notes_have_traps_in_each_language() -> None:
    traps = [sum("trap" in note for note in notes) for notes in FRESH_NOTES.values()]
    assert min(traps) >= 2
    assert sum(traps) >= 20


def test_each_language_has_traps() -> None:
    assert all(sum("trap" in note for note in notes) >= 6 for notes in NOTES.values())


def test_every_note_is_labelled_with_known_words() -> None:
    def check(note: Facts) -> None:
        assert note.keys() <= FACTS | {"text", "family", "held_out", "trap", "judged"}
        _check_facts(note)

    assert len(ALL_NOTES) > 1_000
    assert wrong_ones(check, ALL_NOTES) == []


def test_what_is_labelled_as_a_number_or_designator_stands_in_the_text() -> None:
    assert wrong_ones(_check_is_in_the_text, ALL_NOTES) == []


def test_a_note_that_is_labelled_wrongly_is_found() -> None:
    assert wrong_ones(_check_facts, {"one": {"symptoms": ["sings"]}})[0].startswith("one: ")
    assert wrong_ones(_check_is_in_the_text, {"one": {"text": "C9 new", "attempts": [{"part": "C8"}]}})


def _check_is_in_the_text(note: Facts) -> None:
    text = note["text"].casefold()
    for attempt in note.get("attempts", ()):
        assert attempt.get("part", "").casefold() in text
    if "cost" in note:
        figures = f"{note['cost']:.2f}".rstrip("0").rstrip(".")
        pence = f"{note['cost'] * 100:.0f}"
        written = (figures, figures.replace(".", ","), f"{pence}p", f"{pence}c")
        assert any(figure in text for figure in written)


def _check_facts(facts: Facts) -> None:
    noted = {name.removeprefix("!") for name in facts["symptoms"]}
    may = {name.removeprefix("!") for name in facts.get("also_symptoms", ())}
    assert noted | may <= SYMPTOM_NAMES
    assert not noted & may
    assert len(noted) == len(facts["symptoms"])
    assert facts.get("verdict", "declined") in VERDICT_NAMES
    assert facts.get("minutes", 1) > 0
    assert facts.get("cost", 1) > 0
    for reading in facts.get("readings", ()):
        _check_reading(reading)
    for attempt in facts.get("attempts", ()):
        assert attempt
        assert attempt.keys() <= OF_ATTEMPT.keys() | {"part", "cause"}
        for name in attempt.keys() & OF_ATTEMPT.keys():
            assert attempt[name] in OF_ATTEMPT[name], attempt
        assert is_designator(attempt.get("part", "C1")), attempt


def _check_reading(reading: Facts) -> None:
    assert reading.keys() <= {
        "rail", "point", "quantity", "supply", "load", "value", "min", "max", "after_repair",
    }  # fmt: skip
    assert ("rail" in reading) is not ("point" in reading)
    assert reading["quantity"] in values(QUANTITIES)
    assert reading.get("supply", "standby") in values(SUPPLY_STATES)
    assert reading.get("load", "none") in values(LOADS)
    numbers = [reading[key] for key in ("min", "value", "max") if key in reading]
    assert numbers
    assert numbers == sorted(numbers)


def test_there_are_enough_queries_and_every_third_is_held_out() -> None:
    assert len(QUERIES) >= 60
    assert {query["language"] for query in QUERIES} == LANGUAGES.keys()
    assert [query["held_out"] for query in QUERIES] == [number % 3 == 2 for number in range(len(QUERIES))]


def test_there_are_enough_unseen_queries_and_none_stands_in_the_other_file() -> None:
    assert len(UNSEEN_QUERIES) >= 60
    assert {query["language"] for query in UNSEEN_QUERIES} == LANGUAGES.keys()
    assert all(query["held_out"] is True for query in UNSEEN_QUERIES)
    texts = {query["text"] for query in UNSEEN_QUERIES}
    assert len(texts) == len(UNSEEN_QUERIES)
    assert not texts & {query["text"] for query in [*QUERIES, *EVENT_QUERIES]}


def test_every_query_has_a_case_that_fits_it_well() -> None:
    queries = [*QUERIES, *EVENT_QUERIES, *UNSEEN_QUERIES]
    assert (
        wrong_ones(_check_query, {f"{number} {query['text']}": query for number, query in enumerate(queries)})
        == []
    )


def _check_query(query: Facts) -> None:
    wants = [JUDGED["meanings"][want] if isinstance(want, str) else want for want in query["wants"]]
    for want in wants:
        assert set(want.get("families", ())) <= FAMILIES.keys()
        assert set(want.get("symptoms", ())) <= SYMPTOM_NAMES
        assert set(want.get("classes", ())) <= OF_ATTEMPT["part_class"]
    assert max(grade(case, wants) for case in CASES) >= 2


@pytest.mark.parametrize("name", SHEETS)
def test_every_row_of_a_sheet_has_its_facts(name: str) -> None:
    text = (HERE / "sheets" / f"{name}.csv").read_text("utf-8")
    above, separator = SHEETS[name]
    lines = list(csv.reader(text.splitlines(), delimiter=separator))
    assert len({len(line) for line in lines}) == 1
    rows = _read(f"sheets/{name}.toml")["row"]
    assert 25 <= len(rows) <= 40
    assert [row["line"] for row in rows] == list(range(above + 1, len(lines) + 1))


@pytest.mark.parametrize("name", SHEETS)
def test_facts_of_a_sheet_use_known_words(name: str) -> None:
    for row in _read(f"sheets/{name}.toml")["row"]:
        assert row.keys() <= FACTS | {"line", "family", "received"}
        _check_facts(row)
        assert row.get("family", "HX-210") in FAMILIES
        datetime.date.fromisoformat(row.get("received", "2024-01-01"))
