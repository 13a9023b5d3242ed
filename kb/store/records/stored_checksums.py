"""Gives the records of a store their checksums, and compares them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from sqlalchemy import bindparam, func, select, update
from sqlmodel import Session, col

from kb.model import as_dict
from kb.store.engine.rows import as_rows, ids_in_batches
from kb.store.records import cases, families, files, lists, pictures
from kb.store.records.checksums import checksum
from kb.store.records.kinds import folded
from kb.store.tables.core import BoardCase, Change, History

_AT_ONCE = 500
# These leave a record as it was.
_SAME = ("binned", "restored")


def seal(session: Session) -> None:
    """Gives the newest change of each record that has none a checksum of the record as it stands, and each
    earlier version one of its own: for a store of a program that knew none."""
    newest = {
        (row.entity, row.key): row.seq
        for row in as_rows(session).execute(
            select(col(Change.entity), col(Change.key), func.max(col(Change.seq)).label("seq"))
            .where(col(Change.operation).not_in(_SAME))
            .group_by(col(Change.entity), col(Change.key))
        )
    }
    rows = (
        {"row": seq, "sum": one}
        for entity, key, one in present(session)
        if (seq := newest.get((entity, key))) is not None
    )
    while some := list(itertools.islice(rows, _AT_ONCE)):
        _set(session, Change, col(Change.seq), some)
    last = 0
    while (
        part := as_rows(session)
        .execute(
            select(col(History.id), col(History.record))
            .where(col(History.id) > last, col(History.checksum).is_(None))
            .order_by(col(History.id))
            .limit(_AT_ONCE)
        )
        .all()
    ):
        _set(
            session, History, col(History.id), [{"row": row.id, "sum": checksum(row.record)} for row in part]
        )
        last = part[-1].id


def _set(session: Session, model: Any, column: Any, rows: list[dict[str, Any]]) -> None:
    statement = (
        update(model)
        .where(column == bindparam("row"), model.checksum.is_(None))
        .values(checksum=bindparam("sum"))
    )
    as_rows(session).execute(statement, rows)


def present(session: Session) -> Iterator[tuple[str, str, str]]:
    """(entity, key as the change feed spells it, checksum) of every record as it stands, the bin included."""
    for ids in ids_in_batches(session, col(BoardCase.id), _AT_ONCE):
        for case in cases.load(session, ids).values():
            yield "case", str(case.record.uid), checksum(as_dict(case.record))
    numbers = families.every_id(session)
    for start in range(0, len(numbers), _AT_ONCE):
        for family in families.by_ids(session, numbers[start : start + _AT_ONCE]):
            yield "family", family.record.code, checksum(as_dict(family.record))
    for entity, record in lists.every(session):
        yield entity, record.name, checksum(as_dict(record))
    for picture in pictures.every(session, also_binned=True):
        yield pictures.ENTITY, picture.record.uid, checksum(as_dict(picture.record))
    for file in files.every(session):
        yield files.ENTITY, file.uid, checksum(file.as_record())


def faults(session: Session) -> Iterator[str]:
    """Records and earlier versions that are not what was written."""
    written: dict[tuple[str, str], str] = {}
    query = select(col(Change.entity), col(Change.key), col(Change.operation), col(Change.checksum))
    for change in as_rows(session).execute(
        query.order_by(col(Change.seq)), execution_options={"yield_per": _AT_ONCE}
    ):
        named = change.entity, folded(change.entity, change.key)
        if change.checksum is not None:
            written[named] = change.checksum
        elif change.operation not in _SAME:
            written.pop(named, None)
    for entity, key, now in present(session):
        before = written.pop((entity, folded(entity, key)), None)
        if before is not None and before != now:
            yield f"The {entity.replace('_', ' ')} {key} is not what was saved: its checksum differs."
    kept = select(
        col(History.entity),
        col(History.key),
        col(History.version),
        col(History.record),
        col(History.checksum),
    )
    for row in as_rows(session).execute(
        kept.order_by(col(History.id)), execution_options={"yield_per": _AT_ONCE}
    ):
        if row.checksum is not None and row.checksum != checksum(row.record):
            yield (
                f"Version {row.version} of the {row.entity.replace('_', ' ')} {row.key} in the history is not "
                "what was saved: its checksum differs."
            )
