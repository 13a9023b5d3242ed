"""The change feed and the history as people read them: the newest first, or all of one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlmodel import Session

from kb.store.records import any_kind, pictures, totals
from kb.store.records.kinds import KINDS, standing
from kb.store.tables.core import Batch, Change, History, table_of

_CHANGE = table_of(Change)
_HISTORY = table_of(History)
_BATCH = table_of(Batch)


@dataclass(frozen=True, slots=True)
class FeedLine:
    """One change; `version` is None where it was made before changes carried one.

    `batch_kind` and `batch_title` are empty where the change stands alone.
    """

    seq: int
    entity: str
    key: str
    operation: str
    version: int | None
    who: str
    at: datetime
    batch: str | None
    batch_kind: str
    batch_title: str

    @property
    def has_history(self) -> bool:
        """Whether what changed is a record; files on cases are not."""
        return self.entity in KINDS


@dataclass(frozen=True, slots=True)
class Kept:
    """A version that was replaced."""

    version: int
    record: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Present:
    """A record as it stands: its own spelling, content, version, and since when it is in the bin."""

    name: str
    record: Any
    version: int
    binned_at: datetime | None


def _lines(session: Session, query: Any) -> list[FeedLine]:
    return [
        FeedLine(
            row.seq,
            row.entity,
            row.key,
            row.operation,
            row.version,
            row.who,
            row.at,
            row.batch,
            row.kind or "",
            row.title or "",
        )
        for row in session.execute(query)
    ]


def page(
    session: Session, *, entity: str = "", who: str = "", limit: int, offset: int
) -> tuple[int, list[FeedLine]]:
    """(how many changes, one page of them), the newest first; of one kind or one person where asked for."""
    conditions = []
    if entity:
        conditions.append(_CHANGE.c.entity == entity)
    if who:
        conditions.append(_CHANGE.c.who == who)
    query = (
        select(_CHANGE, _BATCH.c.kind, _BATCH.c.title)
        .outerjoin(_BATCH, _BATCH.c.id == _CHANGE.c.batch)
        .where(*conditions)
        .order_by(_CHANGE.c.seq.desc())
        .limit(limit)
        .offset(offset)
    )
    return totals.changes(session, entity=entity, who=who), _lines(session, query)


def spellings(session: Session, entity: str, name: str) -> list[str]:
    """Every way in which the feed ever spelled the name of a record."""
    if entity in ("case", pictures.ENTITY):
        return [name]
    fold = KINDS[entity].fold
    keys = session.scalars(select(_CHANGE.c.key).where(_CHANGE.c.entity == entity).distinct())
    return [key for key in keys if fold(key) == fold(name)]


def of_record(session: Session, entity: str, keys: Sequence[str]) -> list[FeedLine]:
    """All changes of one record, the oldest first."""
    query = (
        select(_CHANGE, _BATCH.c.kind, _BATCH.c.title)
        .outerjoin(_BATCH, _BATCH.c.id == _CHANGE.c.batch)
        .where(_CHANGE.c.entity == entity, _CHANGE.c.key.in_(keys))
    )
    # Asked for them in order, SQLite would go through all changes of this kind.
    return sorted(_lines(session, query), key=lambda line: line.seq)


def kept(session: Session, entity: str, keys: Sequence[str], *, from_version: int = 0) -> list[Kept]:
    """The earlier versions of a record that were kept, the oldest first."""
    query = (
        select(_HISTORY.c.version, _HISTORY.c.record)
        .where(_HISTORY.c.entity == entity, _HISTORY.c.key.in_(keys), _HISTORY.c.version >= from_version)
        .order_by(_HISTORY.c.version, _HISTORY.c.id)
    )
    return [Kept(row.version, row.record) for row in session.execute(query)]


def present(session: Session, entity: str, name: str) -> Present | None:
    """A record as it stands, also one in the bin; None where there is none of that name."""
    there = standing(session, entity, [name]).get(name)
    if there is None:
        return None
    record = any_kind.load(session, entity, there.id)
    return Present(there.name, record, there.version, there.binned_at)
