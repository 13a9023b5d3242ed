"""Makes an earlier version of a record fit the store as it is now.

Since then families, symptoms and part classes may have been merged, put in the bin or deleted. Merged
ones are found under their new name; the others come back from the bin, or are made again by name.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session

from kb.errors import BadInput, KbError
from kb.model import RECORD_TYPES, AnyLine, CaseRecord, LineRecord, explain
from kb.service.cases import prerequisites
from kb.store.records import cases, kinds


def record_from(entity: str, kept: dict[str, Any]) -> LineRecord:
    """An earlier version as a record. Raises BadInput where the format knows it no more."""
    return version_as(RECORD_TYPES[entity], kept)


def version_as(model: type[AnyLine], kept: dict[str, Any]) -> AnyLine:
    """The same where the kind of record is known."""
    try:
        return model.model_validate(kept)
    except ValidationError as error:
        raise explain(error) from error


def fit_any(session: Session, record: LineRecord) -> tuple[LineRecord, list[str]]:
    """`fit` for a record of any kind."""
    return _fitted(fit, session, record)


def what_any_takes(session: Session, record: LineRecord) -> tuple[LineRecord, list[str]]:
    """`what_it_takes` for a record of any kind."""
    return _fitted(what_it_takes, session, record)


def _fitted(
    fitting: Callable[..., tuple[LineRecord, list[str]]], session: Session, record: LineRecord
) -> tuple[LineRecord, list[str]]:
    """Only a case names what may be gone or called otherwise by now; all other records stand for themselves."""
    return fitting(session, cases.Writer(session), record) if record.record == "case" else (record, [])


def fit(session: Session, writer: cases.Writer, record: CaseRecord) -> tuple[CaseRecord, list[str]]:
    """A case under the names that the store has now, ready to be written.

    Returns also what had to come back for it, such as "symptom hums". Raises BadInput for names that no
    entry can have.
    """
    brought: list[str] = []
    if writer.unknown(record):
        try:
            with session.begin_nested():
                brought = prerequisites.create_missing(session, writer, record)
        except KbError:
            writer.forget_lists()
            raise
    try:
        return writer.checked(record), brought
    except BadInput:
        return writer.checked(_without_twins(writer, record)), brought


def what_it_takes(session: Session, writer: cases.Writer, record: CaseRecord) -> tuple[CaseRecord, list[str]]:
    """What `fit` would do, in sentences, and the case as it would be written; changes nothing."""
    told = []
    for _, kind, name in writer.unknown(record):
        binned = name in kinds.standing(session, kind.replace(" ", "_"), [name])
        told.append(f"The {kind} {name} {'comes out of the bin' if binned else 'is made again'}.")
    shown = writer.renamed(_without_twins(writer, record))
    names = {record.family: shown.family}
    names |= {one.name: writer.symptom_name(one.name) for one in record.symptoms}
    names |= dict(
        zip(
            (one.part_class for one in record.attempts),
            (one.part_class for one in shown.attempts),
            strict=True,
        )
    )
    told += [f"{old} is called {new} now." for old, new in names.items() if old != new]
    return shown, told


def _without_twins(writer: cases.Writer, record: CaseRecord) -> CaseRecord:
    """Two symptoms that are one by now: the first stands for both."""
    seen: dict[str, Any] = {}
    for symptom in record.symptoms:
        seen.setdefault(writer.symptom_name(symptom.name), symptom)
    return record.model_copy(update={"symptoms": list(seen.values())})
