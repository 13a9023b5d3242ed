"""Cells to values of a case, by what was decided about their column. Raises BadInput for what was not."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, NoReturn

from kb.errors import BadInput
from kb.facts.designators import rail_key
from kb.facts.quantities import parse_quantity
from kb.facts.rail_names import obvious_rail
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.facts.typed_entries import parse_minutes
from kb.facts.written_days import read_day, settle
from kb.facts.written_numbers import amount_cents, decimal_mark, plain_number, with_plain_number
from kb.model import FamilyRecord, Rail
from kb.service.diagnose.evidence import read_line
from kb.service.sheets import cell_parts, decisions
from kb.service.sheets.fields import DAYS
from kb.service.sheets.known import Known
from kb.service.sheets.rail_heading import RailHeading, any_rail_heading
from kb.service.sheets.state import Sheet

_CACHED = 100_000
_LONGEST_WORDS = 200
Given = dict[str, tuple[str, str, str]]
"""Field to (key, heading, text) of the cells of one try or one follow-up."""


@dataclass(slots=True)
class LeftOut:
    """Cells of one column that go nowhere, because somebody chose so: how many, and the first texts."""

    cells: int = 0
    examples: list[str] = field(default_factory=list)

    def count(self, text: str, number: int = 1) -> None:
        self.cells += number
        shown = text if len(text) <= 60 else text[:59] + "…"
        if len(self.examples) < 5 and shown not in self.examples:
            self.examples.append(shown)


class Reader:
    """Reads single cells."""

    def __init__(self, sheet: Sheet, known: Known) -> None:
        self._answers = sheet.answers
        self._known = known
        self._names_parts = sheet.maps("part")
        self._days: dict[tuple[str, str], date | None] = {}
        self._values: dict[tuple[str, str, str], Any] = {}
        self._words: dict[tuple[str, str], str] = {}
        self._rails: dict[str, RailHeading] = {}
        self.left_out: dict[str, LeftOut] = {}

    def _leave(self, head: str, text: str) -> None:
        self.left_out.setdefault(head, LeftOut()).count(text)

    def _answer(self, what: str, key: str) -> str:
        return self._answers.get(decisions.column_key(what, key), "")

    def scalar(self, to: str, key: str, head: str, text: str, aside: list[str]) -> Any:
        """The value of a field that a case has once; None where the cell goes elsewhere."""
        if to in DAYS:
            return self.day(key, head, text, aside)
        if to == "verdict":
            return self.word("verdict", head, text, aside)
        if to == "year_made":
            if re.fullmatch(r"(19|2[01])[0-9]{2}(\.0)?", text.strip()):
                return int(text.strip()[:4])
            self._bad(key, head, text, "is no year", aside)
            return None
        return _line(text)

    def day(self, key: str, head: str, text: str, aside: list[str]) -> date | None:
        """The day a cell means; refused where its order was not decided."""
        if (key, text) not in self._days:
            written = read_day(text)
            last = self._answer("years", key)
            self._days[key, text] = (
                None
                if written is None
                else settle(
                    written,
                    order=self._answer("order", key),
                    system=self._answer("serial", key),
                    last_year=int(last) if last.isdigit() else 0,
                )
            )
        found = self._days[key, text]
        if found is None:
            self._bad(key, head, text, "is no day that is clear", aside)
        return found

    def _bad(self, key: str, head: str, text: str, why: str, aside: list[str]) -> None:
        """What cannot be read goes where that was chosen to go, else it refuses the row."""
        answer = self._answer("bad", key)
        if answer not in (decisions.NOTES, decisions.LEAVE):
            _refuse(head, text, why)
        if answer == decisions.NOTES:
            aside.append(f"{head}: {text}")
        else:
            self._leave(head, text)

    def _value(
        self,
        key: str,
        head: str,
        text: str,
        aside: list[str],
        parse: Callable[[str], Any],
        scope: str = "",
    ) -> Any | None:
        """The value of a cell; one that was read before, with the same `scope`, is not read again."""
        try:
            known = (key, scope, text)
            if known not in self._values:
                if len(self._values) >= _CACHED:
                    self._values.clear()
                self._values[known] = parse(text)
            return self._values[known]
        except BadInput:
            if self._answer("bad", key) not in (decisions.NOTES, decisions.LEAVE):
                raise
            self._bad(key, head, text, "", aside)
            return None

    def word(self, kind: str, head: str, text: str, aside: list[str]) -> str | None:
        """Our entry for their word; "open" for a verdict that says the case is not over."""
        answer = self._words.get((kind, text))
        if answer is None:
            answer = self._answers.get(decisions.word_key(kind, text), "")
            self._words[kind, text] = answer
        if answer.startswith("="):
            return answer[1:]
        if answer == decisions.OPEN:
            return decisions.OPEN
        if answer == decisions.ADD:
            return _line(text)
        if answer == decisions.NOTES:
            aside.append(f"{head}: {text}")
        elif answer == decisions.LEAVE:
            self._leave(head, text)
        else:
            _refuse(head, text, "was not given a meaning" if not answer else "was chosen to be refused")
        return None

    def symptoms(self, to: str, key: str, head: str, text: str, aside: list[str]) -> dict[str, bool]:
        """Symptoms of a cell with whether they are present."""
        if to == "symptom":
            name = self._symptom(head, head, aside)
            said = self.word("yes", head, text, aside) if name else None
            return {} if name is None or said is None else {name[0]: (said == "present") == name[1]}
        found = {}
        for one in cell_parts.symptoms(text):
            name = self._symptom(head, one, aside)
            if name:
                found[name[0]] = name[1]
        return found

    def _symptom(self, head: str, text: str, aside: list[str]) -> tuple[str, bool] | None:
        answer = self._answers.get(decisions.word_key("symptoms", text), "")
        if answer.startswith("!"):
            return answer[1:], False
        name = self.word("symptoms", head, text, aside)
        return None if name is None else (name, True)

    def readings(
        self, to: str, key: str, head: str, text: str, family: str, aside: list[str]
    ) -> list[dict[str, Any]]:
        """Readings of a cell."""
        found = []
        if to == "rail":
            made = self._value(key, head, text, aside, lambda cell: self._of_rail(key, head, cell))
            return [made | {"rail": self._spelled(made["rail"], family)}] if made else []
        for line in cell_parts.readings(text):
            # A line is read with the rails of its family, so it is remembered with it.
            made = self._value(key, head, line, aside, lambda one: self._of_line(key, one, family), family)
            found += [made] if made else []
        return found

    def _spelled(self, rail: str | None, family: str) -> str | None:
        """A rail by its family's own spelling, so that 12 V and 12V are one."""
        known = self._known.family(family) if family and rail else None
        if known is None or rail is None:
            return rail
        same = next((name for name in known.rails if rail_key(name) == rail_key(rail)), None)
        named = obvious_rail(rail) if same is None else None
        if named is None or named.nominal_v is not None:
            return same or rail
        # "stby" says the use and no volts: it is the one rail that the family has for it.
        alike = [one.name for one in known.record.rails if one.role == named.role]
        return alike[0] if len(alike) == 1 else rail

    def _of_line(self, key: str, line: str, family: str) -> dict[str, Any]:
        known = self._known.family(family) if family else None
        # Only the names of the rails are asked for, which are good as they stand in the store.
        rails = [Rail.model_construct(name=name, nominal_v=0) for name in known.rails] if known else []
        board = FamilyRecord.model_construct(code=family, rails=rails)
        try:
            read = read_line(board, line)
        except BadInput:
            state = self._answer("supply", key)
            if not state:
                raise
            read = read_line(board, f"{line} {state}").model_copy(update={"written": line[:200]})
        return read.model_dump()

    def _of_rail(self, key: str, head: str, text: str) -> dict[str, Any]:
        rail = self._rails.setdefault(key, any_rail_heading(head))
        mark = self._answer("mark", key)
        quantity = UNIT_OF_QUANTITY[rail.quantity]

        def number(cell: str) -> float:
            plain = with_plain_number(cell, mark, field=head)
            if decimal_mark(plain) != "bad":
                plain = f"{plain} {rail.unit}"
            return float(parse_quantity(plain, quantity, field=head))

        both = cell_parts.two_ends(text)
        if both is None:
            measured: dict[str, float] = {"value": number(text)}
        else:
            low, high = sorted(number(end) for end in both)
            measured = {"min": low, "max": high}
        supply = self._answer("supply", key)
        if not supply:
            raise BadInput(f"{head}: it is not said in which state the supply was.", field=head)
        is_rail = rail.quantity in ("dc_v", "ripple_v", "ac_v", "amp")
        return {
            "rail": rail.rail if is_rail else None,
            "point": None if is_rail else rail.rail,
            "quantity": rail.quantity,
            "supply": supply,
            "load": "none",
            **measured,
            "written": text[:200],
            "after_repair": rail.after_repair,
        }

    def attempt(self, given: Given, aside: list[str]) -> dict[str, Any] | None:
        """A try; None where nothing says what was tried, and its amounts go into the notes."""
        text = {to: value for to, (_, _, value) in given.items()}
        if not any(to in text for to in ("part", "part_class", "failure", "action")):
            aside += [f"{head}: {value}" for to, (_, head, value) in given.items() if to not in ("result", "section")]  # fmt: skip  # noqa: E501
            return None
        found: dict[str, Any] = {to: _line(text[to]) for to in ("part", "failure", "action") if to in text}
        for to, line in found.items():
            if len(line) > _LONGEST_WORDS:
                found[to] = f"{line[: _LONGEST_WORDS - 1].rstrip()}…"
                aside.append(f"{given[to][1]}: {text[to]}")
        for to in ("section", "result"):
            if to in given and (said := self.word(to, given[to][1], text[to], aside)):
                found[to] = said
        found["part_class"] = self._part_class(given, aside)
        found.setdefault("section", "other")
        found |= self._amounts(given, aside)
        return found

    def of_tries(self, given: Given, aside: list[str]) -> dict[str, Any]:
        """What cells say of tries that they do not name: result, section, cost in money, minutes."""
        found: dict[str, Any] = {}
        for to in ("section", "result"):
            if to in given and (said := self.word(to, given[to][1], given[to][2], aside)):
                found[to] = said
        return found | self._amounts(given, aside)

    def _amounts(self, given: Given, aside: list[str]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        if "cost" in given and (cents := self._cents(*given["cost"], aside)) is not None:
            found["cost"] = cents / 100
        if "minutes" in given and (minutes := self._minutes(*given["minutes"], aside)) is not None:
            found["minutes"] = minutes
        return found

    def _part_class(self, given: Given, aside: list[str]) -> str:
        if "part_class" in given:
            said = self.word("part_class", given["part_class"][1], given["part_class"][2], aside)
            if said:
                return said
        if "part" not in given:
            return self._part_class_by_words(given)
        _, head, text = given["part"]
        shown, _ = self._known.kind_of_part(text)
        answer = self._answers.get(decisions.word_key("parts", shown or "?"), "")
        if not answer.startswith("="):
            _refuse(head, text, "was not given a kind of part")
        return answer[1:]

    def _part_class_by_words(self, given: Given) -> str:
        """What was wrong or done may name the kind of part where no column or no cell of it does."""
        for to in ("failure", "action"):
            shown = self._known.kind_of_part(given[to][2])[0] if to in given else ""
            if self._names_parts and shown in self._known.part_classes:
                return shown  # "fan replaced", and the cell of the part is blank
            answer = self._answers.get(decisions.word_key("parts", shown), "") if shown else ""
            if answer.startswith("=") and not self._names_parts:
                return answer[1:]
        return "other"

    def _cents(self, key: str, head: str, text: str, aside: list[str]) -> int | None:
        mark = self._answer("mark", key)
        found: int | None = self._value(
            key, head, text, aside, lambda cell: amount_cents(cell, mark, field=head)
        )
        return found

    def _minutes(self, key: str, head: str, text: str, aside: list[str]) -> int | None:
        def parse(cell: str) -> int:
            if decimal_mark(cell) == "bad":
                return parse_minutes(cell, field=head)
            plain = plain_number(cell, self._answer("mark", key), field=head)
            unit = self._answer("unit", key)
            if unit not in ("minutes", "hours"):
                _refuse(head, cell, "is neither said to be minutes nor hours")
            if unit == "hours":
                return int((Decimal(plain) * 60).to_integral_value())
            return parse_minutes(plain.removesuffix(".0"), field=head)

        found: int | None = self._value(key, head, text, aside, parse)
        return found

    def follow_up(self, given: Given, aside: list[str]) -> dict[str, Any] | None:
        """News after the repair; without its day and what it says it goes into the notes."""
        day = said = None
        if "follow_up_date" in given:
            key, head, text = given["follow_up_date"]
            day = self.day(key, head, text, aside)
        if "follow_up_state" in given:
            _, head, text = given["follow_up_state"]
            said = self.word("follow_up_state", head, text, aside)
        if day is None or said is None:
            aside += [f"{head}: {text}" for _, head, text in given.values()]
            return None
        note = _line(given["follow_up_note"][2]) if "follow_up_note" in given else ""
        return {"date": day, "state": said, "note": note}


def _line(text: str) -> str:
    return " ".join(text.split())


def _refuse(head: str, text: str, why: str) -> NoReturn:
    shown = text if len(text) <= 60 else text[:59] + "…"
    raise BadInput(f"{head}: “{' '.join(shown.split())}” {why}.", field=head)
