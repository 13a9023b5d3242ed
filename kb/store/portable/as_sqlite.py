"""A store of any database as one SQLite file, at the schema it has: what a backup carries."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Connection, Engine, MetaData, create_engine, delete, event, inspect
from sqlalchemy.schema import sort_tables

from kb.errors import NotFound, StoreTrouble
from kb.store.engine import private, schema, sqlite_files
from kb.store.engine.address import read_address
from kb.store.engine.rows import Progress, copy_rows, count_rows
from kb.system import put_in_place


def file_of(engine: Engine) -> Path | None:
    """The SQLite file behind an engine, None for any other database."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return None
    return Path(engine.url.database)


def write_sqlite(engine: Engine, target: Path, progress: Progress | None = None) -> None:
    """Writes the store as it stands at one moment into an SQLite file, proved before it is put in place.

    Raises StoreTrouble where it cannot be read or does not arrive whole, and what
    `sqlite_files.copy_file` raises.
    """
    source = file_of(engine)
    if source is not None:
        sqlite_files.copy_file(source, target)
        return
    if engine.dialect.name == "sqlite":
        raise NotFound("This store is kept in memory only.", remedy="Keep it in a data folder (KB_DATA).")
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    private.made(part)
    made = create_engine(f"sqlite:///{part}", hide_parameters=True)
    try:
        with engine.connect() as plain, made.begin() as new:
            old = plain.execution_options(isolation_level="REPEATABLE READ")
            with old.begin():
                _copy(old, new, progress)
        made.dispose()
        wrong = sqlite_files.faults(part)
        if wrong:
            raise StoreTrouble(f"The copy is not sound: {wrong[0]}", remedy="Run kb check on the store.")
        put_in_place(part, target)
    finally:
        made.dispose()
        part.unlink(missing_ok=True)


def _copy(old: Connection, new: Connection, progress: Progress | None) -> None:
    revision = schema.revision_of(old)
    if revision is None:
        raise StoreTrouble("The database holds no store yet.", remedy="Check KB_DATABASE_URL.")
    schema.refuse_newer(revision)
    schema.upgrade(new, revision)
    known = set(inspect(new).get_table_names())
    unknown = set(inspect(old).get_table_names()) - known
    if unknown:
        raise StoreTrouble(
            f"The database holds tables that are not the store's: {', '.join(sorted(unknown))}.",
            remedy="Give the store a database of its own.",
        )
    tables = _tables(new)
    for table in reversed(tables):
        new.execute(delete(table))  # what a migration puts into an empty database is in the store as well
    for table in tables:
        copied = copy_rows(old, new, table, progress)
        if not copied == count_rows(old, table) == count_rows(new, table):
            raise StoreTrouble(f"Not all rows of {table.name} arrived.", remedy="Try again.")


def _tables(connection: Connection) -> list[Any]:
    """The tables as they are at this schema, in types that every database understands."""
    metadata = MetaData()

    def generic(_inspector: object, _table: object, column: dict[str, Any]) -> None:
        column["type"] = column["type"].as_generic()
        if isinstance(column["type"], JSON):
            # Nothing is nothing, not the JSON word for it.
            column["type"] = JSON(none_as_null=column["nullable"])

    event.listen(metadata, "column_reflect", generic)
    names = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
    metadata.reflect(connection, only=names)
    return list(sort_tables(metadata.tables.values()))


def place_of(url: str) -> Path | str:
    """Where the store of an address lies: an SQLite file as a path, any other database as its address.

    Raises BadInput for an address that cannot be used.
    """
    parsed = read_address(url)
    if parsed.drivername == "sqlite" and parsed.database:
        return Path(parsed.database)
    return url
