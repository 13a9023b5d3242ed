"""A technician's own table as plain rows, whatever kind of file it came in.

What a file is, its content decides and not its name. Rows are written once into a plain file of our own,
so that each later step reads them quickly and a workbook is unpacked once.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from kb.errors import BadInput
from kb.exchange import sheet_text, sheet_workbook
from kb.exchange.sheet_limits import MAX_CELL, MAX_COLUMNS, MAX_ROWS
from kb.exchange.sheet_text import ENCODINGS, SEPARATORS

__all__ = [
    "ENCODINGS",
    "REASON_HEADING",
    "SEPARATORS",
    "Look",
    "copied",
    "look",
    "neutralised",
    "plain_rows",
    "table_text",
]

REASON_HEADING = "Why it was refused"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_OTHER_KINDS: tuple[tuple[bytes, str, str], ...] = (
    (b"\xd0\xcf\x11\xe0", "an old or locked workbook", "Save it as XLSX without a password, or as CSV."),
    (b"%PDF", "a PDF", "Save the table as XLSX or CSV."),
    (b"\x89PNG", "a picture", "Choose the spreadsheet itself."),
    (b"\xff\xd8\xff", "a picture", "Choose the spreadsheet itself."),
    (b"GIF8", "a picture", "Choose the spreadsheet itself."),
    (b"\x1f\x8b", "a packed file", "Unpack it first."),
    (b"7z\xbc\xaf", "a packed file", "Unpack it first."),
    (b"Rar!", "a packed file", "Unpack it first."),
    (b"SQLite format 3", "a database", "Bring it in with kb restore if it is a backup of this book."),
)


@dataclass(frozen=True, slots=True)
class Look:
    """How a file is read; the person may change all but its kind."""

    kind: Literal["text", "workbook"]
    encoding: str = ""
    separator: str = ""
    sheets: tuple[str, ...] = ()
    sheet: str = ""


@dataclass(slots=True)
class Copied:
    """What copying the rows found: `rows` that hold anything, `columns` of the widest of them."""

    rows: int = 0
    columns: int = 0
    notes: list[str] = field(default_factory=list)


def look(file: Path) -> Look:
    """What kind of table a file is, by its content. Raises BadInput for anything else."""
    with file.open("rb") as source:
        head = source.read(4096)
    if not head.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise BadInput("The file is empty.", field="file", remedy="Choose the spreadsheet itself.")
    for start, what, remedy in _OTHER_KINDS:
        if head.startswith(start):
            raise BadInput(f"This is {what}, whatever its name says.", field="file", remedy=remedy)
    if head.startswith(b"PK"):
        names = sheet_workbook.sheet_names(file)
        return Look("workbook", sheets=names, sheet=names[0])
    begins = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if begins.startswith((b"<?xml", b"<html", b"<!doctype", b"{\\rtf")):
        raise BadInput("This is a page, not a table.", field="file", remedy="Save it as XLSX or CSV.")
    if begins.startswith(b'{"record"'):
        raise BadInput(
            "This file is in the exchange format.", field="file", remedy="Bring it in under Bring records in."
        )
    encoding = sheet_text.detect_encoding(file)
    return Look("text", encoding, sheet_text.detect_separator(file, encoding))


def _rows(file: Path, how: Look, notes: list[sheet_workbook.SheetNotes]) -> Iterator[list[str]]:
    if how.kind == "workbook":
        return sheet_workbook.rows(file, how.sheet, notes)
    return sheet_text.rows(file, how.encoding, how.separator)


def copied(file: Path, how: Look, target: Path, progress: Callable[[int], None] | None = None) -> Copied:
    """Writes the rows into a plain file, each with its number; rows without anything are passed over.

    `progress` is told the number of rows since it was last called. Raises BadInput for what is too large
    or cannot be read.
    """
    found, notes = Copied(), list[sheet_workbook.SheetNotes]()
    with target.open("w", encoding="utf-8", newline="") as plain:
        writer = csv.writer(plain, lineterminator="\n")
        number = waiting = 0
        for number, row in enumerate(_rows(file, how, notes), start=1):
            waiting += 1
            if progress and waiting >= 1000:
                progress(waiting)
                waiting = 0
            while row and not row[-1].strip():
                row.pop()
            if not row:
                continue
            _refuse_too_large(number, row, found.rows)
            found.rows += 1
            found.columns = max(found.columns, len(row))
            writer.writerow([number, *row])
        if progress and waiting:
            progress(waiting)
    if not found.rows:
        raise BadInput("This table holds nothing.", field="file", remedy="Choose another sheet or file.")
    unsaved = sum(note.unsaved_formulas for note in notes)
    if unsaved:
        found.notes.append(
            f"Formulas without a saved result, which count as blank: {unsaved}. "
            "Open the file in a spreadsheet program, save it and bring it in again to have them."
        )
    return found


def _refuse_too_large(number: int, row: list[str], rows: int) -> None:
    if len(row) > MAX_COLUMNS:
        raise BadInput(
            f"Row {number} has {len(row):,} columns; {MAX_COLUMNS} are read at most.",
            field="file",
            remedy="Choose another separator, or take columns out.",
        )
    if rows > MAX_ROWS:
        raise BadInput(f"The table has more than {MAX_ROWS:,} rows.", field="file", remedy="Split it.")
    if any(len(cell) > MAX_CELL for cell in row):
        raise BadInput(
            f"A cell of row {number} holds more than {MAX_CELL:,} characters.",
            field="file",
            remedy="Shorten it; often a quotation mark was never closed.",
        )


def plain_rows(file: Path) -> Iterator[tuple[int, list[str]]]:
    """(row number, cells) of a file that `copied` wrote."""
    with file.open(encoding="utf-8", newline="") as plain:
        for row in csv.reader(plain):
            yield int(row[0]), row[1:]


def neutralised(cell: str) -> str:
    """A cell that no spreadsheet program takes for a formula: such ones get an apostrophe before them."""
    return f"'{cell}" if cell.startswith(_FORMULA_STARTS) else cell


def table_text(heading: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A table for a spreadsheet program, comma separated, formulas made harmless."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows([neutralised(one) if isinstance(one, str) else one for one in row] for row in rows)
    return text.getvalue()


def without_apostrophe(cell: str) -> str:
    """Undoes `neutralised`, for files that this program wrote."""
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA_STARTS) else cell
