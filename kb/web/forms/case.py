"""The form of a case: from a record to what is typed, and from what is typed to a record."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData

from kb.errors import BadInput
from kb.facts.spoken_readings import spoken_reading
from kb.facts.values import parse_iso_date, parse_minutes, parse_money
from kb.model import Attempt, CaseRecord, FamilyRecord, Problem, Reading, as_dict, problems
from kb.service.diagnose import diagnosis
from kb.service.diagnose.case_facts import Noted, reading_key
from kb.web.forms.fields import Form, Row, read_form

LISTS = {
    "symptoms": ("name",),
    "readings": ("line",),
    "attempts": ("part", "part_class", "section", "failure", "minutes", "cost"),
    "follow_ups": ("date", "note"),
}
_TEXTS = (
    "family",
    "revision",
    "brand",
    "device",
    "serial",
    "complaint",
    "customer",
    "worker",
    "waiting_for",
    "notes",
)
_PLAIN = (*_TEXTS, "year_made", "received", "closed", "verdict", "waiting_since")


def line_of(reading: Reading) -> str:
    """A reading as the one line that the form shows."""
    where = reading.rail or reading.point or ""
    return spoken_reading(
        where, reading.quantity, reading.supply, reading.load, reading.value, reading.min, reading.max
    )


def reading_row(reading: Reading) -> Row:
    """The row of a reading."""
    # The record itself travels along, so that a line nobody touched is kept exactly as it was.
    kept = json.dumps(as_dict(reading), ensure_ascii=False)
    return {"line": line_of(reading), "kept": kept, "after": "yes" if reading.after_repair else ""}


def attempt_row(attempt: Attempt) -> Row:
    """The row of a fix that was tried."""
    return {
        "part": attempt.part,
        "part_class": attempt.part_class,
        "section": attempt.section,
        "failure": attempt.failure,
        "action": attempt.action,
        "result": attempt.result,
        "cause": {None: "", True: "cause", False: "consequence"}[attempt.cause],
        "cost": "" if attempt.cost is None else f"{attempt.cost:.2f}",
        "minutes": "" if attempt.minutes is None else str(attempt.minutes),
        "shelf_part": attempt.shelf_part,
        "shelf_count": "" if attempt.shelf_count is None else str(attempt.shelf_count),
    }


def form_of(record: CaseRecord) -> Form:
    """The filled form of a record."""
    plain = as_dict(record)
    form = Form({name: str(plain.get(name, "")) for name in _PLAIN})
    form.plain["uid"] = record.uid or ""
    # Quote and pins have pages of their own and travel along.
    form.plain["pin_values"] = json.dumps(plain["pin_values"]) if record.pin_values else ""
    form.plain["quote"] = json.dumps(plain["quote"], ensure_ascii=False) if record.quote else ""
    form.rows = {
        "symptoms": [
            {"name": entry.name, "present": "yes" if entry.present else "no"} for entry in record.symptoms
        ],
        "readings": [reading_row(reading) for reading in record.readings],
        "attempts": [attempt_row(entry) for entry in record.attempts],
        "follow_ups": [
            {"date": entry.date.isoformat(), "state": entry.state, "note": entry.note}
            for entry in record.follow_ups
        ],
    }
    return form


def read_case_form(data: FormData) -> Form:
    """What was typed into the case form."""
    return read_form(data, LISTS)


def record_of(form: Form, family: FamilyRecord | None, today: date) -> CaseRecord | None:
    """The record that was typed, None where something cannot be used (see `form.problems`).

    A verdict without a closing date closes the case today, as the form says; a board that is done waits
    for nothing. Waiting without a date begins today.
    """
    verdict = form.get("verdict") or None
    closed = _day(form, "closed", form.get("closed"))
    if verdict and not form.get("closed").strip():
        closed = today
    if verdict:
        form.plain |= {"waiting_for": "", "waiting_since": ""}
    elif form.get("waiting_for").strip() and not form.get("waiting_since").strip():
        form.plain["waiting_since"] = today.isoformat()
    data: dict[str, Any] = {
        **{name: form.get(name) for name in _TEXTS},
        "waiting_since": _day(form, "waiting_since", form.get("waiting_since")),
        "uid": form.get("uid") or None,
        "year_made": form.parse("year_made", form.get("year_made"), _year),
        "received": _day(form, "received", form.get("received")),
        "closed": closed,
        "verdict": verdict,
        "symptoms": [
            {"name": row["name"], "present": row.get("present") != "no"} for row in form.list("symptoms")
        ],
        "readings": [_reading(form, number, row, family) for number, row in enumerate(form.list("readings"))],
        "attempts": [_attempt(form, number, row) for number, row in enumerate(form.list("attempts"))],
        "follow_ups": [_follow_up(form, number, row) for number, row in enumerate(form.list("follow_ups"))],
        "quote": _carried(form.get("quote")),
        "pin_values": _carried(form.get("pin_values")) or [],
    }
    if form.problems:
        return None
    try:
        return CaseRecord.model_validate(data)
    except ValidationError as error:
        form.problems += [in_form(problem) for problem in problems(error)]
        return None


def in_form(problem: Problem) -> Problem:
    """A problem of the record under the name that its field has in the form."""
    parts = problem.field.split(".")
    if parts[0] == "readings" and len(parts) == 3:
        return Problem(f"readings.{parts[1]}.line", problem.message, problem.remedy)
    if parts[0] in ("uid", "quote", "pin_values"):
        return Problem("", problem.message, problem.remedy)
    return problem


def noted_in_form(form: Form, family: FamilyRecord | None) -> Noted:
    """What the form holds so far; a row that cannot be read holds nothing."""
    noted = Noted(verdict=form.get("verdict"))
    noted.symptoms = {row["name"].strip().casefold() for row in form.list("symptoms")}
    for row in form.list("readings"):
        reading = _typed_reading(row, family)
        if reading is not None:
            noted.readings.add(reading_key(reading))
    for row in form.list("attempts"):
        noted.attempts.append((row.get("part", ""), row.get("part_class", ""), row.get("section", "")))
        noted.minutes = noted.minutes or bool(row.get("minutes", "").strip())
        noted.cost = noted.cost or bool(row.get("cost", "").strip())
    return noted


def _typed_reading(row: Row, family: FamilyRecord | None) -> Reading | None:
    """The reading of a row, None where it cannot be read."""
    after = bool(row.get("after"))
    reading = _kept(row.get("kept", ""))
    if reading is None or line_of(reading) != row["line"].strip():
        try:
            reading = diagnosis.read_line(family, row["line"])
        except BadInput:
            return None
    return reading.model_copy(update={"after_repair": after})


def _day(form: Form, name: str, text: str) -> date | None:
    return form.parse(name, text, lambda typed: parse_iso_date(typed, field=name.rpartition(".")[2]))


def _year(text: str) -> int:
    if not re.fullmatch(r"\s*[0-9]{4}\s*", text):
        raise BadInput(
            f"“{text.strip()[:20]}” is no year.", field="year_made", remedy="Write four digits, such as 2014."
        )
    return int(text)


def _reading(form: Form, number: int, row: Row, family: FamilyRecord | None) -> Any:
    after = bool(row.get("after"))
    kept = _kept(row.get("kept", ""))
    if kept is not None and line_of(kept) == row["line"].strip():
        return kept.model_copy(update={"after_repair": after})
    name = f"readings.{number}.line"
    typed = form.parse(name, row["line"], lambda text: diagnosis.read_line(family, text))
    if typed is None:
        return None
    origin = row.get("origin", "")
    written = f"{typed.written} ({origin})"[:200] if origin else typed.written
    return typed.model_copy(update={"after_repair": after, "written": written})


def note_origins(form: Form, origin_of: Callable[[str, str], str]) -> None:
    """Notes at each reading which instrument its value came from; a form's own word on that counts for nothing."""
    for row in form.rows.get("readings", ()):
        row["origin"] = origin_of(row.get("taken", ""), row.get("line", ""))


def _carried(text: str) -> Any:
    try:
        return json.loads(text) if text else None
    except (ValueError, RecursionError):
        return None


def _kept(text: str) -> Reading | None:
    try:
        return Reading.model_validate(json.loads(text)) if text else None
    except (ValueError, RecursionError):
        return None


def _attempt(form: Form, number: int, row: Row) -> dict[str, Any]:
    name = f"attempts.{number}"
    money = form.parse(f"{name}.cost", row.get("cost", ""), parse_money)
    return {
        **{part: row.get(part, "") for part in ("part", "part_class", "section", "failure", "shelf_part")},
        "shelf_count": int(taken)
        if (taken := row.get("shelf_count", "")).isdigit() and taken.isascii()
        else None,
        "action": row.get("action", "").strip() or "replace",
        "result": row.get("result") or "not known yet",
        "cause": {"cause": True, "consequence": False}.get(row.get("cause", "")),
        "cost": None if money is None else money / 100,
        "minutes": form.parse(f"{name}.minutes", row.get("minutes", ""), parse_minutes),
    }


def _follow_up(form: Form, number: int, row: Row) -> dict[str, Any]:
    name = f"follow_ups.{number}.date"
    day = _day(form, name, row.get("date", ""))
    if day is None and name not in form.errors:
        form.problems.append(Problem(name, "The follow-up has no date.", "Write it as 2026-03-02."))
    return {"date": day, "state": row.get("state", ""), "note": row.get("note", "")}
