"""The portable backup: one zip file of our own plain layout that any program can look into.

    manifest.json             what the file holds, with the size and SHA-256 of every other member
    store.sqlite3             the database, an SQLite store whatever the shop keeps its records in
    files/ab/abcd…            photographs and other files, each under the SHA-256 of its content

A file is trusted only after every member was read back and the database in it was opened and checked.
"""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from kb import system
from kb.errors import BadInput, StoreTrouble
from kb.store.engine import private, sqlite_files
from kb.store.portable.as_sqlite import write_sqlite
from kb.system import put_in_place

FORMAT = 1
DATABASE, MANIFEST = "store.sqlite3", "manifest.json"
_FILE = re.compile(r"files/([0-9a-f]{2})/(\1[0-9a-f]{62})")
_CHUNK = 1 << 20
# A manifest of a million files stays below this.
_MOST_MANIFEST_BYTES = 200_000_000
_KINDS = {
    "family": "family",
    "case": "board_case",
    "symptom": "symptom",
    "part class": "part_class",
    "load": "bench_load",
    "shelf part": "shelf_part",
    "bench run": "bench_run",
    "picture of a board": "board_picture",
    "report": "customer_report",
}
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a backup: its name, size in bytes and SHA-256."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself. `change` is number and nonce of the newest change it holds, `damaged`
    names the files that were not what their name says when they were backed up, `missing` those that the
    records refer to and that were not there."""

    format: int
    program: str
    schema: str
    identity: str
    change: tuple[int, str]
    counts: dict[str, int]
    made_at: str
    members: tuple[Member, ...]
    damaged: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def moment(self) -> datetime:
        return datetime.fromisoformat(self.made_at)


def make(
    engine: Engine, files: Path, target: Path, *, program: str, progress: Progress | None = None
) -> Manifest:
    """Writes a backup of a store that may be in use, proves it, and then puts it in place.

    `progress` is told how many bytes of how many are done. Raises StoreTrouble where the store cannot be
    copied whole, BadInput where the target is a folder; an older backup of that name then stays.
    """
    if target.is_dir():
        raise BadInput(f"{target} is a folder.", field="file", remedy="Name a file.")
    part = target.with_name(target.name + ".part")
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".backup-") as folder:
            database = Path(folder) / DATABASE
            write_sqlite(engine, database)
            part.unlink(missing_ok=True)
            private.made(part)  # it holds customers' names
            manifest = _write(part, database, files, program, progress)
        wrong = faults(part)
        if wrong:
            raise StoreTrouble(f"The backup is not sound: {wrong[0]}", remedy="Run kb check and try again.")
        put_in_place(part, target)
    finally:
        part.unlink(missing_ok=True)
    return manifest


def kept_files(folder: Path) -> list[Path]:
    """The files kept beside the database, by name; what is not named by a hash is not one of them."""
    found = (path for path in folder.glob("??/*") if _FILE.fullmatch(f"files/{path.parent.name}/{path.name}"))
    return sorted(path for path in found if path.is_file())


def _write(part: Path, database: Path, files: Path, program: str, progress: Progress | None) -> Manifest:
    sources = [(DATABASE, database)]
    sources += [(f"files/{path.parent.name}/{path.name}", path) for path in kept_files(files)]
    total = sum(path.stat().st_size for _, path in sources if path.exists())
    done = 0

    def told(size: int) -> None:
        nonlocal done
        done += size
        if progress:
            progress(done, total)

    members, damaged = [], []
    with zipfile.ZipFile(part, "w", allowZip64=True) as archive:
        for name, path in sources:
            try:
                member = _add(archive, name, path, told)
            except FileNotFoundError:
                continue  # taken out of the store for good while the backup was made
            members.append(member)
            if name != DATABASE and member.sha256 != path.name:
                damaged.append(name)
        manifest = Manifest(
            format=FORMAT,
            program=program,
            made_at=datetime.now(UTC).replace(microsecond=0).isoformat(),
            members=tuple(members),
            damaged=tuple(damaged),
            **_facts(database, [member.name for member in members]),
        )
        archive.writestr(MANIFEST, json.dumps(asdict(manifest), indent=1), zipfile.ZIP_DEFLATED)
    return manifest


def _add(archive: zipfile.ZipFile, name: str, path: Path, told: Callable[[int], None]) -> Member:
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as source:
        entry = zipfile.ZipInfo.from_file(path, name)
        # Photographs are packed already; trying again costs time and gains nothing.
        entry.compress_type = zipfile.ZIP_DEFLATED if name == DATABASE else zipfile.ZIP_STORED
        with archive.open(entry, "w", force_zip64=True) as sink:
            while chunk := source.read(_CHUNK):
                sink.write(chunk)
                digest.update(chunk)
                size += len(chunk)
                told(len(chunk))
    return Member(name, size, digest.hexdigest())


def _facts(database: Path, members: list[str]) -> dict[str, Any]:
    """What the manifest says of the database in it, and of the files that belong to it."""
    with closing(sqlite_files.looked_into(database)) as connection:
        newest = connection.execute("SELECT seq, nonce FROM change ORDER BY seq DESC LIMIT 1").fetchone()
        identity = connection.execute("SELECT value FROM setting WHERE name = 'identity'").fetchone()
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        counts = {
            kind: int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
            for kind, table in _KINDS.items()
            if table in tables
        }
        return {
            "schema": str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]),
            "identity": str(json.loads(identity[0])) if identity else "",
            "change": (int(newest[0]), str(newest[1])) if newest else (0, ""),
            "counts": {**counts, "file": sum(name != DATABASE for name in members)},
            "missing": _missing(connection, tables, set(members)),
        }


def _missing(connection: sqlite3.Connection, tables: set[str], members: set[str]) -> tuple[str, ...]:
    """The files that records refer to and that are not among the members."""
    if "stored_file" not in tables:
        return ()
    rows = connection.execute("SELECT content FROM stored_file ORDER BY content")
    wanted = (f"files/{content[:2]}/{content}" for (content,) in rows)
    return tuple(name for name in wanted if name not in members)


@contextmanager
def _reading(file: Path) -> Iterator[zipfile.ZipFile]:
    """An open backup. Raises BadInput for whatever a damaged or foreign file does to the reader."""
    try:
        with zipfile.ZipFile(file) as archive:
            yield archive
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        RuntimeError,
        NotImplementedError,
        UnicodeDecodeError,
        OverflowError,
    ) as error:
        raise BadInput(
            f"{file} cannot be read as a backup: {str(error).rstrip('.') or 'it ends too early'}.",
            field="file",
            remedy="Choose another backup.",
        ) from error


def manifest_of(file: Path) -> Manifest:
    """What a backup says of itself, unproved. Raises BadInput where it is none."""
    with _reading(file) as archive:
        return _read_manifest(file, archive)


def _read_manifest(file: Path, archive: zipfile.ZipFile) -> Manifest:
    def refused(why: str) -> BadInput:
        return BadInput(f"{file} is not a backup of this program: {why}.", field="file")

    names = archive.namelist()
    if len(names) != len(set(names)):
        raise refused("it names a member twice")
    if MANIFEST not in names:
        raise refused(f"it has no {MANIFEST}")
    if archive.getinfo(MANIFEST).file_size > _MOST_MANIFEST_BYTES:
        raise refused(f"its {MANIFEST} is too large")
    try:
        given = json.loads(archive.read(MANIFEST))
        number = int(given["format"])
        if number > FORMAT:
            raise BadInput(
                f"{file} was made by a newer version of this program ({given['program']}).",
                field="file",
                remedy="Install that version, or choose an older backup.",
            )
        return Manifest(
            format=number,
            program=str(given["program"]),
            schema=str(given["schema"]),
            identity=str(given["identity"]),
            change=(int(given["change"][0]), str(given["change"][1])),
            counts={str(kind): int(count) for kind, count in given["counts"].items()},
            made_at=datetime.fromisoformat(given["made_at"]).isoformat(),
            members=tuple(
                Member(str(entry["name"]), int(entry["bytes"]), str(entry["sha256"]))
                for entry in given["members"]
            ),
            damaged=tuple(str(name) for name in given["damaged"]),
            missing=tuple(str(name) for name in given["missing"]),
        )
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise refused(f"its {MANIFEST} cannot be read") from error


def faults(file: Path) -> list[str]:
    """What is wrong with a backup after reading all of it, in plain words; empty when it can be trusted.

    The database in it is taken out and checked as well. Needs as much free space beside the file as that
    database is large.
    """
    try:
        with tempfile.TemporaryDirectory(dir=file.parent, prefix=".prove-") as folder:
            take_out(file, Path(folder))
    except BadInput as error:
        return [error.message]
    return []


def take_out(file: Path, folder: Path, *, files: Path | None = None) -> Manifest:
    """Takes the database of a backup out into `folder`, and its files into `files`, checking everything.

    Files that are there already, and are what their name says, are left alone. Raises BadInput where any
    member is missing, is not listed or is not what the list says.
    """
    with _reading(file) as archive:
        manifest = _read_manifest(file, archive)
        listed = {member.name for member in manifest.members}
        held = set(archive.namelist()) - {MANIFEST}
        for name in sorted(held ^ listed):
            what = "does not list" if name in held else "lacks"
            raise BadInput(f"{file} is damaged: it {what} {name}.", field="file")
        if DATABASE not in listed:
            raise BadInput(f"{file} is damaged: it holds no database.", field="file")
        for member in manifest.members:
            if member.name != DATABASE and not _FILE.fullmatch(member.name):
                raise BadInput(f"{file} is damaged: it holds {member.name[:80]}.", field="file")
            target = None
            if member.name == DATABASE:
                target = folder / DATABASE
            elif files is not None:
                target = files / member.name.removeprefix("files/")
            if member.name in manifest.damaged:
                target = None if target is None or target.exists() else target
            elif member.name != DATABASE and member.sha256 != member.name.rpartition("/")[2]:
                raise BadInput(f"{file} is damaged: {member.name} is not what its name says.", field="file")
            _take(file, archive, member, target)
    _compare(file, manifest, folder / DATABASE)
    return manifest


def _take(file: Path, archive: zipfile.ZipFile, member: Member, target: Path | None) -> None:
    """Reads one member whole, checks it, and keeps it where it is wanted."""
    wanted = member.sha256
    keep = target is not None and not (target.is_file() and sha256_of(target) == wanted)
    part = target.with_name(target.name + ".part") if keep and target is not None else None
    digest, size = hashlib.sha256(), 0
    if part is not None:
        part.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        with archive.open(member.name) as source, _sink(part) as sink:
            while chunk := source.read(_CHUNK):
                size += len(chunk)
                if size > member.bytes:
                    break
                digest.update(chunk)
                if sink is not None:
                    sink.write(chunk)
        if size != member.bytes or digest.hexdigest() != wanted:
            raise BadInput(f"{file} is damaged: {member.name} is not what was backed up.", field="file")
        if part is not None and target is not None:
            put_in_place(part, target)
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


@contextmanager
def _sink(part: Path | None) -> Iterator[Any]:
    if part is None:
        yield None
    else:
        with system.open_private(part, "wb") as sink:
            yield sink


def _compare(file: Path, manifest: Manifest, database: Path) -> None:
    wrong = sqlite_files.faults(database)
    if wrong:
        raise BadInput(f"{file} is damaged: {wrong[0]}", field="file")
    try:
        found = _facts(database, [member.name for member in manifest.members])
    except sqlite3.DatabaseError as error:
        raise BadInput(f"{file} is damaged: {error}.", field="file") from error
    for name, value in found.items():
        if getattr(manifest, name) != value:
            raise BadInput(f"{file} is damaged: its database has another {name} than it says.", field="file")


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file's content."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_portable(file: Path) -> bool:
    """Whether a file begins as our backups do; a bare database begins otherwise."""
    with file.open("rb") as opened:
        return opened.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
