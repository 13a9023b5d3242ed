"""Moving a whole store from one database to another: from the file to PostgreSQL, and back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from kb.config import Settings
from kb.errors import BadInput, StoreTrouble
from kb.service.transfer import json_lines
from kb.store import Store
from kb.store.backup.copy import copy_store, count_all
from kb.store.engine import own_schema, sqlite_files
from kb.store.file_store import FileStore
from kb.store.records import files

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class MovedFiles:
    """What the new store finds in its folder of photographs and files, each read and hashed.

    `referred` contents are named by its records; `copied` of them were taken from the folder of the old
    store, `missing` are missing or damaged in both, and `faults` says in sentences what is wrong.
    """

    folder: Path
    referred: int
    copied: int
    missing: int
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """What was copied: rows by table, the SHA-256 of the records as an export writes them, which was found
    the same in both stores, and the photographs and files."""

    rows: dict[str, int]
    sha256: str
    files: MovedFiles


def move(
    settings: Settings,
    *,
    to: str = "",
    origin: str = "",
    progress: Progress | None = None,
    files_progress: Progress | None = None,
) -> Moved:
    """Copies the shop's store to `to`, or the store at `origin` into the shop's place, which must be empty.

    Both are given as `KB_DATABASE_URL` is, or as the path of an SQLite file. The store that is copied
    stays as it is. Photographs and other files lie beside an SQLite file and in the shop's own folder for
    any other database; what the new store's folder lacks is copied from that of the old one. `progress` is
    told how many rows of how many are done, `files_progress` how many files. Raises BadInput for an
    address that cannot be used, Taken for a target that holds records, StoreTrouble where the copy does not
    hold what the store holds.
    """
    own = settings.store_url or f"sqlite:///{settings.store_file.absolute()}"
    source, target = (own, _address(to)) if to else (_address(origin), own)
    if source == target:
        raise BadInput("Both are the same store.", field="to" if to else "from", remedy="Name another one.")
    _refuse_missing_file(source)
    for address, field in ((source, "from"), (target, "to")):
        _refuse_strange_file(address, field)
    with closing(_opened(source, settings)) as old, closing(_opened(target, settings)) as new:
        for store, field in ((old, "from"), (new, "to")):
            store.refuse_strangers("That database", field)
        if old.identity == new.identity:
            raise BadInput(
                "Both hold the same store: one was copied from the other.",
                field="to" if to else "from",
                remedy="Name an empty database.",
            )
        total = count_all(old)
        done: dict[str, int] = {}

        def told(table: str, rows: int) -> None:
            done[table] = rows
            if progress:
                progress(sum(done.values()), total)

        rows = copy_store(old, new, told)
        checksum = _checksum(old)
        if _checksum(new) != checksum:
            raise StoreTrouble(
                "The records came out differently in the new store, which must not be used.",
                remedy="Drop the new database. The old store was not touched.",
            )
        old_files, new_files = _files_of(source, settings, own), _files_of(target, settings, own)
        return Moved(rows, checksum, _bring_files(new, old_files, new_files, files_progress))


def _files_of(address: str, settings: Settings, own: str) -> FileStore:
    """Where the photographs and files of a store lie.

    A folder that somebody named is that of every store of the shop, except that an SQLite file from
    elsewhere may have its own beside it.
    """
    beside = Path(address.removeprefix("sqlite:///")).parent / "files"
    is_elsewhere = address != own and address.startswith("sqlite:///")
    if is_elsewhere and (not settings.files or beside.is_dir()):
        return FileStore(beside)
    return FileStore(settings.files_folder, must_exist=bool(settings.files))


def _bring_files(store: Store, old: FileStore, new: FileStore, progress: Progress | None) -> MovedFiles:
    with store.read() as session:
        contents = [one.content for one in files.all_contents(session)]
    copied, missing, can_copy = 0, 0, old.folder != new.folder
    faults = []
    for number, content in enumerate(contents):
        if progress:
            progress(number, len(contents))
        fault = new.verify(content)
        if fault and can_copy and old.verify(content) is None:
            try:
                with old.open(content) as file:
                    new.put(file)
                copied, fault = copied + 1, new.verify(content)
            except StoreTrouble as error:
                # The records are in their place by now; what is still to be copied is told.
                faults.append(error.message)
                can_copy = False
        if fault:
            missing += 1
            faults.append(fault)
    return MovedFiles(new.folder, len(contents), copied, missing, tuple(faults))


def _address(given: str) -> str:
    return given if "://" in given else f"sqlite:///{Path(given).absolute()}"


def _refuse_missing_file(address: str) -> None:
    name = address.removeprefix("sqlite:///")
    if name != address and not Path(name).is_file():
        raise BadInput(f"There is no store at {name}.", field="from", remedy="Check the path.")


def _refuse_strange_file(address: str, field: str) -> None:
    """Looked at before anything is written to it, which would set off what lies in wait there."""
    file = Path(address.removeprefix("sqlite:///"))
    if address.startswith("sqlite:///") and file.is_file() and file.stat().st_size:
        with closing(sqlite_files.looked_into(file)) as connection:
            if not sqlite_files.faults(file):
                own_schema.refuse(str(file), own_schema.strangers_in_file(connection), field)


def _opened(address: str, settings: Settings) -> Store:
    if address.startswith("sqlite:///"):
        return Store.at(Path(address.removeprefix("sqlite:///")), copies=settings.backups)
    return Store(address, copies=settings.backups)


def _checksum(store: Store) -> str:
    found = hashlib.sha256()
    for lines in json_lines.lines_of(store):
        found.update(lines.encode())
    return found.hexdigest()
