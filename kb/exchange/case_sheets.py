"""Cases as CSV for spreadsheet programs: one row a case, or one row for each fix tried.

RFC 4180 quoting and line ends, UTF-8 with a mark, since spreadsheet programs take anything else for the
machine's own alphabet. A cell that such a program would take for a formula begins with an apostrophe
instead (OWASP, "CSV Injection": cells that begin with = + - @, a tab or a carriage return); numbers stay
numbers, also below zero.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from kb.facts.spoken_readings import spoken_reading
from kb.model import Attempt, CaseRecord

MARK = "\ufeff"
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_LISTS = ("symptoms", "readings", "attempts", "follow_ups")
_PLAIN = tuple(
    name
    for name in CaseRecord.model_fields
    if name not in ("record", "quote", "pin_values", "notes", *_LISTS)
)
_QUOTE = ("date", "price", "ceiling", "valid_until", "accepted", "declined")
CASES = (
    *_PLAIN,
    "symptoms",
    "not_present",
    "readings",
    "attempts",
    "cured_by",
    "cost",
    "minutes",
    "follow_ups",
    *(f"quote_{name}" for name in _QUOTE),
    "notes",
)
_TRIED = tuple(Attempt.model_fields)
ATTEMPTS = ("case", "origin", "family", "received", "closed", "verdict", "position", *_TRIED)


def cell(value: Any) -> str:
    """A value as a spreadsheet may be given it: never a formula."""
    if value is None:
        return ""
    text = value if isinstance(value, str) else _plain(value)
    if text.startswith(_RISKY) and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


def _plain(value: Any) -> str:
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def lines(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The sheet, a row at a time, its mark and header first."""
    yield MARK + _line(header)
    for row in rows:
        yield _line([cell(value) for value in row])


def _line(cells: Sequence[str]) -> str:
    target = io.StringIO()
    csv.writer(target, lineterminator="\r\n").writerow(cells)
    return target.getvalue()


def case_row(case: CaseRecord) -> list[Any]:
    """One row of the sheet of cases; lists within a cell are parted by semicolons."""
    tried = [
        " ".join(
            part for part in (one.part, one.part_class, f"({one.failure})" if one.failure else "") if part
        )
        for one in case.attempts
    ]
    costs = [one.cost for one in case.attempts if one.cost is not None]
    minutes = [one.minutes for one in case.attempts if one.minutes is not None]
    return [
        *(getattr(case, name) for name in _PLAIN),
        "; ".join(entry.name for entry in case.symptoms if entry.present),
        "; ".join(entry.name for entry in case.symptoms if not entry.present),
        "; ".join(
            spoken_reading(
                one.rail or one.point or "",
                one.quantity,
                one.supply,
                one.load,
                one.value,
                one.min,
                one.max,
            )
            + (" (after the repair)" if one.after_repair else "")
            for one in case.readings
        ),
        "; ".join(
            f"{name}, {one.action}: {one.result}" for name, one in zip(tried, case.attempts, strict=True)
        ),
        "; ".join(name for name, one in zip(tried, case.attempts, strict=True) if one.result == "cured"),
        round(sum(costs), 2) if costs else None,
        sum(minutes) if minutes else None,
        "; ".join(
            f"{one.date.isoformat()} {one.state}" + (f" ({one.note})" if one.note else "")
            for one in case.follow_ups
        ),
        *(getattr(case.quote, name, None) for name in _QUOTE),
        case.notes,
    ]


def attempt_rows(case: CaseRecord) -> Iterator[list[Any]]:
    """The rows of the sheet of fixes tried."""
    for position, one in enumerate(case.attempts, start=1):
        head = (case.uid, case.origin, case.family, case.received, case.closed, case.verdict, position)
        yield [*head, *(getattr(one, name) for name in _TRIED)]
