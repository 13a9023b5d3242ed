"""The audit list: entries are added and grow old; nothing changes them."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sqlalchemy import delete, func, select
from sqlmodel import Session, col

from kb.store.tables.people import AuditEntry


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry; `at` in seconds since 1970."""

    at: int
    who: str
    event: str
    about: str
    address: str
    detail: str


def add(session: Session, entry: Entry) -> None:
    """Adds an entry."""
    session.add(AuditEntry(**asdict(entry)))


def newest(session: Session, *, event: str, limit: int, offset: int) -> tuple[int, list[Entry]]:
    """How many entries there are, of one event or all (""), and a page of them, the newest first."""
    columns = [getattr(AuditEntry, name) for name in Entry.__dataclass_fields__]
    query = select(*columns).order_by(col(AuditEntry.id).desc()).limit(limit).offset(offset)
    count = select(func.count()).select_from(AuditEntry)
    if event:
        query, count = (
            query.where(col(AuditEntry.event) == event),
            count.where(col(AuditEntry.event) == event),
        )
    return session.scalar(count) or 0, [Entry(*row) for row in session.execute(query)]


def forget_before(session: Session, moment: int) -> None:
    """Lets entries go that are older than the shop keeps them."""
    session.execute(delete(AuditEntry).where(col(AuditEntry.at) < moment))
