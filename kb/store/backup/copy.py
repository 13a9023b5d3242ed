"""Copies a whole store into another, table by table, whatever database each of them is kept in."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import Connection, Integer, MetaData, Table, delete, func, inspect, select, text
from sqlalchemy.schema import sort_tables

from kb.errors import StoreTrouble, Taken
from kb.store.engine.rows import Progress, copy_rows, count_rows
from kb.store.store import Store
from kb.store.tables.core import CaseTotal, Change, ChangeTotal, PartClass, Setting, Symptom
from kb.store.tables.core import Table as Base


def copy_store(
    source: Store, target: Store, progress: Progress | None = None, *, replace: bool = False
) -> dict[str, int]:
    """Copies every row of every table; returns how many rows each table holds.

    The source is read as it stood at one moment, the target is written in one transaction and holds
    what the source held, change numbers and identity included, or stays as it was. `progress` is told
    the table and how many of its rows are done. Raises Taken for a target that holds records, unless
    they are to be replaced, and StoreTrouble where a table is not known to this program or did not
    arrive whole.
    """
    with source.snapshot() as old, target.overwriting() as new:
        tables = _tables(old)
        if new.dialect.name == "postgresql":
            names = ", ".join(f'"{table.name}"' for table in tables)
            new.execute(text(f"LOCK TABLE {names} IN EXCLUSIVE MODE"))
        if not replace and _holds_records(new, tables):
            raise Taken("The target holds records already.", remedy="Choose an empty database.")
        for table in reversed(tables):
            new.execute(delete(table))
        counts = {table.name: copy_rows(old, new, table, progress) for table in tables}
        _move_counters(new, tables)
        for table in tables:
            arrived = count_rows(new, table)
            if not arrived == counts[table.name] == count_rows(old, table):
                raise StoreTrouble(
                    f"Only {arrived} of {counts[table.name]} rows of {table.name} arrived, so nothing was kept.",
                    remedy="Run kb check on the store and try again.",
                )
    target.identity = source.identity
    return counts


def copy_tables(source: Store, target: Store, names: Collection[str]) -> None:
    """Makes some tables of `target` hold what those of `source` hold at one moment."""
    with source.snapshot() as old, target.overwriting() as new:
        for table in _emptied(new, names):
            copy_rows(old, new, table)


def forget_rows(target: Store, names: Collection[str]) -> None:
    """Empties some tables of `target`."""
    with target.overwriting() as new:
        _emptied(new, names)


def _emptied(connection: Connection, names: Collection[str]) -> list[Table]:
    """Some tables, owners before what they own, without any row."""
    tables = [table for table in sort_tables(Base.metadata.tables.values()) if table.name in names]
    for table in reversed(tables):
        connection.execute(delete(table))
    return tables


def count_all(store: Store) -> int:
    """How many rows all tables of a store hold."""
    with store.snapshot() as connection:
        return sum(count_rows(connection, table) for table in _tables(connection))


def _holds_records(connection: Connection, tables: list[Table]) -> bool:
    """Whether anything was ever written but what every new store has."""
    new_store_has = {model.__tablename__ for model in (Setting, Symptom, PartClass, CaseTotal, ChangeTotal)}
    changed = count_rows(connection, Change)
    return bool(changed) or any(
        count_rows(connection, table) for table in tables if table.name not in new_store_has
    )


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
