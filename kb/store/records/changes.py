"""The change feed: what was written, in the order in which it was committed."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import insert, select
from sqlmodel import Session

from kb.store.tables import Change, History, table_of

_CHANGE = table_of(Change)

START: tuple[int, str] = (0, "")


@dataclass(frozen=True, slots=True)
class Changed:
    """One written record: `entity` such as "case", `key` its uid, code or name."""

    seq: int
    nonce: str
    entity: str
    key: str
    operation: str


def note(session: Session, changes: Iterable[tuple[str, str, str]]) -> None:
    """Adds (entity, key, operation) rows; the nonce tells a restored older store from this one."""
    rows = [
        {"nonce": secrets.token_hex(8), "entity": entity, "key": key, "operation": operation}
        for entity, key, operation in changes
    ]
    if rows:
        session.execute(insert(_CHANGE), rows)


def latest(session: Session) -> tuple[int, str]:
    """Number and nonce of the newest change, (0, "") in a store without any."""
    row = session.execute(
        select(_CHANGE.c.seq, _CHANGE.c.nonce).order_by(_CHANGE.c.seq.desc()).limit(1)
    ).first()
    return (row[0], row[1]) if row else START


def is_on_record(session: Session, seen: tuple[int, str]) -> bool:
    """Whether this store really made the change that a derived copy says it has seen."""
    if seen == START:
        return True
    return session.scalar(select(_CHANGE.c.nonce).where(_CHANGE.c.seq == seen[0])) == seen[1]


def since(session: Session, seq: int, limit: int = 1000) -> list[Changed]:
    """Up to `limit` changes after change number `seq`."""
    rows = session.execute(
        select(_CHANGE.c.seq, _CHANGE.c.nonce, _CHANGE.c.entity, _CHANGE.c.key, _CHANGE.c.operation)
        .where(_CHANGE.c.seq > seq)
        .order_by(_CHANGE.c.seq)
        .limit(limit)
    )
    return [Changed(*row) for row in rows]


def keep_replaced(session: Session, rows: Iterable[tuple[str, str, int, dict[str, object]]]) -> None:
    """Keeps (entity, key, version, record) of versions that are about to be replaced."""
    kept = [
        {"entity": entity, "key": key, "version": version, "record": record}
        for entity, key, version, record in rows
    ]
    if kept:
        session.execute(insert(History), kept)


def replaced(session: Session, entity: str, key: str) -> list[dict[str, object]]:
    """Earlier versions of a record, newest first: version, replaced_at and the record itself."""
    table = table_of(History)
    rows = session.execute(
        select(table)
        .where(table.c.entity == entity, table.c.key == key)
        .order_by(table.c.version.desc(), table.c.id.desc())
    )
    return [{"version": row.version, "replaced_at": row.replaced_at, "record": row.record} for row in rows]
