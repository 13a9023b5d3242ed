"""Read a meter's log: time and volts as text, in whatever dialect the meter's maker chose."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kb.errors import BadInput

MOST_ROWS = 5_000_000
_SAMPLE_LINES = 50
_CHUNK = 20_000
_SHOWN = 3
_DAY_S = 86_400.0
_TIME_WORDS = ("time", "seconds", "elapsed", "zeit", "sec", "s")
_VOLT_WORDS = ("volt", "value", "reading", "spannung", "dc", "v")
_MILLI_TIME = re.compile(r"[\[(_ ]ms[\])]?$|millisec", re.IGNORECASE)
_MILLI_VOLT = re.compile(r"[\[(_ ]mv[\])]?(?: ?dc)?$|millivolt", re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?(?:\s*([AaPp][Mm]))?$")
_DATE = re.compile(r"^\d[\d./-]+[ T]+(?=\d)", re.MULTILINE)
_UNIT = re.compile(r"(?:m?V(?:\s*DC)?|m?s)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class MeterLog:
    """Times (s from the first row) and volts, equal length and in order of time; and what was not used.

    `skipped` counts rows that were no numbers (text, overload), `first_skipped` shows up to three of
    them, `reordered` says that rows were not in order, `counted_times` that the log had no times.
    """

    seconds: NDArray[np.float64]
    volts: NDArray[np.float64]
    skipped: int
    first_skipped: tuple[str, ...]
    reordered: bool
    counted_times: bool


@dataclass(frozen=True, slots=True)
class _Dialect:
    delimiter: str
    decimal_comma: bool
    header: tuple[str, ...]
    header_lines: int
    time_column: int | None
    volt_column: int
    clock: bool
    time_scale: float
    volt_scale: float


def read_log(text: str, row_interval_s: float = 1.0) -> MeterLog:
    """Read a log of time and volts: comma, semicolon or tab, decimal point or comma, header or none.

    Times are seconds, milliseconds (by the header) or clock times, which may pass midnight. A log of one
    column is timed by `row_interval_s`. Rows that are no numbers are skipped and counted, never guessed.

    Raises:
        BadInput: when nothing can be read, or comma is used for both columns and decimals.
    """
    body = text.lstrip("﻿")
    dialect = _dialect(body)
    lines = body.splitlines()[dialect.header_lines :]
    if len(lines) > MOST_ROWS:
        raise BadInput(
            f"The log has more than {MOST_ROWS:,} rows.",
            field="log",
            remedy="Export a shorter stretch, or fewer readings per second.",
        )
    times, volts, skipped, shown = _all_rows(lines, dialect)
    if not len(volts):
        raise BadInput(
            "The log holds no readings.",
            field="log",
            remedy="Give lines of time and volts, such as 0.5;4.98 or 0.5,4.98.",
        )
    counted = dialect.time_column is None
    if counted:
        times = np.arange(len(volts), dtype=float) * row_interval_s
    if dialect.clock:
        times = _past_midnight(times)
    times = (times - times[0]) * dialect.time_scale
    reordered = bool((np.diff(times) < 0).any())
    if reordered:
        order = np.argsort(times, kind="stable")
        times, volts = times[order] - times[order[0]], volts[order]
    return MeterLog(times, volts * dialect.volt_scale, skipped, shown, reordered, counted)


def _dialect(text: str) -> _Dialect:
    sample = text[:20_000].splitlines()[:_SAMPLE_LINES]
    header_lines = _header_lines(sample)
    if header_lines is None:
        raise BadInput(
            "The log holds no readings.",
            field="log",
            remedy="Give lines of time and volts, such as 0.5;4.98 or 0.5,4.98.",
        )
    rows = [line for line in sample[header_lines:] if _looks_like_data(line)]
    delimiter = _delimiter(rows)
    cells = [row.split(delimiter) for row in rows]
    decimal_comma = delimiter != "," and any("," in cell for row in cells for cell in row)
    if delimiter == ",":
        _refuse_ambiguous(cells)
    named = [line for line in sample[:header_lines] if line.count(delimiter) >= 1 or len(cells[0]) == 1]
    header = tuple(cell.strip().strip('"') for cell in named[-1].split(delimiter)) if named else ()
    clocks = [bool(_CLOCK.search(_bare(cell))) for cell in cells[0]]
    time_column, volt_column = _columns(cells[0], header, clocks)
    time_name = header[time_column] if time_column is not None and time_column < len(header) else ""
    volt_name = header[volt_column] if volt_column < len(header) else ""
    return _Dialect(
        delimiter,
        decimal_comma,
        header,
        header_lines,
        time_column,
        volt_column,
        time_column is not None and clocks[time_column],
        0.001 if _MILLI_TIME.search(time_name) else 1.0,
        0.001 if _MILLI_VOLT.search(volt_name) else 1.0,
    )


def _looks_like_data(line: str) -> bool:
    """A row of one number, or with two of which one may be a clock time, whatever the dialect."""
    cells = [cell for cell in re.split(r"[;\t,]", line) if cell.strip()]
    if len(cells) == 1 and ":" not in line:
        cells = line.split()
    return bool(cells) and sum(_is_value(cell) for cell in cells) >= min(2, len(cells))


def _is_value(cell: str) -> bool:
    return _number(cell.replace(",", ".")) is not None or bool(_CLOCK.search(_bare(cell)))


def _header_lines(sample: list[str]) -> int | None:
    """How many lines stand before the readings; a row with a time but no volts is a reading that failed."""
    first = next((number for number, line in enumerate(sample) if _looks_like_data(line)), None)
    while first and _is_value(re.split(r"[;\t,]", sample[first - 1])[0]):
        first -= 1
    return first


def _delimiter(rows: list[str]) -> str:
    for delimiter in (";", "\t", ","):
        if all(delimiter in row for row in rows):
            return delimiter
    if all(re.search(r"\S\s+\S", row) for row in rows) and not any(":" in row for row in rows):
        return " "
    return ";"


def _refuse_ambiguous(cells: list[list[str]]) -> None:
    """0,5,4,98 may be read in two ways, and so may 5,01 under 5,02; 0,12 under 1,12 is two columns."""
    if not all(re.fullmatch(r"\s*[+-]?\d+\s*", cell) for row in cells for cell in row):
        return
    width = len(cells[0])
    leading_zero = any(re.match(r"\s*0\d", row[-1]) for row in cells)
    firsts = [int(row[0]) for row in cells]
    falls_back = any(later <= sooner for sooner, later in pairwise(firsts))
    if width in (3, 4) or (width == 2 and (leading_zero or falls_back)):
        raise BadInput(
            "Commas stand between the columns and perhaps within the numbers.",
            field="log",
            remedy="Export with semicolons between the columns, or with decimal points.",
        )


def _columns(row: list[str], header: tuple[str, ...], clocks: list[bool]) -> tuple[int | None, int]:
    if len(row) == 1:
        return None, 0
    time_column = next((n for n, clock in enumerate(clocks) if clock), None)
    if time_column is None:
        time_column = _named(header, _TIME_WORDS, set())
    volt_column = _named(header, _VOLT_WORDS, {time_column})
    if time_column is None:
        time_column = 0 if volt_column != 0 else 1
    if volt_column is None:
        volt_column = next(n for n in range(len(row)) if n != time_column)
    return time_column, volt_column


def _named(header: tuple[str, ...], words: tuple[str, ...], taken: set[int | None]) -> int | None:
    for word in words:
        for number, cell in enumerate(header):
            parts = re.split(r"[^a-z]+", cell.lower())
            matches = word in parts or (len(word) > 3 and any(part.startswith(word) for part in parts))
            if matches and number not in taken:
                return number
    return None


_Rows = tuple[NDArray[np.float64], NDArray[np.float64], int, tuple[str, ...]]


def _all_rows(lines: list[str], dialect: _Dialect) -> _Rows:
    """Every row: chunks of plain numbers by NumPy's reader, and only the others one by one."""
    parts: list[_Rows] = []
    for start in range(0, len(lines), _CHUNK):
        chunk = lines[start : start + _CHUNK]
        first_line = dialect.header_lines + start + 1
        parts.append(_quick(chunk, dialect) or _row_by_row(chunk, dialect, first_line))
    if not parts:
        return np.empty(0), np.empty(0), 0, ()
    shown = [line for part in parts for line in part[3]][:_SHOWN]
    return (
        np.concatenate([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]),
        sum(part[2] for part in parts),
        tuple(shown),
    )


def _quick(lines: list[str], dialect: _Dialect) -> _Rows | None:
    """All of the rows at once, or None when one of them is not plain numbers."""
    text = "\n".join(lines)
    if not text.strip():
        return None
    if dialect.decimal_comma:
        text = text.replace(",", ".")
    columns = (
        [dialect.volt_column] if dialect.time_column is None else [dialect.time_column, dialect.volt_column]
    )
    if dialect.clock:
        if dialect.time_column != 0:
            return None
        text = _DATE.sub("", text).replace(":", dialect.delimiter)
        columns = [0, 1, 2, dialect.volt_column + 2]
    delimiter = None if dialect.delimiter == " " else dialect.delimiter
    try:
        table = np.loadtxt(
            io.StringIO(text), delimiter=delimiter, usecols=columns, comments=None, quotechar='"', ndmin=2
        )
    except ValueError:
        return None
    if not len(table) or not np.isfinite(table).all():
        return None
    times = table[:, :3] @ (3600.0, 60.0, 1.0) if dialect.clock else table[:, 0]
    return times, table[:, -1], 0, ()


def _row_by_row(lines: list[str], dialect: _Dialect, first_line: int) -> _Rows:
    times: list[float] = []
    volts: list[float] = []
    shown: list[str] = []
    skipped = 0
    for number, line in enumerate(lines, first_line):
        if not line.strip():
            continue
        time, volt = _row(line, dialect)
        if time is None or volt is None:
            skipped += 1
            if len(shown) < _SHOWN:
                shown.append(f"line {number}: {line.strip()[:60]}")
            continue
        times.append(time)
        volts.append(volt)
    return np.array(times), np.array(volts), skipped, tuple(shown)


def _row(line: str, dialect: _Dialect) -> tuple[float | None, float | None]:
    cells = line.split() if dialect.delimiter == " " else line.split(dialect.delimiter)
    if len(cells) <= max(dialect.time_column or 0, dialect.volt_column):
        return None, None
    volt = _cell(cells[dialect.volt_column], dialect.decimal_comma)
    if dialect.time_column is None:
        return 0.0, volt
    written = cells[dialect.time_column]
    return (_clock(written) if dialect.clock else _cell(written, dialect.decimal_comma)), volt


def _bare(cell: str) -> str:
    """A cell without its quotation marks and the space around and within them."""
    return cell.strip().strip('"').strip()


def _cell(text: str, decimal_comma: bool) -> float | None:
    return _number(text.replace(",", ".") if decimal_comma else text)


def _number(text: str) -> float | None:
    cleaned = _UNIT.sub("", _bare(text)).strip().replace("−", "-")
    try:
        value = float(cleaned)
    except ValueError:
        return None
    return value if np.isfinite(value) and "_" not in cleaned else None


def _clock(text: str) -> float | None:
    found = _CLOCK.search(_bare(text))
    if found is None:
        return None
    hours, minutes, seconds, half = found.groups()
    hour = int(hours) % 12 + (12 if half.lower() == "pm" else 0) if half else int(hours)
    return hour * 3600.0 + int(minutes) * 60.0 + float((seconds or "0").replace(",", "."))


def _past_midnight(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Clock times that fall back by more than half a day have passed midnight."""
    wrapped = np.concatenate([[0], np.cumsum(np.diff(times) < -_DAY_S / 2)])
    return times + wrapped * _DAY_S
