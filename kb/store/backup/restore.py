"""Puts a backup in the place of a store: proved first, and never without a copy of what was there."""

from __future__ import annotations

import itertools
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import create_engine
from sqlalchemy.exc import OperationalError

from kb.errors import BadInput, KbError, StoreTrouble
from kb.store.backup import people
from kb.store.backup.copy import copy_store
from kb.store.engine import own_schema, private, schema, sqlite_files
from kb.store.engine.address import read_address
from kb.store.engine.rows import count_rows
from kb.store.portable import backup_file, sealed
from kb.store.portable.backup_file import Manifest, Progress
from kb.store.records import stored_checksums
from kb.store.store import Store
from kb.store.tables.core import Change
from kb.system import put_in_place

_MOST_TOLD = 3


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did: the copy of what was there, files put back, and what else the user must know."""

    kept: Path | None
    kept_is_damaged: bool
    files: int
    schema: str
    brought_up: bool
    restart: bool


def faults(backup: Path) -> list[str]:
    """What is wrong with a backup of either kind, and whether this program may read it."""
    try:
        with tempfile.TemporaryDirectory(dir=backup.parent, prefix=".prove-") as folder:
            return _unlike(_taken_out(backup, Path(folder), None))
    except KbError as error:
        return [error.message]


def _unlike(database: Path) -> list[str]:
    """The first records of a backup's database that are not what was saved; those of earlier schemas had no
    checksums."""
    with closing(sqlite_files.looked_into(database)) as connection:
        (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if revision != schema.head():
        return []
    store = Store(f"sqlite:///{database}")
    try:
        with store.read() as session:
            return list(itertools.islice(stored_checksums.faults(session), _MOST_TOLD))
    finally:
        store.close()


def back_up(
    place: Path | str,
    files: Path,
    target: Path,
    *,
    program: str,
    progress: Progress | None = None,
    passphrase: str | None = None,
) -> Manifest:
    """Writes the portable backup of a store, at the schema it has; see `portable.make`.

    It is sealed where there is a `passphrase`. Raises BadInput for one that is too short and NotFound where there
    is no store yet.
    """
    address = f"sqlite:///{place}" if isinstance(place, Path) else read_address(place)
    engine = create_engine(address, hide_parameters=True)
    try:
        if passphrase is None:
            return backup_file.make(engine, files, target, program=program, progress=progress)
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".backup-") as folder:
            plain = Path(folder) / "plain.zip"
            manifest = backup_file.make(engine, files, plain, program=program, progress=progress)
            sealed.seal(plain, target, passphrase)
            return manifest
    except OperationalError as error:
        raise StoreTrouble(
            f"The database cannot be read: {error.orig}.", remedy="Check KB_DATABASE_URL and try again."
        ) from error
    finally:
        engine.dispose()


def restore(
    backup: Path, live: Path | str, *, keep: Path, files: Path, passphrase: Callable[[], str] | None = None
) -> Restored:
    """Puts a backup in the place of a store.

    `live` is the store's SQLite file or the address of its database, `keep` where the copy of what was
    there goes, `files` the folder of photographs; `passphrase` is asked where the backup is sealed.
    The backup is proved and brought up to the present schema in a copy of its own first. The content is exchanged
    inside the database, so that a program that has it open sees the restored records and no torn file. People stay
    as they are where there are any (kb/store/backup/people.py). Raises BadInput for a backup that is not sound, has
    another schema than the program's or was made by a newer program, and StoreTrouble where the store cannot be
    copied or written.
    """
    if not backup.is_file():
        raise BadInput(f"{backup} is not there.", field="file", remedy="Name a backup file.")
    home = live.parent if isinstance(live, Path) else keep.parent
    for folder in (home, keep.parent):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(dir=home, prefix=".restore-") as name:
        before = len(backup_file.kept_files(files))
        if sealed.is_sealed(backup):
            if passphrase is None:
                raise BadInput(f"{backup} is sealed.", field="file", remedy="Give its passphrase.")
            sealed.unseal(backup, Path(name) / "plain.zip", passphrase())
            backup = Path(name) / "plain.zip"
        database = _taken_out(backup, Path(name), files)
        with closing(sqlite_files.looked_into(database)) as connection:
            (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        present = Store(f"sqlite:///{database}")
        try:
            people.carry_over(live, present)
            if isinstance(live, Path):
                kept, whole = _keep(live, keep)
                present.close()
                restart = _exchange(database, live)
            else:
                kept, whole, restart = _replace(present, live, keep), True, False
        finally:
            present.close()
    return Restored(
        kept=kept,
        kept_is_damaged=not whole,
        files=len(backup_file.kept_files(files)) - before,
        schema=str(revision),
        brought_up=revision != schema.head(),
        restart=restart,
    )


def _taken_out(backup: Path, folder: Path, files: Path | None) -> Path:
    """The proved database of a backup, in a folder where it may be changed. Raises BadInput."""
    remedy = "Choose another backup."
    if backup_file.is_portable(backup):
        # All of it is proved before the first photograph is put back.
        backup_file.take_out(backup, folder)
        if files is not None:
            backup_file.take_out(backup, folder, files=files)
        database = folder / backup_file.DATABASE
    else:
        wrong = sqlite_files.faults(backup)
        if wrong:
            raise BadInput(f"{backup} cannot be used: {wrong[0]}", field="file", remedy=remedy)
        database = folder / backup_file.DATABASE
        private.made(database)
        with closing(sqlite_files.looked_into(backup)) as source, closing(sqlite3.connect(database)) as copy:
            source.backup(copy)
    with closing(sqlite_files.looked_into(database)) as connection:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if row is None or row[0] not in schema.known():
        raise BadInput(
            f"{backup} was made by a newer version of this program, which this one cannot read.",
            field="file",
            remedy="Install that version, or choose an older backup.",
        )
    with closing(sqlite_files.looked_into(database)) as connection:
        own_schema.refuse(str(backup), own_schema.strangers_in_file(connection), "file")
    return database


def _keep(live: Path, keep: Path) -> tuple[Path | None, bool]:
    """(copy of the store that is there, whether it is sound). A damaged store is copied byte for byte."""
    if not live.is_file():
        return None, True
    if not sqlite_files.faults(live):
        sqlite_files.copy_file(live, keep)
        return keep, True
    keep = keep.with_name(keep.stem + "-damaged" + keep.suffix)
    for end in ("", "-wal"):
        source, target = live.with_name(live.name + end), keep.with_name(keep.name + end)
        if source.is_file():
            private.made(target)
            shutil.copyfile(source, target)
            if backup_file.sha256_of(source) != backup_file.sha256_of(target):
                raise StoreTrouble(
                    f"The copy {target} is not what it was copied from, so nothing was restored.",
                    remedy="Close all programs that use the store and try again.",
                )
    return keep, False


def _exchange(database: Path, live: Path) -> bool:
    """Puts the content of a database into the live one; returns whether a running program must restart."""
    try:
        private.made(live)
        with closing(sqlite_files.opened(database)) as source, closing(sqlite_files.opened(live)) as target:
            source.backup(target)
            if target.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok":
                return False
    except sqlite3.OperationalError as error:
        raise _cannot_write(live, error) from error
    except sqlite3.DatabaseError:
        pass  # what is there is no database any more; its copy is kept
    with closing(sqlite_files.opened(database)) as source:
        source.execute("PRAGMA journal_mode = DELETE")
    for end in ("-wal", "-shm"):
        live.with_name(live.name + end).unlink(missing_ok=True)
    put_in_place(database, live)
    return True


def _cannot_write(live: Path, error: sqlite3.OperationalError) -> StoreTrouble:
    return StoreTrouble(
        f"The store {live} cannot be written: {error}.",
        remedy="See that the disk has room and that this user may write there; then restore again.",
    )


def _replace(present: Store, url: str, keep: Path) -> Path | None:
    """Exchanges the records of another database in one transaction; returns the copy that is kept."""
    live = Store(url, copies=keep.parent)
    try:
        with live.snapshot() as connection:
            empty = count_rows(connection, Change) == 0
        if not empty:
            live.write_copy(keep)
        copy_store(present, live, replace=True)
    finally:
        live.close()
    return None if empty else keep
