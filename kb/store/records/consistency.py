"""Goes through the records of a store and says what does not agree with what."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import ValidationError
from sqlalchemy import func, select
from sqlmodel import Session, col

from kb.model import RECORD_TYPES, Record, as_dict, explain
from kb.store.engine.rows import as_rows
from kb.store.records import cases, families, lists, pictures
from kb.store.records.kinds import folded
from kb.store.tables.core import (
    BenchLoad,
    BoardCase,
    Change,
    Family,
    History,
    PartClass,
    ShelfPart,
    Symptom,
)
from kb.store.tables.files import CaseFile
from kb.store.tables.pictures import BoardPicture

# Every kind of record that is kept under a version, with the column that names it.
_LIVE: dict[str, tuple[Any, str]] = {
    "case": (BoardCase, "uid"),
    "family": (Family, "code"),
    "symptom": (Symptom, "name"),
    "part_class": (PartClass, "name"),
    "load": (BenchLoad, "name"),
    "shelf_part": (ShelfPart, "name"),
    "case_file": (CaseFile, "uid"),
    "picture": (BoardPicture, "uid"),
}
# After these a record is there; after any other it is gone.
_THERE = frozenset({"added", "updated", "binned", "restored", "unmerged"})
# The lists a store starts with were never written by anybody.
_GIVEN = frozenset({"symptom", "part_class"})
_BATCH = 500


def feed_faults(session: Session) -> Iterator[str]:
    """What is wrong with the change feed, against the records as they stand."""
    last = 0
    newest: dict[tuple[str, str], Any] = {}
    nonces: set[str] = set()
    query = select(
        col(Change.seq),
        col(Change.nonce),
        col(Change.entity),
        col(Change.key),
        col(Change.operation),
        col(Change.version),
    ).order_by(col(Change.seq))
    for change in as_rows(session).execute(query, execution_options={"yield_per": _BATCH}):
        if change.seq <= last:
            yield f"Change {change.seq} does not follow change {last}."
        if not change.nonce or change.nonce in nonces:
            yield f"Change {change.seq} does not carry a mark of its own."
        last = change.seq
        nonces.add(change.nonce)
        newest[change.entity, folded(change.entity, change.key)] = change
    for entity, (model, name) in _LIVE.items():
        yield from _unlike(session, entity, model, name, newest)
    for (entity, _), change in newest.items():
        if entity in _LIVE and change.operation in _THERE:
            yield f"Change {change.seq} {change.operation} the {_words(entity)} {change.key}, which is not there."


def _unlike(
    session: Session, entity: str, model: Any, name: str, newest: dict[tuple[str, str], Any]
) -> Iterator[str]:
    """Records whose newest change is missing or says something else; what was seen is taken out."""
    binned = model.binned_at if hasattr(model, "binned_at") else None
    columns = [getattr(model, name).label("key"), model.version]
    if binned is not None:
        columns.append(binned.label("binned_at"))
    for row in as_rows(session).execute(select(*columns).order_by(model.id)):
        change = newest.pop((entity, folded(entity, row.key)), None)
        told = f"the {_words(entity)} {row.key}"
        if change is None:
            if entity not in _GIVEN or row.version > 1:
                yield f"No change is on record for {told}."
        elif change.operation not in _THERE:
            yield f"Change {change.seq} {change.operation} {told}, which is there all the same."
        elif change.version is not None and change.version != row.version:
            yield f"Change {change.seq} made version {change.version} of {told}, which is at {row.version}."
        # A record may be changed where it lies: a merge moves the cases in the bin too.
        elif (
            binned is not None
            and change.operation != "updated"
            and (change.operation == "binned") != (row.binned_at is not None)
        ):
            yield f"Change {change.seq} {change.operation} {told}, and the bin says otherwise."


def history_faults(session: Session) -> Iterator[str]:
    """Earlier versions that are no records any more, or are no earlier than the present one."""
    present: dict[tuple[str, str], int] = {}
    for entity, (model, name) in _LIVE.items():
        for key, version in as_rows(session).execute(select(getattr(model, name), model.version)):
            present[entity, key] = version
    query = select(
        col(History.id), col(History.entity), col(History.key), col(History.version), col(History.record)
    ).order_by(col(History.id))
    for row in as_rows(session).execute(query, execution_options={"yield_per": _BATCH}):
        told = f"version {row.version} of the {_words(row.entity)} {row.key} in the history"
        model = RECORD_TYPES.get(row.entity)
        if model is None:
            continue
        wrong = _record_fault(model, row.record)
        if wrong:
            yield f"{told[0].upper()}{told[1:]} is not a record: {wrong}"
        now = present.get((row.entity, row.key))
        if row.version < 1 or (now is not None and row.version >= now):
            yield f"{told[0].upper()}{told[1:]} is not earlier than the present one, {now}."


def record_faults(session: Session) -> Iterator[str]:
    """Records that the exchange format would refuse."""
    listed: list[Record] = [
        *lists.symptoms(session),
        *lists.part_classes(session),
        *lists.loads(session),
        *lists.shelf_parts(session),
    ]
    for record in listed:
        yield from _told(record, getattr(record, "name", ""))
    ids = families.all_ids(session)
    for start in range(0, len(ids), _BATCH):
        for family in families.by_ids(session, ids[start : start + _BATCH]):
            yield from _told(family.record, family.record.code)
    for picture in pictures.every(session):
        yield from _told(picture.record, picture.record.uid)
    for batch in cases.in_order(session):
        for case in batch:
            yield from _told(case.record, str(case.record.uid))


def _told(record: Record, key: str) -> Iterator[str]:
    data = as_dict(record)
    wrong = _record_fault(type(record), data)
    if wrong:
        yield f"The {_words(str(data['record']))} {key} is not a whole record: {wrong}"


def _record_fault(model: type[Record], data: Any) -> str:
    try:
        model.model_validate(data)
    except ValidationError as error:
        problem = explain(error)
        return f"{problem.field or 'it'}: {problem.message}"
    return ""


def _words(entity: str) -> str:
    return entity.replace("_", " ")


def counted(session: Session) -> dict[str, int]:
    """How many cases, changes and earlier versions the store holds."""
    tables = (("changes", Change), ("earlier versions", History))
    held = {
        name: as_rows(session).scalar(select(func.count()).select_from(model)) or 0 for name, model in tables
    }
    return {"cases": cases.count(session), **held}
