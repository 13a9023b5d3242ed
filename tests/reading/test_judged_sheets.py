"""Three messy sheets brought in step by step with the guesses confirmed and a few decisions: what arrives.

The sheets and what each row truly says lie in `judged/sheets`; they are our own and invented, in the manner of
workshops (common practice of the trade, no published source).

A fact is a symptom, a reading, an attempt, each labelled word of an attempt (kind of part, section, failure,
action, result), and a verdict, day, minutes or cost. It arrives where the case holds it as data; it is lost
where neither the data nor the words of the case, nor the list of refused rows, hold it; it is false where the
case holds what the row does not say.

`PYTHONPATH=.:tests python tests/reading/test_judged_sheets.py` prints the figures of all sheets.
"""

from __future__ import annotations

import csv
import io
import tempfile
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from factories import demo_lines, demo_shop, shop_in
from sheet_files import decided, read

from kb.facts.designators import code_key, normalise_designator
from kb.facts.sheet_words import OURS, folded
from kb.model import Attempt, CaseRecord, Reading
from kb.service import Shop, sheets
from kb.service.sheets import state
from kb.service.transfer import json_lines
from tests.reading.judge import LATER_NAMES, NOT_JUDGED, same_place

FOLDER = Path(__file__).parent / "judged" / "sheets"
WORDS = ("part_class", "section", "failure", "action", "result")
UNSAID = ("other", "", "found", "not known yet")
IN_STANDBY, RUNNING = "standby", "running"


@dataclass
class Found:
    """Facts that arrived, by kind, beside all that were said; facts that are false; rows that are lost.

    `wrong` are words of an attempt that was said, read as another word than the label's: often the wider one.
    """

    said: Counter[str] = field(default_factory=Counter)
    arrived: Counter[str] = field(default_factory=Counter)
    false: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        """The share of the technical facts: which board it was and when it came are asked anyway."""
        technical = [kind for kind in self.said if kind not in ("family", "received")]
        return sum(self.arrived[kind] for kind in technical) / sum(self.said[kind] for kind in technical)

    def count(self, kind: str, ok: bool, what: str) -> None:
        self.said[kind] += 1
        self.arrived[kind] += ok
        if not ok:
            self.missed.append(what)


def brought(shop: Shop, name: str, **answers: str) -> dict[int, CaseRecord | str]:
    """For each line of a sheet its case as it would stand in the book, or why it was refused.

    The columns are as they are guessed.
    """
    content = (FOLDER / name).read_bytes()
    sheet = read(shop, content, name)
    sheets.choose_columns(shop, sheet, sheet.targets, "")
    sheet = decided(shop, sheet)
    for key, value in answers.items():
        sheet.answers[key] = value
    # Answering one question may raise another, as on the page.
    sheet = decided(shop, sheet, **answers)
    asked = sheets.ask(shop, sheet)
    assert not asked.open, [one.key for one in asked.open]
    sheets.read_texts(shop, sheet)
    sheets.check(shop, sheet)
    place = state.folder(shop, sheet.id)
    lines = (place / "cases.jsonl").read_text("utf-8").splitlines()
    cases = [CaseRecord.model_validate_json(line) for line in lines]
    refused = list(csv.reader(io.StringIO((place / "refused.csv").read_text("utf-8-sig")), delimiter=sheet.look["separator"] or ","))  # noqa: E501  # fmt: skip
    found: dict[int, CaseRecord | str] = {}
    for number, cells in sheets.first_rows(shop, sheet, 1_000):
        words = [cell.strip() for cell in cells if cell.strip()]
        # A word of the list of verdicts is kept as the verdict, and not in the notes.
        told = [word for word in words if len(word) > 9 and folded(word) not in OURS["verdict"]]
        mine = [case for case in cases if all(_holds(case, word) for word in told)]
        reasons = [
            row[-1] for row in refused[1:] if [one.strip() for one in row[:-1] if one.strip()] == words
        ]
        if mine:
            found[number] = mine[0]
            cases.remove(mine[0])
        elif reasons:
            found[number] = reasons[0]
    assert cases == []
    # A row that only sums up the others is left out, and named as such.
    left_out = [head for head, _, _ in (sheet.checked or {})["left_out"]]
    for number in sheet.sums:
        assert f"Row {number}, a sum" in left_out
        found[number] = "a sum"
    return found


def _holds(case: CaseRecord, word: str) -> bool:
    """Whether the words of a case have a text of the row, wherever it went; days and verdicts are data."""
    tried = [text for one in case.attempts for text in (one.part, one.failure, one.action)]
    everything = " ".join([case.complaint, case.notes, *(one.written for one in case.readings), *tried])
    plain = " ".join(word.split())
    return plain in " ".join(everything.split()) or (
        any(char.isdigit() for char in plain) and len(plain) < 11
    )


def judged(name: str, rows: dict[int, CaseRecord | str]) -> Found:
    found = Found()
    for row in tomllib.loads((FOLDER / name).with_suffix(".toml").read_text("utf-8"))["row"]:
        got = rows.get(row["line"])
        if got is None:
            found.lost.append(str(row))
            continue
        case = got if isinstance(got, CaseRecord) else None
        at = f"{row['line']}: "
        _symptoms(row, case, found, at)
        _readings(row, case, found, at)
        _attempts(row, case, found, at)
        _single(row, case, found, at)
    return found


def _symptoms(row: dict[str, Any], case: CaseRecord | None, found: Found, at: str) -> None:
    got = {LATER_NAMES.get(one.name, one.name) for one in case.symptoms if one.present} if case else set()
    for name in row.get("symptoms", ()):
        denied = name.startswith("!")
        ok = (
            any(not one.present and one.name == name[1:] for one in case.symptoms)
            if denied and case
            else name in got
        )
        found.count("symptom", ok, f"{at}{name}")
    extra = got - set(row.get("symptoms", ())) - set(row.get("also_symptoms", ())) - NOT_JUDGED
    found.false += [f"{at}symptom {name}" for name in sorted(extra)]


def _near(wanted: float | None, got: float | None) -> bool:
    if wanted is None or got is None:
        return wanted is got
    return abs(wanted - got) <= 1e-6 + 1e-4 * abs(wanted)


def _reading_is(wanted: dict[str, Any], got: Reading) -> bool:
    same = all(_near(wanted.get(name), getattr(got, name)) for name in ("value", "min", "max"))
    if "min" in wanted and "max" not in wanted and got.min is None:
        same = _near(wanted["min"], got.value)
    return same and wanted.get("quantity", "dc_v") == got.quantity and same_place(wanted, got)  # type: ignore[arg-type]


def _readings(row: dict[str, Any], case: CaseRecord | None, found: Found, at: str) -> None:
    left = list(case.readings) if case else []
    for wanted in row.get("readings", ()):
        match = next((one for one in left if _reading_is(wanted, one)), None)
        if match:
            left.remove(match)
        found.count("reading", match is not None, f"{at}{wanted}")
    found.false += [f"{at}reading {one.rail or one.point} {one.written}" for one in left]


def _attempt_is(wanted: dict[str, Any], got: Attempt) -> bool:
    if part := wanted.get("part"):
        return normalise_designator(str(part).split(" ")[0]) == normalise_designator(got.part.split(" ")[0])
    return not got.part and wanted.get("part_class") in (None, got.part_class)


def _attempts(row: dict[str, Any], case: CaseRecord | None, found: Found, at: str) -> None:
    left = list(case.attempts) if case else []
    for wanted in row.get("attempts", ()):
        match = next((one for one in left if _attempt_is(wanted, one)), None)
        if match:
            left.remove(match)
        found.count("attempt", match is not None, f"{at}{wanted}")
        for name in WORDS:
            if name in wanted:
                ok = match is not None and getattr(match, name) == wanted[name]
                if match and not ok and getattr(match, name) not in UNSAID:
                    found.wrong.append(f"{at}{match.part} {name} {getattr(match, name)}, not {wanted[name]}")
                found.count(name, ok, f"{at}{wanted.get('part')} {name} {wanted[name]}, got {match and getattr(match, name)}")  # noqa: E501  # fmt: skip
        if match and match.result == "cured" and wanted.get("result", "cured") != "cured":
            found.false.append(f"{at}{match.part} cured")
    found.false += [f"{at}attempt {one.part} {one.part_class} {one.failure}" for one in left]


def _single(row: dict[str, Any], case: CaseRecord | None, found: Found, at: str) -> None:
    if "received" in row:
        found.count("received", bool(case and str(case.received) == str(row["received"])), f"{at}received")
    if "family" in row:
        ok = bool(case and code_key(case.family) == code_key(row["family"]))
        found.count("family", ok, f"{at}family {row['family']}, got {case and case.family}")
        if case and not ok:
            found.false.append(f"{at}family {case.family}")
    if "verdict" in row:
        found.count("verdict", bool(case and case.verdict == row["verdict"]), f"{at}verdict {row['verdict']}, got {case and case.verdict}")  # noqa: E501  # fmt: skip
    for name in ("minutes", "cost"):
        if name in row:
            total = sum(getattr(one, name) or 0 for one in case.attempts) if case else 0
            found.count(name, _near(row[name], total), f"{at}{name} {row[name]}, got {total}")


DECISIONS: dict[str, dict[str, str]] = {
    "werkstatt_tabelle.csv": {"supply|12v v": RUNNING, "supply|24v v": RUNNING, "no verdict": "bench"},
    "one_column.csv": {"no verdict": "bench"},
    "workbook.csv": {
        "supply|12 v": RUNNING,
        "supply|24 v": RUNNING,
        "board left out": "above",
        "no verdict": "bench",
    },
}


# Of each kind one in every run: a table with words of its own, a workbook, a log with a single column.
QUICK = {
    "werkstatt_tabelle.csv",
    "events_book.csv",
    "bench_log.csv",
    "unseen_bench_log.csv",
    "pier_book.csv",
    "slipway_tabelle.csv",
}


def sheets_of(table: dict[str, dict[str, str]]) -> list[Any]:
    return [name if name in QUICK else pytest.param(name, marks=pytest.mark.long) for name in table]


# (least share that arrives, most false ones, most words of attempts that are other than the label's). Measured when
# written: 0.93, 0.87 and 0.90 of 323, 177 and 301 technical facts, none of them false.
AS_MEASURED = {
    "werkstatt_tabelle.csv": (0.91, 0, 3),
    "one_column.csv": (0.85, 0, 1),
    "workbook.csv": (0.89, 0, 3),
}


def arrived(name: str, answers: dict[str, str]) -> Found:
    """What arrives of a sheet in a shop with the demo's cases."""
    shop = demo_shop()
    try:
        return judged(name, brought(shop, name, **answers))
    finally:
        shop.close()


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(DECISIONS))
def test_most_of_what_a_messy_sheet_says_arrives_and_nothing_is_lost(name: str) -> None:
    found = arrived(name, DECISIONS[name])
    share, false, wrong = AS_MEASURED[name]
    assert found.lost == []
    assert found.share >= share, (found.share, found.missed)
    assert len(found.false) <= false, found.false
    assert len(found.wrong) <= wrong, found.wrong


# Those that the bringing-in was developed with.
EVENTS = {
    "events_werkstatt.csv": {"supply|12v": RUNNING, "supply|24v": RUNNING, "no verdict": "bench"},
    "events_log.csv": {"no verdict": "bench"},
    "events_book.csv": DECISIONS["workbook.csv"],
}
EVENTS_AS_MEASURED = {
    "events_werkstatt.csv": (0.90, 0),
    "events_log.csv": (0.79, 0),
    "events_book.csv": (0.84, 0),
}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(EVENTS))
def test_every_column_of_a_messy_sheet_is_guessed_and_nothing_false_is_read(name: str) -> None:
    found = arrived(name, EVENTS[name])
    share, false = EVENTS_AS_MEASURED[name]
    assert found.lost == []
    assert found.share >= share, (found.share, found.missed)
    assert len(found.false) <= false, found.false


# Written later, to find what makes false facts (an attempt with a part that was found good, or only named, counts).
VOICES = {
    "voices_annahme.csv": EVENTS["events_werkstatt.csv"] | {"word|verdict|n rep": "n", "supply|24v": RUNNING},
    "voices_notes.csv": {"no verdict": "bench"},
    "voices_book.csv": DECISIONS["workbook.csv"],
    # One column of parts that are named and not worked on.
    "bench_log.csv": {"no verdict": "bench"},
    "quay_log.csv": {"no verdict": "bench"},
    # The part that was found bad in one column and what was done with it in the next.
    "quay_table.csv": {
        "supply|5vsb": IN_STANDBY,
        "supply|12v": RUNNING,
        "supply|24v": RUNNING,
        "no verdict": "bench",
    },
}
VOICES_AS_MEASURED = {
    "voices_annahme.csv": (0.91, 0),
    "voices_notes.csv": (0.92, 0),
    "voices_book.csv": (0.85, 0),
    "bench_log.csv": (0.84, 0),
    "quay_log.csv": (0.76, 0),
    "quay_table.csv": (0.90, 0),
}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(VOICES))
def test_what_is_said_of_others_or_denied_in_a_messy_sheet_makes_no_false_facts(name: str) -> None:
    found = arrived(name, VOICES[name])
    share, false = VOICES_AS_MEASURED[name]
    assert found.lost == []
    assert found.share >= share, (found.share, found.missed)
    assert len(found.false) <= false, found.false


# Written by people who saw neither the reader nor its words. Measured when nothing had been tuned on them: 0.95, 0.95
# and 0.94 of their technical facts and 10 false ones among 992, which were then looked at.
UNSEEN: dict[str, dict[str, str]] = {
    # What a person answers who knows what the shop means by its words.
    "unseen_reparaturliste.csv": DECISIONS["werkstatt_tabelle.csv"]
    | {"word|verdict|lauft": "=repaired", "word|verdict|zuruck": "n", "word|verdict|nicht repariert": "n"},
    "unseen_bench_log.csv": DECISIONS["one_column.csv"],
    "unseen_workbook.csv": DECISIONS["workbook.csv"],
}
LEAST_SHARE_UNSEEN = 0.93


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(UNSEEN))
def test_sheets_of_strangers_arrive_without_a_false_fact(name: str) -> None:
    found = arrived(name, UNSEEN[name])
    assert found.lost == []
    assert found.share >= LEAST_SHARE_UNSEEN, (found.share, found.missed)
    assert found.false == []


# Written by somebody who saw neither the reader nor its words. Of the first a tenth, of the second and third 0.75 and
# 0.59 arrived before "dto.", "12er", "5 stby", "2nd go" and "Bits £" were understood, which were seen in them.
STRANGERS: dict[str, dict[str, str]] = {
    # A log of a repair day names no boards.
    "strangers_log.csv": {"no verdict": "bench", "family of all": "REPAIR-DAY"},
    "strangers_werkstatt.csv": {
        "supply|12er": RUNNING,
        "supply|24er": RUNNING,
        "supply|netzelko": RUNNING,
        "no verdict": "bench",
        "board left out": "above",
    },
    "strangers_workbook.csv": {
        "supply|12 rail": RUNNING,
        "supply|24 rail": RUNNING,
        "supply|bulk": RUNNING,
        "bad|24 rail": "x",
        "bad|12 rail": "x",
        "bad|bits": "x",
        "no verdict": "bench",
        "board left out": "above",
    },
}
# Before they were developed on: 0.58, 0.84 and 0.71 with 13, 3 and 4 false ones.
STRANGERS_AS_MEASURED = {
    "strangers_log.csv": 0.78,
    "strangers_werkstatt.csv": 0.85,
    "strangers_workbook.csv": 0.85,
}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(STRANGERS))
def test_newer_sheets_of_strangers_arrive_without_a_false_fact(name: str) -> None:
    found = arrived(name, STRANGERS[name])
    assert found.lost == []
    assert found.share >= STRANGERS_AS_MEASURED[name], (found.share, found.missed)
    assert found.false == []


# Written before the reader was mended for the strangers' sheets, to see whether what was mended there is general.
PIER: dict[str, dict[str, str]] = {
    "pier_log.csv": STRANGERS["strangers_log.csv"],
    "pier_tabelle.csv": STRANGERS["strangers_werkstatt.csv"],
    "pier_book.csv": {
        "supply|+12": RUNNING,
        "supply|12": RUNNING,
        "supply|ht": RUNNING,
        "no verdict": "bench",
        "board left out": "above",
    },
}
PIER_AS_MEASURED = {"pier_log.csv": 0.63, "pier_tabelle.csv": 0.83, "pier_book.csv": 0.81}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(PIER))
def test_sheets_of_other_kinds_of_mess_arrive_without_a_false_fact(name: str) -> None:
    found = arrived(name, PIER[name])
    assert found.lost == []
    assert found.share >= PIER_AS_MEASURED[name], (found.share, found.missed)
    assert found.false == []


# By yet another stranger, and looked at for no rule but these: an outcome column is read, "Y2" beside a capacitor is
# its class, "R55 checked" is no fix, and words may name another board than the one all are. Before: 0.65 with 13 false
# ones, and two tables that asked about twenty words each.
VISITORS: dict[str, dict[str, str]] = {
    "visitors_log.csv": {"no verdict": "bench", "family of all": "REPAIR-DAY", "board in text": "looks"},
    "visitors_tabelle.csv": {
        "board left out": "above",
        "bad|5vsb": "x",
        "supply|12v": RUNNING,
        "supply|24v": RUNNING,
    },
    "visitors_book.csv": {
        "board left out": "above",
        "supply|12v": RUNNING,
        "supply|24v": RUNNING,
        "word|verdict|returned": "open",
    },
}
VISITORS_AS_MEASURED = {
    "visitors_log.csv": (0.74, 11),
    "visitors_tabelle.csv": (0.86, 3),
    "visitors_book.csv": (0.86, 2),
}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(VISITORS))
def test_sheets_of_a_third_stranger_arrive_as_well_as_before(name: str) -> None:
    found = arrived(name, VISITORS[name])
    share, false = VISITORS_AS_MEASURED[name]
    assert found.lost == []
    assert found.share >= share, (found.share, found.missed)
    assert len(found.false) <= false, found.false


# A repair day's log, written and labelled before the false facts of the visitors' sheets were looked at for rules.
WHARF: dict[str, dict[str, str]] = {"wharf_log.csv": VISITORS["visitors_log.csv"]}
WHARF_AS_MEASURED = {"wharf_log.csv": 0.5}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(WHARF))
def test_a_log_of_another_repair_day_arrives_without_a_false_fact(name: str) -> None:
    found = arrived(name, WHARF[name])
    assert found.lost == []
    assert found.share >= WHARF_AS_MEASURED[name], (found.share, found.missed)
    assert found.false == []


# Written before a sheet's outcome column was read, to see what it says of the fixes. The first three gave 0.18, 0.79
# and 0.81 with 18, 17 and 16 words asked, each then kept in the notes. The fourth was written when it was read.
SLIPWAY: dict[str, dict[str, str]] = {
    "slipway_tabelle.csv": {"supply|12v": RUNNING, "no verdict": "bench", "board left out": "above"},
    "slipway_log.csv": {
        "supply|+12": RUNNING,
        "supply|+24": RUNNING,
        "no verdict": "bench",
        "board left out": "above",
    },
    "slipway_boek.csv": {"supply|12v": RUNNING, "no verdict": "bench", "board left out": "above"},
    "slipway_fiches.csv": {"supply|12v": RUNNING, "no verdict": "bench", "board left out": "above"},
}
SLIPWAY_AS_MEASURED = {
    "slipway_tabelle.csv": 0.97,
    "slipway_log.csv": 0.98,
    "slipway_boek.csv": 0.95,
    "slipway_fiches.csv": 0.97,
}


@pytest.mark.once("nothing but the files differs between the databases")
@pytest.mark.parametrize("name", sheets_of(SLIPWAY))
def test_an_outcome_column_of_free_words_is_read_and_no_word_of_it_is_asked(name: str) -> None:
    # No answer is given for a word: `brought` fails where one is asked.
    assert not any(key.startswith("word|") for key in SLIPWAY[name])
    found = arrived(name, SLIPWAY[name])
    assert found.lost == []
    assert found.share >= SLIPWAY_AS_MEASURED[name], (found.share, found.missed)
    assert found.false == []
    assert found.wrong == []


def main() -> None:
    """Print the share of each kind of fact that arrives, and how many are false, wrong or lost."""
    for name, answers in (
        DECISIONS | EVENTS | VOICES | UNSEEN | STRANGERS | VISITORS | PIER | SLIPWAY | WHARF
    ).items():
        with tempfile.TemporaryDirectory() as folder:
            shop = shop_in(Path(folder) / "data")
            try:
                assert json_lines.bring_in(shop, demo_lines()).saved
                found = judged(name, brought(shop, name, **answers))
            finally:
                shop.close()
        print(f"{name}: {found.share:.2f} of {sum(found.said.values())} facts;", end=" ")
        print(f"{len(found.false)} false, {len(found.wrong)} wrong, {len(found.lost)} rows lost")
        print("   " + ", ".join(f"{kind} {found.arrived[kind]}/{all_}" for kind, all_ in found.said.items()))


if __name__ == "__main__":
    main()
