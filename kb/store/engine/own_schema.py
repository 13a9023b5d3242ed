"""Whether a database from elsewhere has the program's own schema and nothing beside it.

A trigger, a view or a column with a default of its own runs with the rights of whoever opens the database: a backup
with a trigger could make an administrator of anybody. What a file holds is compared with what the migrations make of
an empty database at the same revision.
"""

from __future__ import annotations

import re
import sqlite3
from functools import cache
from typing import Any

from sqlalchemy import Connection, create_engine, inspect, text

from kb.errors import BadInput
from kb.store.engine import schema

_MOST_TOLD = 3
_GRAVEST = ("trigger", "view", "virtual table", "table", "column", "index")
# What SQLite itself keeps; a user cannot make these, but a hand in the file could make others of such names.
_SQLITES_OWN = re.compile(r"sqlite_(?:sequence|stat[1-4]|autoindex_\w+)")

# The things of a database: (kind, name) with what must be the same of each.
Things = dict[tuple[str, str], Any]


def _things(connection: sqlite3.Connection) -> Things:
    found: Things = {}
    rows = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    for kind, name, table, sql in rows:
        if kind in ("table", "index") and _SQLITES_OWN.fullmatch(name):
            continue
        if kind != "table" or (sql or "").upper().startswith("CREATE VIRTUAL"):
            found["virtual table" if kind == "table" else kind, name] = (table, _plain(sql or ""))
            continue
        found[kind, name] = None
        for _, column, type_, required, default, key, hidden in connection.execute(
            "SELECT * FROM pragma_table_xinfo(?)", (name,)
        ):
            found["column", f"{name}.{column}"] = (type_.upper(), required, default, key, hidden)
    return found


def _plain(sql: str) -> str:
    """A statement without what SQLite's versions write differently: spaces and quotes."""
    return re.sub(r'[\s"`]+', "", sql).lower()


@cache
def _own(revision: str) -> Things:
    engine = create_engine("sqlite://")
    try:
        with engine.begin() as connection:
            schema.upgrade(connection, revision)
            raw = connection.connection.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            return _things(raw)
    finally:
        engine.dispose()


def strangers_in_file(connection: sqlite3.Connection) -> list[str]:
    """What a database of this program's revisions holds beside the program's own, or lacks of it, in plain words.

    A revision that is not known is left to whoever reads the database to refuse.
    """
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if row is None or row[0] not in schema.known():
        return []
    found, own = _things(connection), _own(str(row[0]))
    told = [f"the {kind} {name}, which is not the program's" for kind, name in _alone(found, own)]
    told += [f"no {kind} {name}" for kind, name in _alone(own, found)]
    told += [
        f"another {kind} {name} than the program's"
        for kind, name in sorted(set(own) & set(found))
        if own[kind, name] != found[kind, name]
    ]
    return told


def _alone(these: Things, those: Things) -> list[tuple[str, str]]:
    """What these have and those have not, the gravest first; a whole table stands for its columns."""
    found = set(these) - set(those)
    return sorted(
        (
            (kind, name)
            for kind, name in found
            if kind != "column" or ("table", name.partition(".")[0]) not in found
        ),
        key=lambda thing: (_GRAVEST.index(thing[0]), thing[1]),
    )


def strangers_in_server(connection: Connection) -> list[str]:
    """The same of a PostgreSQL database at the present schema; beside columns it tells what would run by itself."""
    asked = {
        "trigger": "SELECT t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace",
        "rule": "SELECT rulename FROM pg_rules WHERE schemaname = current_schema()",
        "view": "SELECT relname FROM pg_class WHERE relkind IN ('v', 'm', 'f') "
        "AND relnamespace = current_schema()::regnamespace",
    }
    told = [
        f"the {kind} {name}, which is not the program's"
        for kind, question in asked.items()
        for name in sorted(connection.scalars(text(question)))
    ]
    own = {name for kind, name in _own(schema.head()) if kind == "column"}
    there = inspect(connection)
    found = {
        f"{table}.{column['name']}"
        for table in there.get_table_names()
        for column in there.get_columns(table)
    }
    return told + [f"the column {name}, which is not the program's" for name in sorted(found - own)]


def refuse(what: str, told: list[str], field: str) -> None:
    """Raises BadInput where something strange was found in `what`."""
    if told:
        more = f" and {len(told) - _MOST_TOLD} more" if len(told) > _MOST_TOLD else ""
        raise BadInput(
            f"{what} has not the schema of this program: it has {'; '.join(told[:_MOST_TOLD])}{more}. Nothing of it "
            "was taken.",
            field=field,
            remedy="Whoever made that could do more than the program allows. Use another one, and find out where this "
            "one comes from.",
        )
