"""Rows as the database gives them: read without objects being made of them, copied from one database to another."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select
from sqlmodel import Session, SQLModel

Progress = Callable[[str, int], None]
_ROWS = 1000


def as_rows(session: Session) -> Connection:
    """What runs statements on models within the session's transaction and makes no objects of what they give.

    For whole records, lists and writes of many rows: a row comes in less than half the time that an object takes,
    columns asked for by `session.execute` take twice as long as here, and nothing is compared with the objects
    that a session knows. So do not use it on rows that were read as objects in the same transaction.
    """
    return session.connection()


def ids_in_batches(session: Session, key: Any, most: int) -> Iterator[Sequence[int]]:
    """All values of the integer key of a table, ascending, at most so many at a time, each batch by a statement of
    its own, so that a long walk holds neither a cursor nor all of them."""
    last = 0
    while ids := as_rows(session).scalars(select(key).where(key > last).order_by(key).limit(most)).all():
        yield ids
        last = ids[-1]


def count_rows(connection: Connection, table: Table | type[SQLModel]) -> int:
    """How many rows a table holds."""
    return connection.scalar(select(func.count()).select_from(table)) or 0


def copy_rows(old: Connection, new: Connection, table: Table, progress: Progress | None = None) -> int:
    """Copies all rows of a table, a batch at a time; returns how many."""
    done = 0
    for rows in _batches(old, table):
        new.execute(insert(table), rows)
        done += len(rows)
        if progress:
            progress(table.name, done)
    return done


def _batches(connection: Connection, table: Table) -> Iterator[list[dict[str, Any]]]:
    """The rows in the order of their key, so that a row never comes before an older one it belongs to."""
    query = select(table).order_by(*table.primary_key)
    for rows in connection.execute(query, execution_options={"yield_per": _ROWS}).partitions():
        yield [{name: _plain(value) for name, value in row._mapping.items()} for row in rows]


def _plain(value: Any) -> Any:
    """Moments as UTC that says so: SQLite keeps the hands of the clock only, PostgreSQL any zone."""
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    return value
