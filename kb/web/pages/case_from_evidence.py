"""What the diagnose screen knows of a board, written into the form of a case: nothing twice, nothing dropped."""

from __future__ import annotations

from kb.errors import BadInput
from kb.model import Attempt, NotedSymptom, Reading
from kb.service.diagnose import diagnosis
from kb.service.diagnose.case_facts import Fact, Noted, reading_key
from kb.web.forms.case import attempt_row, noted_in_form, reading_row
from kb.web.forms.fields import Form
from kb.web.pages.evidence_address import Asked

_LONGEST_COMPLAINT = 2_000
_LONGEST_NOTES = 20_000


def write_in(form: Form, asked: Asked, *, with_facts: bool) -> None:
    """Adds the evidence to the form: words, symptoms, readings as typed, and what was tried.

    `with_facts` adds what was read from the complaint as rows; without it the form reads it from its words
    when it is saved, and what was left out stays out.
    """
    form.plain["family"] = form.get("family") or (asked.board.code if asked.board else asked.family)
    _write_words(form, asked.text)
    _write_symptoms(form, asked.symptoms)
    noted = noted_in_form(form, asked.board)
    for line in asked.lines:
        reading = _reading(asked, line)
        if reading is None or reading_key(reading) not in noted.readings:
            form.list("readings").append({"line": line})
    for attempt in asked.tried:
        _write_attempt(form, asked, attempt)
    if with_facts:
        for fact in asked.facts:
            _write_fact(form, asked, fact)
    left_out = [*form.get("not_read").splitlines(), *sorted(asked.left_out)]
    form.plain["not_read"] = "\n".join(dict.fromkeys(left_out))


def write_fix(form: Form, asked: Asked, fix: str) -> None:
    """Adds "section|part class|part" as what cured the board, which is thereby repaired."""
    section, _, rest = fix.partition("|")
    part_class, _, part = rest.partition("|")
    if not (section and part_class):
        return
    form.plain |= {"verdict": "repaired", "waiting_for": "", "waiting_since": ""}
    for row in form.list("attempts"):
        same = (row.get("section"), row.get("part_class")) == (section, part_class)
        if same and row.get("result") == "not known yet":
            row["result"] = "cured"
            return
    form.list("attempts").append(
        {"section": section, "part_class": part_class, "part": part, "result": "cured"}
    )


def _reading(asked: Asked, line: str) -> Reading | None:
    try:
        return diagnosis.read_line(asked.board, line)
    except BadInput:
        return None


def _write_words(form: Form, text: str) -> None:
    """The complaint, or what it says beyond the one that is there."""
    there = form.get("complaint")
    if not text or _plain(text) in _plain(there):
        return
    together = text if _plain(there) in _plain(text) else f"{there}\n{text}"
    if len(together) <= _LONGEST_COMPLAINT:
        form.plain["complaint"] = together
    else:
        form.plain["notes"] = f"{form.get('notes')}\n{text}".strip()[:_LONGEST_NOTES]


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _write_symptoms(form: Form, symptoms: list[tuple[str, bool]]) -> None:
    """Adds symptoms; one that was noted otherwise is now what was found last."""
    rows = {row["name"].strip().casefold(): row for row in form.list("symptoms")}
    for name, present in symptoms:
        row = rows.get(name.casefold())
        if row is None:
            row = rows[name.casefold()] = {"name": name}
            form.list("symptoms").append(row)
        row["present"] = "yes" if present else "no"


def _write_attempt(form: Form, asked: Asked, attempt: Attempt) -> None:
    """Adds a fix; one whose outcome was open gets it."""
    fact = Fact("", "attempt", "", "", 0, 0, attempt)
    for row in form.list("attempts"):
        alone = Noted(attempts=[(row.get("part", ""), row.get("part_class", ""), row.get("section", ""))])
        if alone.holds(fact):
            if row.get("result") == "not known yet":
                row["result"] = attempt.result
                return
            if row.get("result") == attempt.result:
                return
    form.list("attempts").append(attempt_row(attempt))


def _write_fact(form: Form, asked: Asked, fact: Fact) -> None:
    if noted_in_form(form, asked.board).holds(fact):
        return
    match fact.value:
        case NotedSymptom(name=name, present=present):
            form.list("symptoms").append({"name": name, "present": "yes" if present else "no"})
        case Reading() as reading:
            form.list("readings").append(reading_row(reading))
        case Attempt() as attempt:
            form.list("attempts").append(attempt_row(attempt))
        case str(verdict):
            form.plain["verdict"] = verdict
        case amount if form.list("attempts"):
            form.list("attempts")[0][fact.kind] = f"{amount:.2f}" if fact.kind == "cost" else f"{amount:.0f}"
