"""Moving a whole store from one database to another: from the file to PostgreSQL, and back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from kb.config import Settings
from kb.errors import BadInput, StoreTrouble
from kb.service import moving
from kb.store import Store
from kb.store.copying import copy_store, count_all

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Moved:
    """What was copied: rows by table, and the SHA-256 of the records as an export writes them, which was
    found the same in both stores."""

    rows: dict[str, int]
    sha256: str


def move(settings: Settings, *, to: str = "", origin: str = "", progress: Progress | None = None) -> Moved:
    """Copies the shop's store to `to`, or the store at `origin` into the shop's place, which must be empty.

    Both are given as `KB_DATABASE_URL` is, or as the path of an SQLite file. The store that is copied
    stays as it is. Photographs and other files lie beside the database and are not touched. `progress` is
    told how many rows of how many are done. Raises BadInput for an address that cannot be used, Taken for
    a target that holds records, StoreTrouble where the copy does not hold what the store holds.
    """
    own = settings.store_url or f"sqlite:///{settings.store_file.absolute()}"
    source, target = (own, _address(to)) if to else (_address(origin), own)
    if source == target:
        raise BadInput("Both are the same store.", field="to" if to else "from", remedy="Name another one.")
    _refuse_missing_file(source)
    with closing(_opened(source, settings)) as old, closing(_opened(target, settings)) as new:
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
    return Moved(rows, checksum)


def _address(given: str) -> str:
    return given if "://" in given else f"sqlite:///{Path(given).absolute()}"


def _refuse_missing_file(address: str) -> None:
    name = address.removeprefix("sqlite:///")
    if name != address and not Path(name).is_file():
        raise BadInput(f"There is no store at {name}.", field="from", remedy="Check the path.")


def _opened(address: str, settings: Settings) -> Store:
    if address.startswith("sqlite:///"):
        return Store.at(Path(address.removeprefix("sqlite:///")), copies=settings.backups)
    return Store(address, copies=settings.backups)


def _checksum(store: Store) -> str:
    found = hashlib.sha256()
    for lines in moving.lines_of(store):
        found.update(lines.encode())
    return found.hexdigest()
