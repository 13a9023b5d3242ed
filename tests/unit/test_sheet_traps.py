"""Files that are no tables, too large, or made to do harm: each refused with its reason."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment
from sheet_files import repacked, workbook

from kb.errors import BadInput
from kb.exchange import sheet_zip, sheets

BOOK = workbook([["Board", "Cost"], ["HX-210", 4.7]])
SHEET = "xl/worksheets/sheet1.xml"


def rows(tmp_path: Path, content: bytes, sheet: str = "") -> list[list[str]]:
    file = tmp_path / "file"
    file.write_bytes(content)
    how = sheets.look(file)
    if sheet:
        how = sheets.Look("workbook", sheets=how.sheets, sheet=sheet)
    found = sheets.copied(file, how, tmp_path / "plain")
    rows.notes = found.notes  # type: ignore[attr-defined]
    return [row for _, row in sheets.plain_rows(tmp_path / "plain")]


def refused(tmp_path: Path, content: bytes) -> str:
    with pytest.raises(BadInput) as caught:
        rows(tmp_path, content)
    assert caught.value.remedy
    return caught.value.message


def packed(**members: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name, content)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf\r\n", "empty"),
        (b"%PDF-1.7 x", "a PDF"),
        (b"\x89PNG\r\n\x1a\n" + b"x" * 50, "a picture"),
        (b"\xd0\xcf\x11\xe0" + b"x" * 600, "old or locked"),
        (b"\x1f\x8b" + b"x" * 60, "packed"),
        (b"<html><table>", "not a table"),
        (b'{"record":"case"}', "exchange format"),
        (b"PK\x03\x04" + b"x" * 60, "damaged"),
        (packed(a=b"x"), "no workbook"),
        (packed(**{"content.xml": b"x", "mimetype": b"y"}), "OpenDocument"),
        (b"a,b\n" + b"\x00\x01" * 3 + b"x" * 100, "zero bytes"),
        (b'a,b\n"never closed,1\n2,3\n', "never closed"),
        (b"a," * 1_000_000, "columns"),
        (b"x" * 5_000_000, "longer than"),
        (b"a,b\n" + b"x" * 40_000 + b",1\n", "characters"),
    ],
)
def test_what_is_no_table_is_refused_by_its_content(tmp_path: Path, content: bytes, why: str) -> None:
    assert why in refused(tmp_path, content)


def test_a_zip_bomb_is_refused_before_anything_is_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bomb = repacked(BOOK, {SHEET: b"<row/>" * 20_000_000})
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *given, **more: pytest.fail("it was unpacked"))
    assert "packed more tightly" in refused(tmp_path, bomb)


def test_many_parts_parts_in_parts_and_parts_over_parts_are_refused(tmp_path: Path) -> None:
    many = repacked(BOOK, {f"xl/media/{number}.bin": b"" for number in range(sheet_zip.MOST_MEMBERS)})
    assert "packs" in refused(tmp_path, many)
    assert "further packed" in refused(tmp_path, repacked(BOOK, {"xl/more.zip": BOOK}))
    # Two entries of the list that point at one place, as overlapping bombs do.
    twice = bytearray(repacked(BOOK, {"xl/a.xml": b"x" * 90, "xl/b.xml": b"y" * 90}))
    start = twice.rindex(b"PK\x01\x02")
    before = twice.rindex(b"PK\x01\x02", 0, start)
    twice[start + 42 : start + 46] = twice[before + 42 : before + 46]
    assert "lie over one another" in refused(tmp_path, bytes(twice))


def test_a_size_that_lies_is_noticed(tmp_path: Path) -> None:
    lying = bytearray(repacked(BOOK, {SHEET: b"<worksheet>" + b" " * 100_000}))
    start = lying.rindex(b"PK\x01\x02")
    lying[start + 24 : start + 28] = (1_000).to_bytes(4, "little")
    assert "damaged" in refused(tmp_path, bytes(lying))


def test_entity_bombs_and_outside_entities_are_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(BOOK)) as book:
        sheet = book.read(SHEET)
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + sheet
    assert "entities" in refused(tmp_path, repacked(BOOK, {SHEET: bomb}))
    outside = b'<?xml version="1.0"?><!DOCTYPE x SYSTEM "http://harbour.invalid/x">' + sheet
    assert "entities" in refused(tmp_path, repacked(BOOK, {"xl/sharedStrings.xml": outside}))
    wide = sheet.decode().encode("utf-16")
    assert "entities" in refused(tmp_path, repacked(BOOK, {SHEET: wide}))


def test_a_workbook_with_links_to_other_files_is_refused_and_macros_are_passed_over(tmp_path: Path) -> None:
    linked = repacked(BOOK, {"xl/externalLinks/externalLink1.xml": b"<externalLink/>"})
    assert "other files" in refused(tmp_path, linked)
    assert rows(tmp_path, repacked(BOOK, {"xl/vbaProject.bin": b"x" * 100}))[1] == ["HX-210", "4.7"]


def test_a_cell_that_claims_to_lie_far_out_costs_no_memory(tmp_path: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(BOOK)) as book:
        sheet = book.read(SHEET)
    wide = sheet.replace(b'r="B2"', b'r="XFD2"')
    assert "columns" in refused(tmp_path, repacked(BOOK, {SHEET: wide}))
    claimed = sheet.replace(b'ref="A1:B2"', b'ref="A1:A1"')
    assert claimed != sheet
    assert rows(tmp_path, repacked(BOOK, {SHEET: claimed})) == [["Board", "Cost"], ["HX-210", "4.7"]]


def test_values_of_a_workbook_are_what_the_sheet_shows(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["text", "number as text", "number", "day", "moment", "time", "yes", "sum", "blank"])
    sheet.append(["Größe", "0017", 12.340000000000002, date(2021, 4, 3), datetime(2021, 4, 3, 14, 30),
                  time(1, 30), True, 0.1 + 0.2, None])  # fmt: skip
    sheet.append([1e15, -4.7, 1234567, datetime(2021, 4, 3)])
    sheet["A2"].comment = Comment("not a value", "bench 1")
    file = io.BytesIO()
    book.save(file)
    assert rows(tmp_path, file.getvalue())[1:] == [
        ["Größe", "0017", "12.34", "2021-04-03", "2021-04-03 14:30", "1 h 30 min", "yes", "0.3"],
        ["1000000000000000", "-4.7", "1234567", "2021-04-03"],
    ]


def test_the_1904_days_of_a_workbook_are_the_right_days(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    sheet = book.active
    assert sheet is not None
    sheet.append(["day"])
    sheet.append([date(2021, 4, 3)])
    file = io.BytesIO()
    book.save(file)
    assert rows(tmp_path, file.getvalue())[1] == ["2021-04-03"]


def test_merged_cells_count_for_each_of_their_rows(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["Job", "Board", "Part"], [17, "HX-210", "C9"], [None, None, "C12"], [18, "GL-31", "F1"]):
        sheet.append(row)
    sheet.merge_cells("A2:A3")
    sheet.merge_cells("B2:B3")
    file = io.BytesIO()
    book.save(file)
    assert rows(tmp_path, file.getvalue()) == [
        ["Job", "Board", "Part"], ["17", "HX-210", "C9"], ["17", "HX-210", "C12"], ["18", "GL-31", "F1"],
    ]  # fmt: skip


def test_formulas_count_by_their_saved_result_and_those_without_are_told(tmp_path: Path) -> None:
    book = workbook([["a", "b"], [1, "=A2+1"], [2, "=A3+1"]])
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        sheet = parts.read(SHEET)
    saved = sheet.replace(b"<f>A2+1</f><v />", b"<f>A2+1</f><v>2</v>").replace(
        b"<f>A2+1</f><v/>", b"<f>A2+1</f><v>2</v>"
    )
    assert saved != sheet
    assert rows(tmp_path, repacked(book, {SHEET: saved}))[1:] == [["1", "2"], ["2"]]
    assert rows.notes[0].startswith("Formulas without a saved result, which count as blank: 1.")  # type: ignore[attr-defined]


def test_a_sheet_is_chosen_from_several(tmp_path: Path) -> None:
    book = workbook([["first"]], Jobs=[["second"]])
    assert rows(tmp_path, book) == [["first"]]
    assert rows(tmp_path, book, "Jobs") == [["second"]]


def test_formula_characters_are_neutralised_and_come_back() -> None:
    for cell in ("=1+1", "+49", "-12V", "@x", "\tx", "plain", "'quoted", ""):
        safe = sheets.neutralised(cell)
        assert not safe.startswith(("=", "+", "-", "@", "\t", "\r"))
        assert sheets.without_apostrophe(safe) == cell
