"""Makes a PostgreSQL database that a test has used as empty as its template is, so that the next can have it.

A new database costs a tenth of a second, this a hundredth. Only a database that nobody uses any more, that
holds few rows and whose tables are the template's own is emptied; any other is thrown away.
"""

from __future__ import annotations

from typing import Any

import psycopg

_MOST_ROWS = 5_000
_OTHERS = (
    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
)
# What any change of tables, indexes, triggers, functions or settings of the database alters.
_PRINT = """
    SELECT (SELECT (count(*), max(oid)) FROM pg_class), (SELECT count(*) FROM pg_attribute),
        (SELECT (count(*), max(oid)) FROM pg_constraint), (SELECT (count(*), max(oid)) FROM pg_trigger),
        (SELECT (count(*), max(oid)) FROM pg_proc), (SELECT count(*) FROM pg_namespace),
        (SELECT count(*) FROM pg_db_role_setting s JOIN pg_database d ON d.oid = s.setdatabase
            WHERE d.datname = current_database())
"""


class Emptied:
    """What a template database holds, and how another made from it is brought back to that."""

    def __init__(self, template: str) -> None:
        with psycopg.connect(template, autocommit=True) as connection:
            self._print = _ask(connection, _PRINT)
            tables = _ask(connection, "SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
            self._tables = [name for (name,) in tables]
            self._rows = {name: content for name in self._tables if (content := _rows(connection, name))}
            places = _ask(connection, "SELECT sequencename, last_value FROM pg_sequences")
            self._places = ", ".join(
                f"setval('public.\"{name}\"', {last or 1}, {last is not None})" for name, last in places
            )

    def empty(self, address: str) -> bool:
        """Brings a database back to what the template holds; False where it must be thrown away instead."""
        with psycopg.connect(address) as connection:
            if _ask(connection, _OTHERS)[0][0] or _ask(connection, _PRINT) != self._print:
                return False
            # Foreign keys are not looked at meanwhile, so that the order of the tables does not matter.
            connection.execute("SET LOCAL session_replication_role = replica")
            gone = sum(connection.execute(f'DELETE FROM "{name}"').rowcount for name in self._tables)  # type: ignore[call-overload]
            if gone > _MOST_ROWS:
                connection.rollback()
                return False
            for name, content in self._rows.items():
                with connection.cursor().copy(f'COPY "{name}" FROM STDIN (FORMAT binary)') as copy:  # type: ignore[call-overload]
                    copy.write(content)
            connection.execute(f"SELECT {self._places}")  # type: ignore[call-overload]
        return True


def _ask(connection: psycopg.Connection[Any], statement: str) -> list[Any]:
    return connection.execute(statement).fetchall()  # type: ignore[call-overload]


def _rows(connection: psycopg.Connection[Any], name: str) -> bytes:
    """The rows of a table as PostgreSQL copies them, b"" for none."""
    if not _ask(connection, f'SELECT 1 FROM "{name}" LIMIT 1'):
        return b""
    with connection.cursor().copy(f'COPY "{name}" TO STDOUT (FORMAT binary)') as copy:  # type: ignore[call-overload]
        return b"".join(copy)
