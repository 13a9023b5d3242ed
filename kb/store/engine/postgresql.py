"""What a PostgreSQL database needs to behave as the SQLite file does, and what its errors mean.

Writers take one lock each, from the beginning of their transaction to its commit. So changes are
committed in the order of their numbers, and a follower that has seen number n never misses a smaller one
that is committed later; nobody can be refused half-way for a deadlock or a conflict either. Readers wait
for nobody.
"""

from __future__ import annotations

import re
from typing import Any

import psycopg
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError

from kb.errors import BadInput, KbError, StoreAway, StoreTrouble

OLDEST_SERVER = 13
CHANNEL = "kb_changes"
CONNECT_S = 3
# Processes of the whole association share the server's connections, of which there are 100 by default.
_CONNECTIONS, _MORE_CONNECTIONS, _WAIT_FOR_CONNECTION_S = 5, 10, 10
_LOCK_WAIT_MS = 15_000
_WRITERS_LOCK = 0x6B62  # any number, the same in every process
_LONG_GONE_S = 10


def connect_options() -> dict[str, Any]:
    """How this program connects: an answer within seconds, and a dead line noticed soon."""
    return {
        "connect_timeout": CONNECT_S,
        "keepalives_idle": _LONG_GONE_S,
        "keepalives_interval": 3,
        "keepalives_count": 3,
        "tcp_user_timeout": _LONG_GONE_S * 1000,
        "application_name": "board fault book",
        "options": f"-c timezone=UTC -c lock_timeout={_LOCK_WAIT_MS} -c client_min_messages=warning",
    }


def make_engine(url: URL) -> Engine:
    """An engine whose writing transactions come one after another."""
    engine = create_engine(
        url,
        hide_parameters=True,  # what people type is not for the log
        connect_args=connect_options(),
        pool_size=_CONNECTIONS,
        max_overflow=_MORE_CONNECTIONS,
        pool_timeout=_WAIT_FOR_CONNECTION_S,
        pool_pre_ping=True,
    )
    event.listen(engine, "begin", _begin)
    return engine


def _begin(connection: Connection) -> None:
    if connection.get_execution_options().get("kb_writes", False):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS_LOCK})")


def tell_others(connection: Connection) -> None:
    """Lets every other process know, at the moment of the commit, that there are changes."""
    connection.exec_driver_sql(f"NOTIFY {CHANNEL}")


def refuse_old_server(connection: Connection) -> None:
    """Raises StoreTrouble for a server that is too old."""
    found = int((connection.dialect.server_version_info or (0,))[0])
    if found < OLDEST_SERVER:
        raise StoreTrouble(
            f"The database server is PostgreSQL {found}, and the program needs {OLDEST_SERVER} or newer.",
            remedy="Update the server, or point KB_DATABASE_URL at a newer one.",
        )


def level(connection: Connection) -> None:
    """Makes columns behave as on SQLite: text is compared byte by byte, and numbers of rows have 64 bits.

    Called with every change of the schema, so that no migration needs to think of it.
    """
    columns = connection.execute(
        text(
            "SELECT table_name, column_name, data_type FROM information_schema.columns"
            " WHERE table_schema = current_schema() AND table_name <> 'alembic_version'"
            " AND data_type IN ('character varying', 'text') AND collation_name IS NULL"
        )
    ).all()
    changed: dict[str, list[str]] = {}
    for table, column, kind in columns:
        changed.setdefault(table, []).append(f'ALTER COLUMN "{column}" TYPE {kind} COLLATE "C"')
    for table, alterations in changed.items():
        connection.exec_driver_sql(f'ALTER TABLE "{table}" {", ".join(alterations)}')
    narrow = connection.execute(
        text(
            "SELECT DISTINCT c.conrelid::regclass::text, a.attname FROM pg_constraint c"
            " JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = ANY (c.conkey)"
            " WHERE c.contype IN ('p', 'f') AND a.atttypid = 'int4'::regtype"
            " AND c.connamespace = current_schema()::regnamespace"
        )
    ).all()
    for table, column in narrow:
        connection.exec_driver_sql(f'ALTER TABLE {table} ALTER COLUMN "{column}" TYPE bigint')
    counters = connection.execute(
        text(
            "SELECT sequencename FROM pg_sequences"
            " WHERE schemaname = current_schema() AND data_type = 'integer'::regtype"
        )
    ).scalars()
    for name in counters.all():
        connection.exec_driver_sql(f'ALTER SEQUENCE "{name}" AS bigint')


# What the server reports by a code of its own, whatever language it speaks.
_BY_CODE = {
    "28P01": ("The database refused the password.", "Check the password in KB_DATABASE_URL."),
    "28000": (
        "The database lets this user not in.",
        "Check the user in KB_DATABASE_URL and the server's access rules.",
    ),
    "3D000": (
        "The database does not exist on that server.",
        "Make it with createdb, or check the name in KB_DATABASE_URL.",
    ),
    "53300": (
        "The database server has no connection left.",
        "Raise its max_connections, or run fewer server processes.",
    ),
    "53100": ("The disk of the database server is full, so nothing was saved.", "Free some space there."),
    "25006": (
        "The database only lets itself be read, so nothing was saved.",
        "Point KB_DATABASE_URL at the primary server.",
    ),
    "42501": (
        "The database does not give this user the right to do that.",
        "Make the user the owner of the database.",
    ),
    "55P03": ("Another program is holding the store.", "Wait a moment and save again."),
    "40001": ("Somebody else saved at the same moment, so nothing was saved.", "Save again."),
    "40P01": ("Somebody else saved at the same moment, so nothing was saved.", "Save again."),
    "57014": ("The database stopped the work, so nothing was saved.", "Save again."),
    "XX001": ("The database is damaged.", "Restore the latest backup."),
    "XX002": ("An index of the database is damaged.", "Run REINDEX there, or restore the latest backup."),
}
# A connection that was refused carries no code; older and English servers say it in these words.
_CONNECT_WORDS = (
    (r"password authentication failed|no password supplied", "28P01"),
    (r"database .* does not exist", "3D000"),
    (r"role .* does not exist|no pg_hba\.conf entry|authentication failed", "28000"),
    (r"too many clients|remaining connection slots", "53300"),
)
_AWAY_CODES = ("08", "57P")


def trouble(error: DBAPIError) -> KbError:
    """The sentence for what the driver reported; never holds the address or the password."""
    cause = error.orig
    if isinstance(cause, psycopg.DataError | UnicodeEncodeError):
        return BadInput(
            "A text holds a character that the database cannot keep, or a number is too large for it.",
            remedy="Remove invisible characters, often left over from copying.",
        )
    code = getattr(cause, "sqlstate", None) or ""
    message = " ".join(str(cause).split())
    if not code:
        code = next((code for words, code in _CONNECT_WORDS if re.search(words, message)), "")
    if code in _BY_CODE:
        sentence, remedy = _BY_CODE[code]
        return StoreTrouble(sentence, remedy=remedy)
    is_lost = isinstance(cause, psycopg.OperationalError | psycopg.InterfaceError)
    if code.startswith(_AWAY_CODES) or error.connection_invalidated or (is_lost and not code):
        return away(message)
    return StoreTrouble(f"The database reported: {message}.", remedy="Look into the server's log.")


def away(message: str = "") -> StoreAway:
    """The server cannot be reached, or does not answer."""
    if "resolve" in message or "Name or service not known" in message:
        return StoreAway(
            "The name of the database server cannot be resolved.", remedy="Check the host in KB_DATABASE_URL."
        )
    return StoreAway(
        "The database server does not answer.",
        remedy="Check that it runs and that the network to it works; nothing is lost.",
    )
