"""Rows of sums, cells that mean the one above, and money by the code of its currency.

Common practice of workshops, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from factories import shop_in
from sheet_files import cases, read, table

from kb.service import Shop, sheets
from kb.service.sheets import decisions, totals, upload


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    yield made
    made.close()


ROWS = ("Job;Board;Complaint;Part;Min;Parts EUR", "1;HX-210;dead;F1;30;1,20", "2;HX-210;hums;C9;45;0,60",
        "3;GL-31;no picture;Q1;15;2,00", "4;GL-31;dead;F1;20;1,00")  # fmt: skip


@pytest.mark.parametrize(
    "last",
    ["Summe;;;;110;4,80", ";4 boards;;;110;4,80", ";;;;110;4,80", "total;;;;;4,80", ";;Gesamt;;1h50;4,80 €",
     ";4 Platinen;nothing more;;;"],
)  # fmt: skip
def test_a_row_of_sums_at_the_end_is_no_case_and_is_named_among_what_is_left_out(
    shop: Shop, last: str
) -> None:
    sheet = read(shop, table(*ROWS, last))
    is_sum = "nothing" not in last
    asked = [one for one in sheets.ask(shop, sheet).questions if one.key == "rows of sums"]
    assert [(one.chosen, one.sure) for one in asked] == ([("-", False)] if is_sum else [])
    found = cases(shop, sheet)
    assert [one.family for one in found] == ["HX-210", "HX-210", "GL-31", "GL-31"] + (
        [] if is_sum else ["4 Platinen"]
    )
    left_out = {head: cells for head, _, cells in (sheet.checked or {})["left_out"]}
    assert left_out.get("Row 6, a sum") == ([cell for cell in last.split(";") if cell] if is_sum else None)
    assert (sheet.checked or {})["refused"] == 0


def test_the_question_about_sums_reads_no_row_of_the_file_again(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = read(shop, table(*ROWS, "Summe;;;;110;4,80"))

    def unread(*_asked: object) -> None:
        raise AssertionError

    monkeypatch.setattr(upload.exchange, "plain_rows", unread)
    (question,) = [one for one in sheets.ask(shop, sheet).questions if one.key == totals.ANSWER]
    assert question.examples == ("Summe · 110 · 4,80",)


def test_a_row_of_sums_can_be_said_to_be_a_board_and_is_then_read_as_one(shop: Shop) -> None:
    sheet = read(shop, table(*ROWS, ";4 boards;;;110;4,80"))
    assert sheet.rows == 4
    found = cases(shop, sheet, **{"rows of sums": "case"})
    assert found[-1].family == "4 boards"
    assert sheet.rows == 5
    assert len(cases(shop, sheet, **{"rows of sums": "-"})) == 4
    assert sheet.rows == 4


@pytest.mark.parametrize(
    "last", ["5;HX-210;;F1;20;", "5;HX-210;total dead;;20;1,00", "5;;;;20;1,00", "5;HX-210;dead;F1;110;4,80"]
)
def test_a_last_row_that_is_a_board_stays_one(shop: Shop, last: str) -> None:
    sheet = read(shop, table(*ROWS, last))
    assert sheet.sums == []
    assert sheet.rows == 5


def test_two_rows_of_sums_are_asked_about_as_one(shop: Shop) -> None:
    sheet = read(shop, table(*ROWS, "", "Summe;;;;110;4,80", "4 Stück;;;;;"))
    assert sheet.sums == [7, 8]
    (asked,) = [one for one in sheets.ask(shop, sheet).questions if one.key == "rows of sums"]
    assert asked.examples == ("Summe · 110 · 4,80", "4 Stück")


@pytest.mark.parametrize(
    "same", ["as above", "wie oben", "same set", "dto.", "idem", '"', "w. o.", "zelfde klacht"]
)
def test_a_complaint_that_names_the_one_above_is_that_one_and_shows_it(shop: Shop, same: str) -> None:
    cell = '""""' if same == '"' else same
    rows = (
        "1;HX-210;no picture, relay clicks;C9",
        f"2;HX-210;{cell};C12",
        f"3;GL-31;{cell};C1",
        "4;GL-31;dead;F1",
    )
    sheet = read(shop, table("Job;Board;Complaint;Part", *rows))
    found = cases(shop, sheet)
    assert [one.complaint for one in found] == [
        "no picture, relay clicks",
        f"{same}: no picture, relay clicks",
        f"{same}: no picture, relay clicks",
        "dead",
    ]
    said = [{one.name for one in case.symptoms} for case in found]
    assert said[0] == said[1] == said[2] != said[3]
    assert "no picture" in said[1]
    sheets.read_texts(shop, sheet)
    assert [one.text.split(" · ")[0] for one in sheets.rows_read(shop, sheet)][
        1
    ] == f"{same}: no picture, relay clicks"


def test_a_complaint_with_nothing_above_and_a_remark_between_rows_is_no_complaint_of_another(
    shop: Shop,
) -> None:
    rows = ("1;HX-210;as above;C9", "2;HX-210;dead;C9", ";;paid up to here;", "3;HX-210;as above;C1")
    sheet = read(shop, table("Job;Board;Complaint;Part", *rows))
    found = cases(shop, sheet, **{"board left out": "x"})
    assert [one.complaint for one in found] == ["as above", "dead", "as above: dead"]


@pytest.mark.parametrize(
    "heading",
    ["Bits GBP", "Parts EUR", "Teile CHF", "cost (USD)", "Mat. €", "kosten eur", "Bits £", "spent DKK"],
)  # fmt: skip
def test_a_heading_with_a_currency_is_money(shop: Shop, heading: str) -> None:
    rows = ("A-1;dead;F1 replaced;1.20", "A-1;hums;C9 replaced;0.60", "A-1;dead;Q1 replaced;12")
    sheet = read(shop, table(f"Board;Complaint;What I did;{heading}", *rows))
    assert sheet.targets[sheet.keys[3]] == "cost"
    assert [one.attempts[0].cost for one in cases(shop, sheet)] == [1.2, 0.6, 12]


@pytest.mark.parametrize("heading", ["Europe", "Frame", "France"])
def test_a_word_that_only_begins_like_a_currency_is_no_money(shop: Shop, heading: str) -> None:
    sheet = read(
        shop, table(f"Board;Complaint;What I did;{heading}", "A-1;dead;F1 replaced;1.20", "A-1;hums;C9;0.60")
    )
    assert sheet.targets[sheet.keys[3]] != "cost"


def test_a_column_that_names_parts_beside_what_was_done_is_read_as_what_was_done(shop: Shop) -> None:
    sheet = read(shop, table("Board;Complaint;Work", "A-1;dead;F1 replaced", "A-1;hums;C9 replaced"))
    assert sheet.targets["work"] == "work"
    plain = read(shop, table("Board;Complaint;Part;Work", "A-1;dead;F1;replaced", "A-1;hums;C9;resoldered"))
    assert plain.targets["work"] == "action"


def test_what_was_done_names_the_kind_of_part_where_the_cell_of_the_part_is_blank(shop: Shop) -> None:
    rows = ("A-1;dead;F1;replaced", "A-1;hot;;fan replaced", "A-1;hums;;replaced")
    sheet = read(shop, table("Board;Complaint;Part;Work", *rows))
    assert [one.attempts[0].part_class for one in cases(shop, sheet)] == ["fuse", "fan", "other"]


def test_words_may_name_another_board_than_the_one_that_all_are(shop: Shop) -> None:
    rows = (
        "1;HX-210 dead, F1 replaced, works",
        "2;toaster, lever resoldered, works",
        "3;lamp, cleaned, works",
    )
    sheet = read(shop, table("Job;What was done", *rows))
    sheets.choose_columns(shop, sheet, {"job": "uid", "what was done": "work"}, "REPAIR-DAY")

    def boards(answer: str) -> list[str]:
        return [one.family for one in cases(shop, sheet, **{"board in text": answer})]

    assert boards("looks") == ["HX-210", "REPAIR-DAY", "REPAIR-DAY"]
    assert boards(decisions.REFUSE) == ["REPAIR-DAY"] * 3
