"""What an SQLite database needs: one file with a write-ahead log, and a lock taken when writing begins."""

from __future__ import annotations

import sqlite3
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.pool import StaticPool

from kb.store.engine import sqlite_files

BUSY_TIMEOUT_S = 15.0
# What a connection may hold of the file. Reading gains little from more, since the system holds the file as
# well and any write of another connection empties this; a large import changes pages over and over.
_READING_KB = 2_048
# More than all threads that answer can hold at once, with one question inside another, so that a rush makes
# neither `/api/health` nor a page wait for a connection. Writers come one after the other before they take one.
MOST_CONNECTIONS = 200
_KEPT = 4
_WRITING_KB = 16_384


def make_engine(url: str, *, read_only: bool = False) -> Engine:
    """An engine for `sqlite://` (in memory) or `sqlite:///file`, `read_only` where the disk allows no more."""
    # What people type is not for the log.
    options: dict[str, Any] = {"connect_args": {"check_same_thread": False}, "hide_parameters": True}
    if url == "sqlite://":
        options["poolclass"] = StaticPool
    else:
        # Only a few stay open when a rush is over, and those used last are used again first: each holds pages
        # and statements.
        options |= {"pool_size": _KEPT, "max_overflow": MOST_CONNECTIONS - _KEPT, "pool_use_lifo": True}
    if read_only:
        options["creator"] = partial(
            sqlite_files.looked_into, Path(str(make_url(url).database)), any_thread=True
        )
    engine = create_engine(url, **options)
    event.listen(engine, "connect", _prepare_to_read if read_only else _prepare)
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
        # What a schema calls by itself is no more than SQLite holds harmless.
        "trusted_schema = OFF",
        # What is deleted for good must not stay readable in the file.
        "secure_delete = ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _prepare_to_read(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_S * 1000:.0f}")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("kb_writes", False)
    cache_kb = _WRITING_KB if writes else _READING_KB
    # Told only where it differs from what the connection was told last: each telling takes some 40 µs.
    if connection.info.get("cache_kb") != cache_kb:
        connection.exec_driver_sql(f"PRAGMA cache_size = -{cache_kb}")
        connection.info["cache_kb"] = cache_kb
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
