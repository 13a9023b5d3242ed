"""What a case needs before it can be saved: days that can be, and the names that it uses in the lists."""

from __future__ import annotations

from datetime import date, timedelta

from pydantic import ValidationError
from sqlmodel import Session

from kb.errors import BadInput
from kb.model import CaseRecord, FamilyRecord, PartClassRecord, SymptomRecord, explain
from kb.store.records import bins, cases, families, kinds, lists


def refuse_future_days(record: CaseRecord, today: date) -> None:
    """A date beyond tomorrow is a typing error; tomorrow may be today elsewhere. Raises BadInput."""
    limit = today + timedelta(days=1)
    named = [(name, getattr(record, name)) for name in ("received", "closed", "waiting_since")]
    named += [(f"follow_ups.{number}.date", entry.date) for number, entry in enumerate(record.follow_ups)]
    if record.quote is not None:
        named += [(f"quote.{name}", getattr(record.quote, name)) for name in ("date", "accepted", "declined")]
    for name, day in named:
        if day is not None and day > limit:
            raise BadInput(
                f"The date {day.isoformat()} lies in the future.",
                field=name,
                remedy="Check day, month and year.",
            )


def create_missing(session: Session, writer: cases.Writer, record: CaseRecord) -> list[str]:
    """Adds the family, symptoms and part classes a case names first; returns what was added.

    What lies in the bin comes out of it as it was.

    Raises BadInput for a name that no entry can have.
    """
    created = []
    for field_name, kind, name in writer.unknown(record):
        if was_binned(session, kind.replace(" ", "_"), name):
            bins.take_out(session, kind.replace(" ", "_"), [name])
        elif kind == "family":
            try:
                families.save(session, FamilyRecord(code=name))
            except ValidationError as error:
                problem = explain(error)
                raise BadInput(problem.message, field=field_name, remedy=problem.remedy) from error
        elif kind == "symptom":
            lists.save(session, SymptomRecord(name=name))
        else:
            lists.save(session, PartClassRecord(name=name))
        created.append(f"{kind} {name}")
    if created:
        writer.forget_lists()
    return created


def was_binned(session: Session, entity: str, name: str) -> bool:
    """Whether an entry of this name is in the store or its bin."""
    return name in kinds.standing(session, entity, [name])
