"""One shop's store with everything derived from it."""

from __future__ import annotations

import copy
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

from sqlmodel import Session

from kb import system
from kb.config import Settings
from kb.errors import StoreTrouble
from kb.instruments.desk import Desk
from kb.service.shop.cache import Kept
from kb.service.shop.cut_off.small_tables import AtHand, is_copy
from kb.service.shop.derived import Derived
from kb.service.shop.jobs import Jobs
from kb.service.shop.steady_clock import SteadyClock
from kb.service.shop.uses import Uses
from kb.store import Store
from kb.store.engine import private
from kb.store.file_store import FileStore
from kb.store.records import changes, sent_once


def _local_today() -> date:
    return datetime.now(UTC).astimezone().date()


def _own_files(settings: Settings) -> list[Path]:
    """What holds records and keys. The data folder itself may be one that others share."""
    store = settings.store_file
    files = [store.with_name(store.name + end) for end in ("", "-wal", "-shm")]
    files += [settings.counts_file, settings.lost_file, settings.sign_in_key_file]
    folders = [settings.index_folder]
    # A folder that was named may be meant for several accounts; what the program puts there is its own all the same.
    folders += [] if settings.files else [settings.files_folder]
    with suppress(OSError):
        files += [path for end in ("zip", "sqlite3") for path in settings.backups.glob(f"*.{end}")]
    return files + folders


def _refuse_gone(settings: Settings) -> None:
    """An empty store in the place of one that is gone would look as if all records were lost."""
    if settings.counts_file.exists() and not settings.store_file.exists():
        raise StoreTrouble(
            f"The store is gone: there was one in {settings.data}, and {settings.store_file.name} is not there "
            "any more.",
            remedy=f"Put the file back, or restore a backup with kb restore. To begin with an empty store "
            f"remove {settings.counts_file} as well.",
        )


@dataclass(slots=True)
class Upkeep:
    """What a shop remembers of its daily backups while it runs.

    `daily` says whether backups are made by themselves, `trouble` why the last could not be made; the lock lets
    one backup be made at a time.
    """

    daily: bool = False
    trouble: str = ""
    remedy: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)


@dataclass(slots=True)
class _Page:
    """What the questions of one page share: the newest change, once one of them has asked for it."""

    latest: tuple[int, str] | None = None


class Shop:
    """What the use cases work on: settings, store, folder of files, derived copies, instruments and the calendar.

    `today` is handed in by tests; nothing below this class asks for the date. `clock` (seconds since 1970)
    says when sessions and links end. `person` is who works,
    "" on a bench that knows no accounts.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        files: FileStore,
        derived: Derived,
        today: Callable[[], date] = _local_today,
        instruments: Desk | None = None,
    ) -> None:
        self.settings = settings
        self.instruments = instruments or Desk(None, settings.visa_library)
        self.store = store
        self.files = files
        self.derived = derived
        self.at_hand = AtHand(store)
        self.kept = Kept()
        self.today = today
        self.clock: Callable[[], float] = SteadyClock()
        self.jobs = Jobs()
        self.person = ""
        self.sent_key = ""
        self._page: _Page | None = None
        self.upkeep = Upkeep()
        self.uses = Uses()

    @classmethod
    def open(cls, settings: Settings, *, today: Callable[[], date] = _local_today) -> Shop:
        """Opens or makes the shop's store; the derived copies catch up when first asked for."""
        copies = settings.backups
        if settings.store_url:
            # What is derived and the key that signs sessions lie there; a store in a file makes it so too.
            system.make_private_folder(settings.data)
            store = Store(settings.store_url, copies=copies)
        else:
            _refuse_gone(settings)
            private.mend(_own_files(settings))
            store = Store.at(settings.store_file, copies=copies)
        files = FileStore(settings.files_folder, must_exist=bool(settings.files))
        # On a disk that is write-protected the copies are made in memory, at each start.
        made = Derived.on_disk if os.access(settings.data, os.W_OK) else Derived.in_memory
        desk = Desk(settings.data, settings.visa_library)
        return cls(settings, store, files, made(store, settings), today, desk)

    @classmethod
    def in_memory(
        cls, settings: Settings, *, today: Callable[[], date] = _local_today, address: str = "sqlite://"
    ) -> Shop:
        """A shop that leaves nothing behind; `address` names a database that is thrown away with it."""
        store = Store(address)
        return cls(settings, store, FileStore.temporary(), Derived.in_memory(store, settings), today)

    def acting_as(self, person: str, sent_key: str = "") -> Shop:
        """The same shop with the name under which its changes are kept, for one request.

        The first transaction under a `sent_key` is done once, however often the request is sent.
        """
        other = copy.copy(self)
        other.person, other.sent_key, other._page = person, sent_key, None
        return other

    def read(self) -> AbstractContextManager[Session]:
        """A session that sees one moment of the store and changes nothing."""
        return self.store.read()

    @contextmanager
    def write(self, *, signing_in: bool = False) -> Iterator[Session]:
        """A transaction of the store, kept wholly or not at all, under the name of who works.

        `signing_in` is for what changes who may come in: it then holds in this process while cut off, too. Raises
        AlreadyDone where the request was sent before and done.
        """
        key = self.sent_key
        with self.store.write(self.person) as session:
            since = sent_once.claim(session, key) if key else None
            yield session
            if since is not None:
                sent_once.name_it(session, key, since)
        self.sent_key = ""
        if signing_in:
            self.at_hand.follow_people()

    def refuse_done_before(self) -> None:
        """Raises AlreadyDone where the request was sent before and done.

        Asked first of all, since what it made may now be in its own way: a number that is taken.
        """
        if self.sent_key and self.store.away is None:
            with self.read() as session:
                sent_once.refuse_done(session, self.person, self.sent_key)

    @contextmanager
    def known(self) -> Iterator[Session]:
        """A session for questions about families, lists and people, answered even while cut off from a
        shared database by what is kept at hand."""
        page = self._page
        with self.at_hand.read() as session:
            if page is None or is_copy(session):
                yield session
                return
            if page.latest is not None:
                changes.take_for_latest(session, page.latest)
            yield session
            page.latest = changes.latest_asked(session)

    @contextmanager
    def for_one_page(self) -> Iterator[Shop]:
        """The shop as one page asks it: which change is the newest is asked once, so that what is kept by its number
        costs no further transaction. Only for what reads; what is asked after the block asks for itself."""
        other = copy.copy(self)
        other._page = _Page()
        try:
            yield other
        finally:
            other._page = None

    def refresh(self, progress: Callable[[int], None] | None = None) -> None:
        """Brings the derived copies up to date with the store; they report their own trouble."""
        self.derived.catch_up(progress)

    def close(self) -> None:
        """Keeps what makes the next start quick and lets go of the files."""
        self.jobs.close()
        self.instruments.close()
        self.derived.close()
        self.files.close()
        self.at_hand.close()
        self.store.close()
