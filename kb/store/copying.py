"""Copies a whole store into an empty one, table by table, whatever database each of them is kept in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Integer, MetaData, Table, delete, func, insert, inspect, select, text
from sqlalchemy.schema import sort_tables

import kb.store.bench_tables  # noqa: F401  the metadata knows the tables whose modules are loaded
from kb.errors import StoreTrouble, Taken
from kb.store.engine import Store
from kb.store.tables import Change, table_of
from kb.store.tables import Table as Base

Progress = Callable[[str, int], None]
_ROWS = 1000


def copy_store(source: Store, target: Store, progress: Progress | None = None) -> dict[str, int]:
    """Copies every row of every table; answers how many rows each table holds.

    The source is read as it stood at one moment, the target is written in one transaction and holds
    what the source held, change numbers and identity included, or stays as it was. `progress` is told
    the table and how many of its rows are done. Raises Taken for a target that holds records, and
    StoreTrouble where a table is not known to this program or did not arrive whole.
    """
    with source.snapshot() as old, target.overwriting() as new:
        _refuse_records(new)
        tables = _tables(old)
        for table in reversed(tables):
            new.execute(delete(table))
        counts = {table.name: _copy(old, new, table, progress) for table in tables}
        _move_counters(new, tables)
        for table in tables:
            arrived = _count(new, table)
            if not arrived == counts[table.name] == _count(old, table):
                raise StoreTrouble(
                    f"Only {arrived} of {counts[table.name]} rows of {table.name} arrived, so nothing was kept.",
                    remedy="Run kb check on the store and try again.",
                )
    target.identity = source.identity
    return counts


def _tables(connection: Connection) -> list[Table]:
    """The tables of this program, owners before what they own. Raises StoreTrouble for unknown ones."""
    metadata: MetaData = Base.metadata
    unknown = set(inspect(connection).get_table_names()) - set(metadata.tables) - {"alembic_version"}
    if unknown:
        raise StoreTrouble(
            f"The store holds tables that this program does not know: {', '.join(sorted(unknown))}.",
            remedy="Use the program that made them.",
        )
    return sort_tables(metadata.tables.values())


def _refuse_records(connection: Connection) -> None:
    if _count(connection, table_of(Change)):
        raise Taken("The target holds records already.", remedy="Choose an empty database.")


def _count(connection: Connection, table: Table) -> int:
    return connection.scalar(select(func.count()).select_from(table)) or 0


def _copy(old: Connection, new: Connection, table: Table, progress: Progress | None) -> int:
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


def _move_counters(connection: Connection, tables: list[Table]) -> None:
    """Lets PostgreSQL go on counting after the numbers that were copied; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables:
        column = table.autoincrement_column
        if column is None or not isinstance(column.type, Integer):
            continue
        highest = connection.scalar(select(func.max(column)))
        if highest is not None:
            connection.execute(
                text("SELECT setval(pg_get_serial_sequence(:table, :column), :highest)"),
                {"table": f'"{table.name}"', "column": column.name, "highest": highest},
            )
