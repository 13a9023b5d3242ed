"""Workbooks (XLSX): values as last saved, a row at a time, in the same plain text as a CSV would hold.

Read with openpyxl in its streaming mode: it holds one row in memory, where faster readers hold the sheet
and allocate whatever size a hostile file claims. Links, macros and formulas are never followed or run.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from kb.errors import BadInput
from kb.exchange.sheet_limits import MAX_COLUMNS, MAX_ROWS
from kb.exchange.sheet_zip import guard, look_over

_DAMAGED = "Open it in a spreadsheet program and save it again as XLSX or CSV."
_MOST_FILLED = 1_000_000


@dataclass(frozen=True, slots=True)
class SheetNotes:
    """What a person should know of a sheet: how many formulas were saved without a result."""

    unsaved_formulas: int = 0


@contextmanager
def _opened(file: Path) -> Iterator[Any]:
    import openpyxl  # here and below: it takes long to load, and most runs of the program read no workbook

    try:
        # An open file, because of a path it would judge the suffix.
        with file.open("rb") as source, warnings.catch_warnings():
            # It warns of styles and extensions that it leaves out; values are not among them.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(source, read_only=True, data_only=True, keep_links=False)
            try:
                yield book
            finally:
                book.close()
    except (BadInput, GeneratorExit):
        raise
    except Exception as error:  # hostile and damaged files make it fail in every way there is
        raise BadInput("This workbook file cannot be read.", field="file", remedy=_DAMAGED) from error


def sheet_names(file: Path) -> tuple[str, ...]:
    """The sheets that hold cells, in their order. Raises BadInput for what is no workbook or a trap."""
    guard(file)
    look_over(file, "")
    with _opened(file) as book:
        found = tuple(sheet.title for sheet in book.worksheets)
    if not found:
        raise BadInput("This workbook holds no sheet.", field="file", remedy=_DAMAGED)
    return found


def rows(file: Path, name: str, notes: list[SheetNotes] | None = None) -> Iterator[list[str]]:
    """The rows of a sheet as texts. A value in merged cells stands in each of them.

    Days are year-month-day, times of day hours and minutes, numbers have a point and 15 figures.
    Raises BadInput.
    """
    guard(file)
    with _opened(file) as book:
        sheet = next((one for one in book.worksheets if one.title == name), None)
        if sheet is None:
            raise BadInput("There is no such sheet.", field="sheet", remedy="Choose one from the list.")
        looked = look_over(file, str(sheet._worksheet_path).lstrip("/"))
        if notes is not None:
            notes.append(SheetNotes(looked.unsaved_formulas))
        merged = _Merged(looked.merged)
        # The size a sheet claims is often wrong; without it rows are read to their real end.
        sheet.reset_dimensions()
        for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
            if len(row) > MAX_COLUMNS and any(value is not None for value in row[MAX_COLUMNS:]):
                raise BadInput(
                    f"Row {number} has more than {MAX_COLUMNS} columns.",
                    field="file",
                    remedy="Take the columns out that are not about repairs.",
                )
            yield merged.filled(number, [as_text(value) for value in row[:MAX_COLUMNS]])


def as_text(value: Any) -> str:
    """A cell's value as a CSV would hold it."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return f"{value.hour} h {value.minute} min"
    if isinstance(value, timedelta):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60} h {minutes % 60} min" if minutes >= 0 else str(value)
    return str(value)


def _number(value: float) -> str:
    """15 figures, which is what a spreadsheet shows: 12.34 and not 12.340000000000002."""
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    text = f"{value:.15g}"
    return f"{float(text):f}" if "e" in text and 1e-6 < abs(value) < 1e15 else text


class _Merged:
    """Values of merged cells carried to the cells they cover, row by row."""

    def __init__(self, places: tuple[str, ...]) -> None:
        from openpyxl.utils.cell import range_boundaries

        self._from: dict[int, list[tuple[int, int, int]]] = {}
        self._under: dict[int, tuple[int, str]] = {}
        covered = 0
        for place in places:
            left, top, right, bottom = (int(edge or 0) for edge in range_boundaries(place))
            right, bottom = min(right, MAX_COLUMNS), min(bottom, MAX_ROWS)
            covered += max(right - left + 1, 0) * max(bottom - top + 1, 0)
            if covered > _MOST_FILLED:
                raise BadInput(
                    "Merged cells cover most of this sheet.", field="file", remedy="Undo the merging of cells."
                )  # fmt: skip
            if left <= right:
                self._from.setdefault(top, []).append((left, right, bottom))

    def filled(self, number: int, row: list[str]) -> list[str]:
        """The row with the values that merged cells show there."""
        if not (self._from or self._under):
            return row
        for left, right, bottom in self._from.pop(number, ()):
            value = row[left - 1] if left <= len(row) else ""
            for column in range(left, right + 1):
                self._under[column] = (bottom, value)
        for column, (bottom, value) in list(self._under.items()):
            if bottom < number:
                del self._under[column]
            elif value:
                row += [""] * (column - len(row))
                row[column - 1] = value
        return row
