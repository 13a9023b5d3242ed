"""Whole copies of an SQLite store: made while it is in use, proved before they are trusted."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from kb.errors import BadInput, NotFound, StoreTrouble
from kb.store.engine import Store

_NEEDED_TABLES = ("setting", "change", "family", "board_case", "symptom", "alembic_version")


def _open(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(file, timeout=15)


def faults(file: Path) -> list[str]:
    """What is wrong with a database file, in plain words; empty when it is a sound store."""
    if not file.is_file():
        return [f"{file} is not there."]
    try:
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=15)) as connection:
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


def back_up(source: Path, target: Path) -> int:
    """Copies a store that may be in use into one file, proves the copy and then puts it in place.

    Answers its size in bytes. Raises NotFound where there is no store yet and StoreTrouble where the
    copy is not sound; an older backup of that name then stays as it was.
    """
    if not source.is_file():
        raise NotFound("There is no store yet, so there is nothing to back up.", remedy="Check KB_DATA.")
    if target.is_dir():
        raise BadInput(f"{target} is a folder.", field="file", remedy="Name a file.")
    part = target.with_name(target.name + ".part")
    try:
        with closing(_open(source)) as live, closing(_open(part)) as copy:
            live.backup(copy)
            # One file that can be carried away, without a log beside it.
            copy.execute("PRAGMA journal_mode = DELETE")
        wrong = faults(part)
        if wrong:
            raise StoreTrouble(f"The copy is not sound: {wrong[0]}", remedy="Run kb check on the store.")
        with part.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(part, target)
    except sqlite3.DatabaseError as error:
        raise StoreTrouble(f"The store cannot be copied: {error}.", remedy="Run kb check.") from error
    finally:
        part.unlink(missing_ok=True)
    return target.stat().st_size


def restore(backup: Path, live: Path, *, keep: Path) -> Path | None:
    """Puts a backup in the place of a store, after proving it and keeping a copy of what was there.

    The backup is brought up to the present schema in a copy of its own first. The content is exchanged
    inside the database, so that a program that has it open sees the restored records and no torn file.
    Answers the copy that was kept, None where there was no store. Raises BadInput for an unsound backup.
    """
    wrong = faults(backup)
    if wrong:
        raise BadInput(
            f"{backup} cannot be restored: {wrong[0]}", field="file", remedy="Choose another backup."
        )
    live.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    kept = None
    if live.is_file():
        back_up(live, keep)
        kept = keep
    with tempfile.TemporaryDirectory() as folder:
        present = Path(folder) / "present.sqlite3"
        shutil.copyfile(backup, present)
        Store(f"sqlite:///{present}").close()
        with closing(_open(present)) as source, closing(_open(live)) as target:
            source.backup(target)
    return kept
