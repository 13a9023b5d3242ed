"""What an SQLite database needs: one file with a write-ahead log, and a lock taken when writing begins."""

from __future__ import annotations

import sqlite3
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import StaticPool

_BUSY_TIMEOUT_MS = 15_000


def make_engine(url: str) -> Engine:
    """An engine for `sqlite://` (in memory) or `sqlite:///file`."""
    options: dict[str, Any] = {"connect_args": {"check_same_thread": False}}
    if url == "sqlite://":
        options["poolclass"] = StaticPool
    else:
        # A request that waits for a connection is better than forty writers on one file.
        options |= {"pool_size": 10, "max_overflow": 30}
    engine = create_engine(url, **options)
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (
        f"busy_timeout = {_BUSY_TIMEOUT_MS}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        # What is deleted for good must not stay readable in the file.
        "secure_delete = ON",
        # In kB, for each connection of up to forty; behind it is the system's own cache of the file.
        "cache_size = -16384",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("kb_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
