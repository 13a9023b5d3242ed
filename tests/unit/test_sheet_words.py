"""Free words, ranges and headings of messy sheets, and that nothing goes missing without being listed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from factories import a_family, bring, exported, fresh_shop
from sheet_files import cases, decided, read, table

from kb.facts.sheet_words import folded, is_ditto, names_two_boards, referred_to
from kb.service import Shop, sheets
from kb.service.sheets import state
from kb.service.sheets.cell_parts import two_ends
from kb.service.sheets.rail_heading import read_rail_heading


@pytest.fixture
def shop() -> Iterator[Shop]:
    made = fresh_shop()
    yield made
    made.close()


@pytest.mark.parametrize(
    ("cell", "ends"),
    [
        ("9.4 - 11.5", ("9.4", "11.5")),
        ("0-3V", ("0 V", "3 V")),
        ("3,1 – 4,9", ("3,1", "4,9")),
        ("200 mV to 3 V", ("200 mV", "3 V")),
        ("-12", None),
        ("-12.1 V", None),
        ("4.7", None),
        ("2024-03-01", None),
        ("3V3", None),
    ],
)
def test_a_range_is_two_numbers_and_a_minus_is_none(cell: str, ends: tuple[str, str] | None) -> None:
    assert two_ends(cell) == ends


def test_a_range_in_a_rail_column_is_minimum_and_maximum_and_makes_the_rail(shop: Shop) -> None:
    sheet = read(shop, table("Board;12 V;Result", "A-1;9,4 - 11,5;ok", "A-1;12,0;ok"))
    first, second = cases(shop, sheet, **{"supply|12 v": "running"})
    assert (first.readings[0].min, first.readings[0].max, first.readings[0].value) == (9.4, 11.5, None)
    assert second.readings[0].value == 12.0
    assert sheets.run(shop, sheet).saved
    assert '"name":"12 V"' in exported(shop)
    assert '"nominal_v":12' in exported(shop)
    sheets.check(shop, sheet)
    assert sheet.checked is not None
    assert (sheet.checked["unchanged"], sheet.checked["railed"]) == (2, 0)


def test_rails_that_a_board_has_are_left_as_they_are(shop: Shop) -> None:
    bring(shop, a_family("HX-210"))
    before = exported(shop)
    sheet = read(shop, table("Board;9V;Result", "HX-210;9,4;ok"))
    cases(shop, sheet, **{"supply|9v": "running"})
    assert sheet.checked is not None
    assert sheet.checked["railed"] == 0
    assert exported(shop) == before


@pytest.mark.parametrize(
    ("heading", "cells", "field"),
    [
        ("repair_status", ("fixed", "scrap"), "verdict"),
        ("problem_text", ("no picture", "dead"), "complaint"),
        ("problemText", ("no picture", "dead"), "complaint"),
        ("Fehlerbeschreibung Kunde", ("kein Bild", "tot"), "complaint"),
        ("Befund / was gemacht", ("C9 taub, ersetzt", "F1 neu"), "work"),
        ("what I did", ("C9 replaced", "F1"), "work"),
        ("parts", ("1.20", ".05"), "cost"),
        ("stby", ("4.1", "0-3V"), "rail"),
        ("Shelf", ("left", "right"), "notes_as"),
    ],
)
def test_headings_of_several_words_and_of_the_bench_are_guessed(
    shop: Shop, heading: str, cells: tuple[str, str], field: str
) -> None:
    sheet = read(shop, table(f"Board;{heading}", f"A-1;{cells[0]}", f"B-2;{cells[1]}"))
    assert sheet.targets[folded(heading)] == field


def test_a_title_and_merged_headings_above_are_passed_over_and_the_row_can_be_chosen(shop: Shop) -> None:
    rows = (
        "BENCH BOOK;;;",
        "Job;;Work;",
        "no.;board;what I did;time",
        "1;A-1;C9 new, ok;20m",
        "2;A-1;F1 new;5m",
    )
    sheet = read(shop, table(*rows))
    assert (sheet.heading_row, sheet.rows_above) == (3, 2)
    assert list(sheet.targets.values()) == ["uid", "family", "work", "minutes"]
    assert [number for number, _ in sheets.top_rows(shop, sheet)] == [1, 2, 3, 4, 5]


def test_what_i_did_is_split_into_fixes_with_the_rows_time_and_cost(shop: Shop) -> None:
    sheet = read(
        shop,
        table(
            "Board;Problem;What I did;Time;Parts cost",
            "A-1;dead;C9 replaced - no better / C10 replaced - ok;40 min;1,20",
        ),
    )
    (one,) = cases(shop, sheet)
    assert [(entry.part, entry.result) for entry in one.attempts] == [("C9", "no change"), ("C10", "cured")]
    assert (one.attempts[0].minutes, one.attempts[0].cost) == (40, 1.2)
    assert one.verdict == "repaired"
    assert "C9 replaced - no better" in one.notes


def test_time_of_a_row_without_any_fix_goes_into_the_notes(shop: Shop) -> None:
    sheet = read(
        shop, table("Board;What I did;Minutes", "A-1;nothing wrong found;40", "B-2;called him, no answer;5")
    )
    first, second = cases(shop, sheet)
    assert first.verdict == "no fault found"
    assert "Minutes: 40" in first.notes
    assert "Minutes: 5" in second.notes


def test_every_cell_that_is_left_out_is_listed_and_none_is_by_itself(shop: Shop) -> None:
    sheet = read(
        shop, table("Board;Shelf;Received", "A-1;left;2021-04-03", "B-2;right;soon", "C-3;;2021-05-03")
    )
    assert "" not in sheet.targets.values()
    sheets.choose_columns(shop, sheet, {**sheet.targets, "shelf": ""}, "")
    cases(shop, sheet, **{"bad|received": "-"})
    assert sheet.checked is not None
    assert [list(one) for one in sheet.checked["left_out"]] == [["Shelf", 2, ["left", "right"]], ["Received", 1, ["soon"]]]  # noqa: E501  # fmt: skip


def test_words_that_nothing_was_read_from_are_counted_and_named_once_for_all_rows(shop: Shop) -> None:
    rows = [f"A-{number};wibbles sideways" for number in range(1, 6)]
    sheet = read(shop, table("Board;Complaint", *rows))
    found = sheets.read_texts(shop, sheet)
    assert found.phrases[0] == ("wibbles sideways", 5)
    assert sheets.name_phrases(shop, sheet, {"wibbles sideways": "no picture"})
    assert sheets.texts_read(sheet) is None
    assert dict(sheets.read_texts(shop, sheet).symptoms) == {"no picture": 5}
    assert all([one.name for one in case.symptoms] == ["no picture"] for case in cases(shop, sheet))
    assert sheets.run(shop, sheet).saved
    kept: Any = next(line for line in exported(shop).splitlines() if '"name":"no picture","synonyms"' in line)
    assert "wibbles sideways" in kept


def test_a_row_can_be_left_with_its_words_alone(shop: Shop) -> None:
    sheet = read(shop, table("Board;Complaint", "A-1;no picture", "B-2;no picture"))
    sheets.read_texts(shop, sheet)
    assert [len(one.facts) for one in sheets.rows_read(shop, sheet)] == [1, 1]
    sheets.choose_rows(shop, sheet, {2, 3}, {3})
    first, second = cases(shop, sheet)
    assert (len(first.symptoms), len(second.symptoms)) == (0, 1)
    assert first.complaint == "no picture"


def test_many_boards_without_a_verdict_are_asked_about(shop: Shop) -> None:
    rows = [f"A-{number};repairable later" for number in range(1, 31)]
    sheet = read(shop, table("Board;Repair status", *rows))
    word = "word|verdict|repairable later"
    asked = {one.key: one for one in sheets.ask(shop, sheet).questions}
    assert asked[word].chosen == ""
    sheets.decide(shop, sheet, {word: "open"})
    asked = {one.key: one for one in sheets.ask(shop, sheet).questions}
    assert (asked["no verdict"].chosen, asked["no verdict"].count) == ("", 30)
    assert all(case.verdict is None for case in cases(shop, sheet, **{"no verdict": "bench"}))
    assert all(
        case.verdict == "not economical" for case in cases(shop, sheet, **{"no verdict": "=not economical"})
    )


def test_a_text_longer_than_its_field_goes_on_in_the_notes(shop: Shop) -> None:
    long = "it hums and flickers " * 150
    sheet = read(shop, table("Board;Complaint;Customer", f"A-1;{long};{'quay office ' * 30}"))
    (one,) = cases(shop, sheet)
    assert len(one.complaint) <= 2_000
    assert len(one.customer) <= 200
    assert (one.complaint + one.notes).count("hums") == 150
    assert (one.customer + one.notes).count("quay") == 30


def test_one_column_names_its_board_in_the_words(shop: Shop) -> None:
    bring(shop, a_family("HX-210"))
    sheet = read(
        shop,
        table("what came", '"hx210 no picture, C9 replaced, all fine"', "XK 77 dead", '"called, no answer"'),
    )
    made = cases(shop, sheet)
    assert [one.family for one in made] == ["HX-210", "XK 77"]
    assert sheet.checked is not None
    assert sheet.checked["refused"] == 1


@pytest.mark.parametrize(
    ("heading", "rail"),
    [("12 rail", "12V"), ("12er", "12V"), ("5 stby", "5VSB"), ("3.3 line", "3.3V"), ("12V", "12V")],
)
def test_a_number_with_a_word_for_a_supply_is_its_volts(heading: str, rail: str) -> None:
    found = read_rail_heading(heading)
    assert found is not None
    assert found.rail == rail


@pytest.mark.parametrize("heading", ["12 pieces", "12", "er", "2nd line"])
def test_a_number_with_any_other_word_is_no_supply(heading: str) -> None:
    assert read_rail_heading(heading) is None


def test_a_ditto_stands_for_the_cell_above_and_a_board_for_itself() -> None:
    assert all(map(is_ditto, ("dto.", "Ditto", '"', '-"-', "''", "same", "wie oben", "idem")))
    assert not any(map(is_ditto, ("", "-", "HX-210", "same day", "no", '24"')))


def test_a_board_that_is_as_above_is_the_one_above(shop: Shop) -> None:
    rows = ("HX-210,no picture", "dto.,hum", ",dead", "GL-31,dead", '"""",no sound')
    sheet = read(shop, table("Board,Complaint", *rows))
    found = cases(shop, sheet, **{"board left out": "x"})
    # The one that names none and says nothing of it is refused, as was chosen.
    assert [(one.family, one.complaint) for one in found] == [
        ("HX-210", "no picture"), ("HX-210", "hum"), ("GL-31", "dead"), ("GL-31", "no sound"),
    ]  # fmt: skip


def test_a_ditto_with_nothing_above_names_no_board(shop: Shop) -> None:
    sheet = read(shop, table("Board,Complaint", "dto.,hum", "HX-210,no picture"))
    assert [one.family for one in cases(shop, sheet)] == ["HX-210"]


def test_the_texts_of_a_row_are_shown_with_the_board_that_they_are_of(shop: Shop) -> None:
    sheet = read(
        shop, table("Board,Complaint", "dto.,hums loudly", "HX-210,no picture", "same,no sound at all")
    )
    sheets.read_texts(shop, decided(shop, sheet))
    rows = (state.folder(shop, sheet.id) / "texts.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(row)[1] for row in rows] == ["", "HX-210", "HX-210"]


def test_columns_that_take_turns_tell_alike_and_a_heading_with_a_currency_is_money(shop: Shop) -> None:
    rows = (
        "HX-210,dead,C9 replaced no change,,1.40",
        "HX-210,hum,C4 replaced no change,C5 replaced and fine,0.60",
        "GL-31,dead,F1 replaced and it blew,Q1 and F1 replaced ok,2.10",
    )
    sheet = read(shop, table("Board,Complaint,1st go,2nd go,Bits £", *rows))
    assert [sheet.targets[key] for key in ("1st go", "2nd go", "bits")] == ["work", "work", "cost"]


def test_a_word_before_a_number_is_no_board(shop: Shop) -> None:
    rows = (
        "vacuum cleaner stops after 10 min",
        "fuse 15A blown in kettle",
        "telly 40 dead ABX 118 replaced fuse",
    )
    sheet = read(shop, table("What happened", *rows))
    assert [one.family for one in cases(shop, sheet, **{"board in text": "looks"})] == ["ABX 118"]


@pytest.mark.parametrize(
    ("cell", "ends"),
    [
        ("±31 to ±33", ("31", "33")),
        ("0 (0 - 3)", ("0", "3")),
        ("12 (11 - 13)", None),  # a value between the ends is told by neither
    ],
)
def test_ends_stand_behind_a_sign_or_in_brackets(cell: str, ends: tuple[str, str] | None) -> None:
    assert two_ends(cell) == ends


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("see A4", "A4"),
        ("wie 101", "101"),
        ("s. 12", "12"),
        ("HX-210", ""),
        ("see the note", ""),
        ("see " * 20, ""),
    ],
)
def test_a_cell_may_refer_to_another_job(cell: str, number: str) -> None:
    assert referred_to(cell) == number


def test_the_numbers_of_two_boards_are_told_from_one() -> None:
    assert names_two_boards("TVM-31 + GZM-14")
    assert not any(names_two_boards(one) for one in ("TVM-31", "HX-210/2", "board and stand", "HX-210 rev B"))


BOOK = table(
    "Boat shed book,,,,,,,",
    "Job,,,What they say,Measured,,,What we did",
    "Ref,Unit,Date,,VSB,+12,HT,",
    "A1,HX-210,2025-06-02,no picture at all here,5.0,12.1,330,C9 high ESR and replaced now works",
    "A2,GL-31,2025-06-03,goes off when it is hot,5.0,11.9,325,fan replaced now it works again",
    "A3,see A1,2025-06-04,no picture once again,5.0,12.0,0,F1 blown and replaced now it works",
    "A4,HX-210 + GL-31,2025-06-05,both of them dead,,,,nothing was done to them yet",
    ",,,---- bank holiday ----,,,,",
    "total,,,4,,,,",
)


def test_job_numbers_supplies_and_boards_of_a_book_are_known_by_their_place(shop: Shop) -> None:
    for code in ("HX-210", "GL-31"):
        bring(shop, a_family(code=code))
    sheet = read(shop, BOOK)
    targets = dict(zip(sheet.headings, sheet.targets.values(), strict=True))
    assert [targets[head] for head in ("Ref", "VSB", "+12", "HT")] == ["uid", "rail", "rail", "rail"]
    sheets.choose_columns(shop, sheet, sheet.targets, "")
    answers = {
        "supply|+12": "running",
        "supply|ht": "running",
        "no verdict": "bench",
        "board left out": "above",
    }
    found = cases(shop, sheet, **answers)
    assert [one.family for one in found] == ["HX-210", "GL-31", "HX-210"]
    refused = (state.folder(shop, sheet.id) / "refused.csv").read_text("utf-8-sig")
    assert "names more than one board" in refused
    assert "bank holiday" in refused
    # The row of sums is no case that could be refused; it stands with what was left out.
    assert "total" not in refused
    assert any(
        "total" in cells for head, _, cells in (sheet.checked or {})["left_out"] if head.endswith("a sum")
    )
