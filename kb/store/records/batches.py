"""Batches: what was changed as one, and what each record was before it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, exists, func, select, tuple_, update
from sqlmodel import Session

from kb.errors import NotFound
from kb.store.records.bins import users
from kb.store.tables.core import Batch, BoardCase, Change, History, now, table_of

_BATCH = table_of(Batch)
_CHANGE = table_of(Change)
_HISTORY = table_of(History)
_CASE = table_of(BoardCase)
_FIELDS = ("id", "kind", "title", "who", "at", "facts", "undone_at", "undone_by")


@dataclass(frozen=True, slots=True)
class StoredBatch:
    """A batch as it was kept; `facts` are its counts, or what its kind needs to be told again."""

    id: str
    kind: str
    title: str
    who: str
    at: datetime
    facts: dict[str, Any]
    undone_at: datetime | None
    undone_by: str


@dataclass(frozen=True, slots=True)
class Touched:
    """A record that a batch changed: its first change there, and the version that the batch left behind."""

    entity: str
    key: str
    seq: int
    operation: str
    first_version: int
    last_version: int


@dataclass(frozen=True, slots=True)
class Earlier:
    """A version that was replaced, and since when it had been in the bin."""

    record: dict[str, Any]
    binned_at: datetime | None


def get(session: Session, batch_id: str) -> StoredBatch:
    """One batch. Raises NotFound."""
    row = session.execute(select(_BATCH).where(_BATCH.c.id == batch_id)).first()
    if row is None:
        raise NotFound("There is no such set of changes.", remedy="Choose one from the list of what changed.")
    return StoredBatch(*(getattr(row, name) for name in _FIELDS))


def page(session: Session, *, limit: int, offset: int) -> tuple[int, list[StoredBatch]]:
    """(how many batches there are, one page of them), the newest first."""
    total = session.scalar(select(func.count()).select_from(_BATCH)) or 0
    # Moments are kept to the second; the feed knows what came after what.
    last = select(func.max(_CHANGE.c.seq)).where(_CHANGE.c.batch == _BATCH.c.id).scalar_subquery()
    rows = session.execute(select(_BATCH).order_by(last.desc()).limit(limit).offset(offset))
    return total, [StoredBatch(*(getattr(row, name) for name in _FIELDS)) for row in rows]


def mark_undone(session: Session, batch_id: str, who: str) -> None:
    """Notes that a batch was undone, now and by whom."""
    session.execute(update(_BATCH).where(_BATCH.c.id == batch_id).values(undone_at=now(), undone_by=who))


def size(session: Session, batch_id: str) -> int:
    """How many changes a batch made."""
    query = select(func.count()).select_from(_CHANGE).where(_CHANGE.c.batch == batch_id)
    return session.scalar(query) or 0


def touched(session: Session, batch_id: str, *, before: int | None, limit: int) -> list[Touched]:
    """Up to `limit` records that a batch changed, the one it changed last first.

    `before` is the `seq` of the last one of the page before.
    """
    same = _CHANGE.alias()
    matches = and_(
        same.c.entity == _CHANGE.c.entity, same.c.key == _CHANGE.c.key, same.c.batch == _CHANGE.c.batch
    )
    last = select(func.max(same.c.version)).where(matches).scalar_subquery()
    query = (
        select(_CHANGE.c.entity, _CHANGE.c.key, _CHANGE.c.seq, _CHANGE.c.operation, _CHANGE.c.version, last)
        .where(_CHANGE.c.batch == batch_id, ~exists().where(matches, same.c.seq < _CHANGE.c.seq))
        .order_by(_CHANGE.c.seq.desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(_CHANGE.c.seq < before)
    return [Touched(*row) for row in session.execute(query)]


def earlier(session: Session, entity: str, versions: Iterable[tuple[str, int]]) -> dict[str, Earlier]:
    """The kept (key, version) records by key; what was not kept is left out."""
    rows = session.execute(
        select(_HISTORY.c.key, _HISTORY.c.record, _HISTORY.c.binned_at).where(
            _HISTORY.c.entity == entity, tuple_(_HISTORY.c.key, _HISTORY.c.version).in_(list(versions))
        )
    )
    return {row.key: Earlier(row.record, row.binned_at) for row in rows}


def earlier_of_batch(session: Session, batch_id: str, uids: Sequence[str]) -> dict[str, Earlier]:
    """What cases were before a batch, by uid; what was not kept is left out."""
    rows = session.execute(
        select(_CHANGE.c.key, func.min(_CHANGE.c.version))
        .where(_CHANGE.c.batch == batch_id, _CHANGE.c.entity == "case", _CHANGE.c.key.in_(uids))
        .group_by(_CHANGE.c.key)
    )
    return earlier(session, "case", [(key, version - 1) for key, version in rows])


def latest_of(session: Session, entity: str, keys: Sequence[str]) -> dict[str, tuple[str, datetime]]:
    """(who, when) of the newest change of each record."""
    newest = (
        select(func.max(_CHANGE.c.seq))
        .where(_CHANGE.c.entity == entity, _CHANGE.c.key.in_(keys))
        .group_by(_CHANGE.c.key)
    )
    rows = session.execute(
        select(_CHANGE.c.key, _CHANGE.c.who, _CHANGE.c.at).where(_CHANGE.c.seq.in_(newest))
    )
    return {row.key: (row.who, row.at) for row in rows}


def users_beyond(session: Session, batch_id: str, entity: str, record_id: int) -> tuple[int, list[str]]:
    """Cases in use that name a record, as seen by the undoing of a batch that added it.

    Answers how many of them the batch did not touch or somebody changed since, and the uids of those
    that it changed and that name the record now; what the batch added goes with it and is left out.
    """
    mine = and_(_CHANGE.c.batch == batch_id, _CHANGE.c.entity == "case", _CHANGE.c.key == _CASE.c.uid)
    untouched_since = exists().where(mine, _CHANGE.c.version == _CASE.c.version)
    began = exists().where(mine, _CHANGE.c.operation.in_(("added", "restored")))
    named = and_(_CASE.c.id.in_(users(entity, record_id)), _CASE.c.binned_at.is_(None))
    stay = session.scalar(select(func.count()).select_from(_CASE).where(named, ~untouched_since)) or 0
    changed = session.scalars(select(_CASE.c.uid).where(named, untouched_since, ~began))
    return stay, list(changed)
