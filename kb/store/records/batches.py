"""Batches: what was changed as one, and what each record was before it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, exists, func, select, tuple_, update
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from kb.errors import NotFound
from kb.store.records.bins import users
from kb.store.tables.core import Batch, BoardCase, Change, History, now

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
    row = session.get(Batch, batch_id)
    if row is None:
        raise NotFound("There is no such set of changes.", remedy="Choose one from the list of what changed.")
    return StoredBatch(*(getattr(row, name) for name in _FIELDS))


def page(session: Session, *, limit: int, offset: int) -> tuple[int, list[StoredBatch]]:
    """(how many batches there are, one page of them), the newest first."""
    total = session.scalar(select(func.count()).select_from(Batch)) or 0
    # Moments are kept to the second; the feed knows what came after what.
    last = select(func.max(col(Change.seq))).where(col(Change.batch) == col(Batch.id)).scalar_subquery()
    rows = session.scalars(select(Batch).order_by(last.desc()).limit(limit).offset(offset))
    return total, [StoredBatch(*(getattr(row, name) for name in _FIELDS)) for row in rows]


def mark_undone(session: Session, batch_id: str, who: str) -> None:
    """Notes that a batch was undone, now and by whom."""
    session.execute(update(Batch).where(col(Batch.id) == batch_id).values(undone_at=now(), undone_by=who))


def size(session: Session, batch_id: str) -> int:
    """How many changes a batch made."""
    query = select(func.count()).select_from(Change).where(col(Change.batch) == batch_id)
    return session.scalar(query) or 0


def touched(session: Session, batch_id: str, *, before: int | None, limit: int) -> list[Touched]:
    """Up to `limit` records that a batch changed, the one it changed last first.

    `before` is the `seq` of the last one of the page before.
    """
    same = aliased(Change)
    matches = and_(
        col(same.entity) == col(Change.entity),
        col(same.key) == col(Change.key),
        col(same.batch) == col(Change.batch),
    )
    last = select(func.max(same.version)).where(matches).scalar_subquery()
    query = (
        select(
            col(Change.entity),
            col(Change.key),
            col(Change.seq),
            col(Change.operation),
            col(Change.version),
            last,
        )
        .where(col(Change.batch) == batch_id, ~exists().where(matches, col(same.seq) < col(Change.seq)))
        .order_by(col(Change.seq).desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(col(Change.seq) < before)
    return [Touched(*row) for row in session.execute(query)]


def earlier(session: Session, entity: str, versions: Iterable[tuple[str, int]]) -> dict[str, Earlier]:
    """The kept (key, version) records by key; what was not kept is left out."""
    rows = session.execute(
        select(col(History.key), col(History.record), col(History.binned_at)).where(
            col(History.entity) == entity, tuple_(col(History.key), col(History.version)).in_(list(versions))
        )
    )
    return {row.key: Earlier(row.record, row.binned_at) for row in rows}


def earlier_of_batch(session: Session, batch_id: str, uids: Sequence[str]) -> dict[str, Earlier]:
    """What cases were before a batch, by uid; what was not kept is left out."""
    rows = session.execute(
        select(col(Change.key), func.min(col(Change.version)))
        .where(col(Change.batch) == batch_id, col(Change.entity) == "case", col(Change.key).in_(uids))
        .group_by(col(Change.key))
    )
    return earlier(session, "case", [(key, version - 1) for key, version in rows])


def latest_of(session: Session, entity: str, keys: Sequence[str]) -> dict[str, tuple[str, datetime]]:
    """(who, when) of the newest change of each record."""
    newest = (
        select(func.max(col(Change.seq)))
        .where(col(Change.entity) == entity, col(Change.key).in_(keys))
        .group_by(col(Change.key))
    )
    rows = session.execute(
        select(col(Change.key), col(Change.who), col(Change.at)).where(col(Change.seq).in_(newest))
    )
    return {row.key: (row.who, row.at) for row in rows}


def users_beyond(session: Session, batch_id: str, entity: str, record_id: int) -> tuple[int, list[str]]:
    """Cases in use that name a record, as seen by the undoing of a batch that added it.

    Returns how many of them the batch did not touch or somebody changed since, and the uids of those
    that it changed and that name the record now; what the batch added goes with it and is left out.
    """
    mine = and_(
        col(Change.batch) == batch_id, col(Change.entity) == "case", col(Change.key) == col(BoardCase.uid)
    )
    untouched_since = exists().where(mine, col(Change.version) == col(BoardCase.version))
    began = exists().where(mine, col(Change.operation).in_(("added", "restored")))
    named = and_(col(BoardCase.id).in_(users(entity, record_id)), col(BoardCase.binned_at).is_(None))
    stay = session.scalar(select(func.count()).select_from(BoardCase).where(named, ~untouched_since)) or 0
    changed = session.scalars(select(col(BoardCase.uid)).where(named, untouched_since, ~began))
    return stay, list(changed)
