"""Whole SQLite files: looked through for damage, and copied while they are in use."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from kb.errors import BadInput, NotFound, StoreTrouble
from kb.store.engine import private
from kb.system import put_in_place

_NEEDED_TABLES = ("setting", "change", "family", "board_case", "symptom", "alembic_version")


def opened(file: Path) -> sqlite3.Connection:
    """A plain connection that waits as long as the store's own do."""
    connection = sqlite3.connect(file, timeout=15)
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


def may_write(file: Path) -> bool:
    """Whether a database and the logs beside it can be written, as far as disk and folder go."""
    return os.access(file, os.W_OK) and os.access(file.parent, os.W_OK)


def looked_into(file: Path, *, any_thread: bool = False) -> sqlite3.Connection:
    """A connection that cannot change the file, `any_thread` may use.

    On a disk that cannot be written SQLite has no place for the list that goes with a write-ahead log; a file that
    has no such log, and that nobody can change there, is read without.
    """
    address = f"{file.resolve().as_uri()}?mode=ro"
    connect = partial(sqlite3.connect, uri=True, timeout=15, check_same_thread=not any_thread)
    connection: sqlite3.Connection = connect(address)
    log = file.with_name(file.name + "-wal")
    if may_write(file) or (log.exists() and log.stat().st_size):
        return connection
    try:
        connection.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.OperationalError:
        connection.close()
        return connect(address + "&immutable=1")
    return connection


def faults(file: Path) -> list[str]:
    """What is wrong with a database file, in plain words; empty when it is a sound store."""
    if not file.is_file():
        return [f"{file} is not there."]
    try:
        with closing(looked_into(file)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check(20)") if row[0] != "ok"]
            tables = {
                row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")
            }
            missing = [name for name in _NEEDED_TABLES if name not in tables]
            if missing:
                return [*found, "It is not a store of this program: it lacks " + ", ".join(missing) + "."]
            broken = connection.execute("PRAGMA foreign_key_check").fetchmany(20)
            return found + [f"A row of {row[0]} belongs to a {row[2]} that is not there." for row in broken]
    except sqlite3.DatabaseError as error:
        return [f"It cannot be read as a database: {error}."]


def copy_file(source: Path, target: Path) -> None:
    """Copies a store that may be in use into one file, proves the copy and then puts it in place.

    Raises NotFound where there is no store yet and StoreTrouble where it cannot be copied or the copy is
    not sound; an older copy of that name then stays as it was.
    """
    if not source.is_file():
        raise NotFound("There is no store yet, so there is nothing to back up.", remedy="Check KB_DATA.")
    if target.is_dir():
        raise BadInput(f"{target} is a folder.", field="file", remedy="Name a file.")
    part = target.with_name(target.name + ".part")
    try:
        private.made(part)
        looked = opened if may_write(source) else looked_into
        with closing(looked(source)) as live, closing(opened(part)) as copy:
            live.backup(copy)
            # One file that can be carried away, without a log beside it.
            copy.execute("PRAGMA journal_mode = DELETE")
        wrong = faults(part)
        if wrong:
            raise StoreTrouble(f"The copy is not sound: {wrong[0]}", remedy="Run kb check on the store.")
        put_in_place(part, target)
    except sqlite3.DatabaseError as error:
        if "full" in str(error):
            raise StoreTrouble(
                f"The disk is full, so no copy of the store could be made in {target.parent}.",
                remedy="Free some space and try again.",
            ) from error
        raise StoreTrouble(f"The store cannot be copied: {error}.", remedy="Run kb check.") from error
    finally:
        part.unlink(missing_ok=True)


def free_place(folder: Path, name: Callable[[str], str]) -> Path:
    """A place in a folder that is not taken, named after the present moment to the second (local time)."""
    moment = datetime.now(UTC).astimezone()
    while (place := folder / name(moment.strftime("%Y%m%d-%H%M%S"))).exists():
        moment += timedelta(seconds=1)
    return place
