"""Opens a database, brings its schema up to date and hands out transactions."""

from __future__ import annotations

import errno
import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, cast

from sqlalchemy import Connection, Engine, insert
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.exc import TimeoutError as NoConnectionLeft
from sqlmodel import Session

from kb import system
from kb.errors import BadInput, KbError, StoreAway, StoreReadOnly, StoreTrouble, Taken
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.store.engine import characters, own_schema, private, schema, sqlite, sqlite_files
from kb.store.engine.address import read_address
from kb.store.engine.moments import see_one_moment
from kb.store.engine.trouble import sqlite_trouble, write_protected
from kb.store.portable import backup_file
from kb.store.portable.as_sqlite import file_of, write_sqlite
from kb.store.portable.backup_file import Manifest
from kb.store.portable.upgrade_copy import keep_copy
from kb.store.tables.core import PartClass, Setting, Symptom

if TYPE_CHECKING:
    from kb.store.engine.watch import Away, Watch


_FIRST_WITH_CHECKSUMS = "0014"


class Store:
    """One database of records. `url` is its address; `sqlite://` keeps it in memory.

    A store of an older schema that holds records is copied into the folder `copies` before it is brought
    up to date; None is for copies that are thrown away. One on a disk that is write-protected is opened
    `read_only`, and says so where it is written. Raises BadInput for an address that cannot be used
    and StoreTrouble for a database that cannot.
    """

    def __init__(self, url: str, *, copies: Path | None = None, read_only: bool = False) -> None:
        self.url = url
        self.read_only: StoreReadOnly | None = None
        address = read_address(url)
        self.is_shared = address.drivername != "sqlite"
        self._watch: Watch | None = None
        self._line = threading.Lock()
        if self.is_shared:
            from kb.store.engine import postgresql  # its driver is an extra that most benches do without

            self._postgresql = postgresql
            self._engine = postgresql.make_engine(address)
            self._reader: Engine = self._engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
            self._asker: Engine = self._engine.execution_options(isolation_level="AUTOCOMMIT")
        else:
            self._engine = self._reader = self._asker = sqlite.make_engine(url, read_only=read_only)
            if read_only:
                self.read_only = write_protected(Path(str(address.database)).parent)
        characters.install(self._engine)
        try:
            self._migrate(copies)
            with self.read() as session:
                self.identity = str(session.get_one(Setting, "identity").value)
        except BaseException:
            self._engine.dispose()
            raise

    @classmethod
    def at(cls, file: Path, *, copies: Path | None = None) -> Store:
        """The store kept in an SQLite file, made where there is none."""
        if file.exists() and not sqlite_files.may_write(file):
            return cls(f"sqlite:///{file}", read_only=True)
        try:
            system.make_private_folder(file.parent)
            private.made(file)
        except OSError as error:
            raise StoreTrouble(
                f"The data folder {file.parent} cannot be made: {error.strerror}.",
                remedy="Set KB_DATA to a folder that you may write to.",
            ) from error
        return cls(f"sqlite:///{file}", copies=copies)

    def forget_deleted(self) -> None:
        """Lets what was deleted for good leave the write-ahead log too; another database sees to it itself."""
        if self.is_shared or self.read_only:
            return
        with self._plain_errors(), self._engine.connect() as plain:
            raw = plain.connection.driver_connection
            assert raw is not None
            try:
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except sqlite3.Error as error:
                raise sqlite_trouble(str(error)) from error

    def close(self) -> None:
        if self._watch is not None:
            self._watch.stop()
        self._engine.dispose()

    def watch(self, on_change: Callable[[], None], *, interval_s: float) -> None:
        """Calls `on_change` when another process has written to a shared database, and notices when the
        database cannot be reached; does nothing for a file, which is looked at before every answer.

        `interval_s` is how often it asks where it has heard nothing.
        """
        if self.is_shared and self._watch is None:
            from kb.store.engine.watch import Watch

            self._watch = Watch(self._engine, on_change, interval_s)

    @property
    def away(self) -> Away | None:
        """Since when and why the database cannot be reached; None while it can, or nobody watches."""
        return self._watch.away if self._watch else None

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session that sees one moment of the store and changes nothing."""
        with self._plain_errors(), Session(self._reader) as session:
            see_one_moment(session)
            yield session
            session.rollback()

    @contextmanager
    def asking(self) -> Iterator[Session]:
        """A session for one short question: a shared database answers it in a single round trip."""
        with self._plain_errors(), Session(self._asker) as session:
            yield session

    @contextmanager
    def _in_line(self) -> Iterator[None]:
        """Lets the writers of this process wait for one another before they ask SQLite for its lock.

        SQLite wakes waiting writers by chance, so that of many one may wait until it is refused. Who has waited
        here as long as SQLite would wait asks it all the same and hears from it that the store is locked.
        """
        if self.is_shared:  # PostgreSQL lets its writers in by their turn
            yield
            return
        is_next = self._line.acquire(timeout=sqlite.BUSY_TIMEOUT_S)
        try:
            yield
        finally:
            if is_next:
                self._line.release()

    @contextmanager
    def write(self, who: str = "") -> Iterator[Session]:
        """A session whose work is kept wholly when the block ends well, and not at all otherwise.

        `who` goes into the change feed with everything that is written.

        It takes the writers' lock at once: on SQLite a transaction that reads first and asks for the
        lock later can be refused half-way however long it is willing to wait; on PostgreSQL changes
        could be committed in another order than that of their numbers.
        """
        self._refuse_to_write()
        with (
            self._in_line(),
            self._plain_errors(),
            self._engine.connect() as plain,
            Session(plain.execution_options(kb_writes=True)) as session,
            session.begin(),
        ):
            session.info["who"] = who
            yield session
            if self.is_shared:
                session.flush()
                self._postgresql.tell_others(session.connection())

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection that sees the store as it stood at one moment, however long it is read."""
        with self._plain_errors(), self._reader.connect() as connection, connection.begin() as moment:
            yield connection
            moment.rollback()

    @contextmanager
    def overwriting(self) -> Iterator[Connection]:
        """A connection for writing whole tables; kept wholly when the block ends well."""
        self._refuse_to_write()
        with self._plain_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(kb_writes=True)
            with connection.begin():
                yield connection
                if self.is_shared:
                    self._postgresql.tell_others(connection)

    def faults(self) -> list[str]:
        """What is wrong with the database itself, in plain words; empty where it is sound.

        Of another database than SQLite only its own checks can tell; its records are gone through by
        `records.consistency`.
        """
        file = file_of(self._engine)
        return [] if file is None else sqlite_files.faults(file)

    def refuse_strangers(self, what: str, field: str) -> None:
        """Raises BadInput where the database has more than the program's own schema; see `own_schema`."""
        with self.snapshot() as connection:
            raw = connection.connection.driver_connection
            found = (
                own_schema.strangers_in_server(connection)
                if self.is_shared
                else own_schema.strangers_in_file(cast(sqlite3.Connection, raw))
            )
        own_schema.refuse(what, found, field)

    def write_copy(self, target: Path) -> None:
        """Writes the store as one SQLite file, proved before it is put in place; see `as_sqlite`."""
        with self._plain_errors():
            write_sqlite(self._engine, target)

    def back_up(
        self, files: Path, target: Path, *, program: str, progress: Callable[[int, int], None] | None = None
    ) -> Manifest:
        """Writes the portable backup of the store and its files; see `portable.make`."""
        with self._plain_errors():
            return backup_file.make(self._engine, files, target, program=program, progress=progress)

    def _refuse_to_write(self) -> None:
        if self.read_only is not None:
            raise StoreReadOnly(self.read_only.message, remedy=self.read_only.remedy)

    def _migrate(self, copies: Path | None) -> None:
        """Brings the schema up to date, in one transaction that only one process at a time can be in."""
        with self._plain_errors():
            with self._engine.connect() as connection:
                if self.is_shared:
                    self._postgresql.refuse_old_server(connection)
                present = schema.revision_of(connection)
            if present == schema.head():
                return
            schema.refuse_newer(present)
            self._refuse_to_write()  # of a store of an earlier program nothing can be shown
            with self._engine.connect() as plain:
                connection = plain.execution_options(kb_writes=True)
                with connection.begin():
                    # Another process may have been faster: asked again now that the lock is ours.
                    present = schema.revision_of(connection)
                    if present is not None and present != schema.head() and copies is not None:
                        keep_copy(self._engine, connection, present, copies)
                    schema.upgrade(connection)
                    if present is None:
                        _fill(connection)
                    elif present < _FIRST_WITH_CHECKSUMS:
                        _seal(connection)
                    if self.is_shared:
                        self._postgresql.level(connection)

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        """Says in one sentence what is wrong with the database and what to do about it."""
        if (away := self.away) is not None:
            raise away.error()
        try:
            yield
        except IntegrityError as error:
            raise Taken(
                "Somebody else saved a record with the same name or number at the same moment.",
                remedy="Reload the page and try again.",
            ) from error
        except DBAPIError as error:
            raise self._trouble(error) from error
        except NoConnectionLeft as error:
            raise StoreTrouble(
                "Too many people are waiting for the database.", remedy="Wait a moment and try again."
            ) from error
        except MemoryError as error:
            raise sqlite_trouble("out of memory") from error
        except UnicodeEncodeError as error:
            raise BadInput(
                "A text holds half a character.", remedy="Type it again; it was damaged on its way here."
            ) from error
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise sqlite_trouble("disk is full") from error
            raise

    def _trouble(self, error: DBAPIError) -> KbError:
        if not self.is_shared:
            return sqlite_trouble(str(error.orig))
        found = self._postgresql.trouble(error)
        if self._watch is not None and isinstance(found, StoreAway):
            return self._watch.lost(found).error()
        return found


def _seal(connection: Connection) -> None:
    """Gives the records of an earlier program their checksums."""
    from kb.store.records import stored_checksums  # loaded for an upgrade only

    with Session(connection) as session:
        stored_checksums.seal(session)
        session.flush()


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
