"""Opens a database, brings its schema up to date and hands out transactions."""

from __future__ import annotations

import errno
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, insert
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.pool import StaticPool
from sqlmodel import Session

from kb.errors import StoreTrouble, Taken
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.store import portable, schema, sqlite_files
from kb.store.as_sqlite import file_of, write_sqlite
from kb.store.portable import Manifest
from kb.store.tables import PartClass, Setting, Symptom
from kb.store.upgrading import keep_copy

_BUSY_TIMEOUT_MS = 15_000


class Store:
    """One database of records. `url` is an SQLAlchemy address; `sqlite://` keeps it in memory.

    A store of an older schema that holds records is copied into the folder `copies` before it is brought
    up to date; None is for copies that are thrown away.
    """

    def __init__(self, url: str, *, copies: Path | None = None) -> None:
        self.url = url
        self._engine = _make_engine(url)
        with _plain_errors(), self._engine.connect() as connection:
            self._migrate(connection, copies)
        with self.reading() as session:
            self.identity = str(session.get_one(Setting, "identity").value)

    @classmethod
    def at(cls, file: Path, *, copies: Path | None = None) -> Store:
        """The store kept in an SQLite file, made where there is none."""
        try:
            file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise StoreTrouble(
                f"The data folder {file.parent} cannot be made: {error.strerror}.",
                remedy="Set KB_DATA to a folder that you may write to.",
            ) from error
        return cls(f"sqlite:///{file}", copies=copies)

    def close(self) -> None:
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that sees one moment of the store and changes nothing."""
        with _plain_errors(), Session(self._engine) as session:
            yield session
            session.rollback()

    @contextmanager
    def writing(self, who: str = "") -> Iterator[Session]:
        """A session whose work is kept wholly when the block ends well, and not at all otherwise.

        `who` goes into the change feed with everything that is written.

        On SQLite it takes the write lock at once: a transaction that reads first and asks for
        the lock later can be refused half-way however long it is willing to wait.
        """
        with (
            _plain_errors(),
            self._engine.connect() as plain,
            Session(plain.execution_options(kb_writes=True)) as session,
            session.begin(),
        ):
            session.info["who"] = who
            yield session

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection that sees the store as it stood at one moment, however long it is read."""
        level = {} if self._engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
        with _plain_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(**level)
            with connection.begin() as moment:
                yield connection
                moment.rollback()

    @contextmanager
    def overwriting(self) -> Iterator[Connection]:
        """A connection for writing whole tables; kept wholly when the block ends well."""
        with _plain_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(kb_writes=True)
            with connection.begin():
                yield connection

    def faults(self) -> list[str]:
        """What is wrong with the database itself, in plain words; empty where it is sound.

        Of another database than SQLite only its own checks can tell; its records are gone through by
        `records.proving`.
        """
        file = file_of(self._engine)
        return [] if file is None else sqlite_files.faults(file)

    def write_copy(self, target: Path) -> None:
        """Writes the store as one SQLite file, proved before it is put in place; see `as_sqlite`."""
        with _plain_errors():
            write_sqlite(self._engine, target)

    def back_up(
        self, files: Path, target: Path, *, program: str, progress: Callable[[int, int], None] | None = None
    ) -> Manifest:
        """Writes the portable backup of the store and its files; see `portable.make`."""
        with _plain_errors():
            return portable.make(self._engine, files, target, program=program, progress=progress)

    def _migrate(self, connection: Connection, copies: Path | None) -> None:
        connection = connection.execution_options(kb_writes=True)
        with connection.begin():
            present = schema.revision_of(connection)
            schema.refuse_newer(present)
            if present is not None and present != schema.head() and copies is not None:
                keep_copy(self._engine, connection, present, copies)
            schema.upgrade(connection)
            if present is None:
                _fill(connection)


def _fill(connection: Connection) -> None:
    """The lists every store starts with, and an identity that no other store has."""
    connection.execute(insert(Setting), [{"name": "identity", "value": secrets.token_hex(16)}])
    connection.execute(
        insert(Symptom),
        [
            {
                "name": entry.name,
                "name_key": entry.name.casefold(),
                "synonyms": list(entry.synonyms),
                "how": entry.how,
                "minutes": entry.minutes,
            }
            for entry in SYMPTOMS
        ],
    )
    connection.execute(
        insert(PartClass),
        [
            {
                "name": entry.name,
                "name_key": entry.name.casefold(),
                "synonyms": list(entry.synonyms),
                "letters": list(entry.letters),
            }
            for entry in PART_CLASSES
        ],
    )


def _make_engine(url: str) -> Engine:
    options: dict[str, Any] = {}
    if url == "sqlite://":
        options = {"poolclass": StaticPool, "connect_args": {"check_same_thread": False}}
    elif url.startswith("sqlite"):
        # A request that waits for a connection is better than forty writers on one file.
        options = {"pool_size": 10, "max_overflow": 30, "connect_args": {"check_same_thread": False}}
    engine = create_engine(url, **options)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (
        f"busy_timeout = {_BUSY_TIMEOUT_MS}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        "cache_size = -65536",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("kb_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def _plain_errors() -> Iterator[None]:
    """Says in one sentence what is wrong with the database and what to do about it."""
    try:
        yield
    except IntegrityError as error:
        raise Taken(
            "Somebody else saved a record with the same name or number at the same moment.",
            remedy="Reload the page and try again.",
        ) from error
    except DBAPIError as error:
        raise _trouble(str(error.orig)) from error
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise _trouble("disk is full") from error
        raise


def _trouble(cause: str) -> StoreTrouble:
    lowered = cause.lower()
    for sign, message, remedy in (
        ("full", "The disk is full, so nothing was saved.", "Free some space and save again."),
        ("readonly", "The store is read-only.", "Give this user the right to write to the data folder."),
        ("locked", "Another program is holding the store.", "Wait a moment and save again."),
        ("malformed", "The database file is damaged.", "Restore the latest backup with kb restore."),
        ("not a database", "The database file is damaged.", "Restore the latest backup with kb restore."),
        (
            "unable to open",
            "The database cannot be opened.",
            "Check that KB_DATA names a folder you may use.",
        ),
    ):
        if sign in lowered:
            return StoreTrouble(message, remedy=remedy)
    return StoreTrouble(f"The database reported: {cause}.", remedy="Run kb check.")
