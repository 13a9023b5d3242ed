"""Forms of repeated rows, kept as typed so that an error loses nothing.

A row's fields are named `list.number.field`, as in the records. Rows that were left blank are passed
over and the rest is numbered again, so that a problem's field in the record is the field of the form.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from starlette.datastructures import FormData, QueryParams

from kb.errors import BadInput
from kb.model import Problem, by_field

_ROW = re.compile(r"([a-z_]+)\.([0-9]{1,4})\.([a-z_]+)")
Row = dict[str, str]
Value = TypeVar("Value")


@dataclass(slots=True)
class Form:
    """What was typed: plain fields and rows, with the problems found in them."""

    plain: dict[str, str] = field(default_factory=dict)
    rows: dict[str, list[Row]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def errors(self) -> dict[str, Problem]:
        """The first problem of each field, by the field's name in the form."""
        return by_field(self.problems)

    def get(self, name: str) -> str:
        return self.plain.get(name, "")

    @property
    def version(self) -> int:
        """The version the form was opened on; 0, which no record ever has, where it does not say."""
        typed = self.get("version")
        return int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 9 else 0

    def list(self, name: str) -> list[Row]:
        return self.rows.setdefault(name, [])

    def parse(self, name: str, text: str, parser: Callable[[str], Value]) -> Value | None:
        """The value of a typed text, None where it is blank or cannot be read (which is noted)."""
        if not text.strip():
            return None
        try:
            return parser(text)
        except BadInput as error:
            self.problems.append(Problem(name, error.message, error.remedy or ""))
            return None


def top_field(problem: Problem) -> Problem:
    """A problem somewhere in a list of the record, under the name of the one field that the list is typed in."""
    return Problem(problem.field.partition(".")[0], problem.message, problem.remedy)


def read_form(data: FormData | QueryParams, lists: Mapping[str, Iterable[str]]) -> Form:
    """The form as typed. `lists` names, for each list, the fields that make a row more than blank."""
    form = Form()
    numbered: dict[str, dict[int, Row]] = {name: {} for name in lists}
    for key, value in data.multi_items():
        if not isinstance(value, str):
            continue
        found = _ROW.fullmatch(key)
        if found and found[1] in numbered:
            numbered[found[1]].setdefault(int(found[2]), {})[found[3]] = value
        else:
            form.plain[key] = value
    drop_list, _, drop_number = form.get("remove").partition(".")
    for name, telling in lists.items():
        rows = numbered[name]
        if drop_list == name and drop_number.isascii() and drop_number.isdigit():
            rows.pop(int(drop_number), None)
        form.rows[name] = [
            row for _, row in sorted(rows.items()) if any(row.get(part, "").strip() for part in telling)
        ]
    return form
