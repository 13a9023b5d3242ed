"""The change feed and the history as people read them: the newest first, or all of one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from kb.store.records import any_kind, pictures, totals
from kb.store.records.kinds import KINDS, standing
from kb.store.tables.core import Batch, Change, History


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


def _lines(session: Session, *conditions: Any, limit: int | None = None, offset: int = 0) -> list[FeedLine]:
    """Changes, the newest first where there is a limit."""
    query = select(Change, Batch).outerjoin(Batch, col(Batch.id) == Change.batch).where(*conditions)
    if limit is not None:
        query = query.order_by(col(Change.seq).desc()).limit(limit).offset(offset)
    return [
        FeedLine(
            change.seq,
            change.entity,
            change.key,
            change.operation,
            change.version,
            change.who,
            change.at,
            change.batch,
            batch.kind if batch else "",
            batch.title if batch else "",
        )
        for change, batch in session.exec(query)
    ]


def page(
    session: Session, *, entity: str = "", who: str = "", limit: int, offset: int
) -> tuple[int, list[FeedLine]]:
    """(how many changes, one page of them), the newest first; of one kind or one person where asked for."""
    conditions = []
    if entity:
        conditions.append(Change.entity == entity)
    if who:
        conditions.append(Change.who == who)
    lines = _lines(session, *conditions, limit=limit, offset=offset)
    return totals.changes(session, entity=entity, who=who), lines


def spellings(session: Session, entity: str, name: str) -> list[str]:
    """Every way in which the feed ever spelled the name of a record."""
    if entity in ("case", pictures.ENTITY):
        return [name]
    fold = KINDS[entity].fold
    keys = session.exec(select(Change.key).where(Change.entity == entity).distinct())
    return [key for key in keys if fold(key) == fold(name)]


def of_record(session: Session, entity: str, keys: Sequence[str]) -> list[FeedLine]:
    """All changes of one record, the oldest first."""
    found = _lines(session, Change.entity == entity, col(Change.key).in_(keys))
    # Asked for them in order, SQLite would go through all changes of this kind.
    return sorted(found, key=lambda line: line.seq)


def kept(session: Session, entity: str, keys: Sequence[str], *, from_version: int = 0) -> list[Kept]:
    """The earlier versions of a record that were kept, the oldest first."""
    query = (
        select(History.version, History.record)
        .where(History.entity == entity, col(History.key).in_(keys), History.version >= from_version)
        .order_by(col(History.version), col(History.id))
    )
    return [Kept(*row) for row in session.exec(query)]


def present(session: Session, entity: str, name: str) -> Present | None:
    """A record as it stands, also one in the bin; None where there is none of that name."""
    there = standing(session, entity, [name]).get(name)
    if there is None:
        return None
    record = any_kind.load(session, entity, there.id)
    return Present(there.name, record, there.version, there.binned_at)
