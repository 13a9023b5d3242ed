"""What an SQLite database needs: one file with a write-ahead log, and a lock taken when writing begins."""

from __future__ import annotations

import sqlite3
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import StaticPool

BUSY_TIMEOUT_S = 15.0
# What a connection may hold of the file. Reading gains little from more, since the system holds the file as
# well and any write of another connection empties this; a large import changes pages over and over.
_READING_KB = 2_048
_WRITING_KB = 16_384


def make_engine(url: str) -> Engine:
    """An engine for `sqlite://` (in memory) or `sqlite:///file`."""
    options: dict[str, Any] = {"connect_args": {"check_same_thread": False}}
    if url == "sqlite://":
        options["poolclass"] = StaticPool
    else:
        # A request that waits for a connection is better than forty writers on one file. Only a few stay
        # open when a rush is over, and those used last are used again first: each holds pages and statements.
        options |= {"pool_size": 4, "max_overflow": 36, "pool_use_lifo": True}
    engine = create_engine(url, **options)
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (
        f"busy_timeout = {BUSY_TIMEOUT_S * 1000:.0f}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "fullfsync = ON",  # macOS asks the disk itself only then; of no effect elsewhere
        "checkpoint_fullfsync = ON",
        "foreign_keys = ON",
        # What is deleted for good must not stay readable in the file.
        "secure_delete = ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("kb_writes", False)
    cache_kb = _WRITING_KB if writes else _READING_KB
    # Told only where it differs from what the connection was told last: each telling takes some 40 µs.
    if connection.info.get("cache_kb") != cache_kb:
        connection.exec_driver_sql(f"PRAGMA cache_size = -{cache_kb}")
        connection.info["cache_kb"] = cache_kb
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
