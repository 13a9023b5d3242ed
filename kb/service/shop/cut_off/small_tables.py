"""What a process keeps at hand of a shared database, to go on answering while it is cut off from it.

The search index and the counts are kept anyway. Beside them stand copies of the small tables that questions
need: families, the lists, the names of other shops, and who is signed in. They are made again when something
in them has changed and are read in no other case than that the database is away.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager

from sqlmodel import Session

from kb.errors import StoreAway
from kb.store import Store
from kb.store.backup.copy import copy_tables, forget_rows

log = logging.getLogger(__name__)
_PEOPLE = ("person", "person_session")
_TABLES = (
    "family",
    "family_number",
    "family_rail",
    "family_connector",
    "symptom",
    "part_class",
    "bench_load",
    "origin",
    *_PEOPLE,
)
_IS_COPY = "at hand"


def is_copy(session: Session) -> bool:
    """Whether a session of `AtHand.read` asks the copies, which hold no cases."""
    return _IS_COPY in session.info


class AtHand:
    """The copies. Everything may be called from any thread.

    `change` is the number of a change that all of them have seen, `copied` how often people and their sessions were
    copied: a monitor tells by them whether the copies keep up.
    """

    def __init__(self, store: Store) -> None:
        self.change = 0
        self.copied = 0
        self._store = store
        self._copy: Store | None = None
        self._lock = threading.Lock()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session for questions about families, lists and people: of the database, or of what is at hand.

        Raises StoreAway where the database is away and nothing is at hand yet.
        """
        if self._store.away is None:
            with self._store.read() as session:
                yield session
            return
        if self._copy is None:
            raise self._store.away.error()
        with self._lock, self._copy.read() as session:
            session.info[_IS_COPY] = True
            yield session

    def refresh(self, change: int = 0) -> None:
        """Makes the copies again. What goes wrong is logged: the older ones then stay.

        `change` is the number of a change that was there before.
        """
        if not self._store.is_shared:
            return
        with self._lock:
            if self._copy is None:
                self._copy = Store("sqlite://")
            if self._take(_TABLES):
                self.change = max(self.change, change)

    def refresh_people(self) -> None:
        """Makes the copies of people and their sessions again, where there are any copies yet."""
        if self._copy is not None:
            with self._lock:
                self._take(_PEOPLE)

    def follow_people(self) -> None:
        """As `refresh_people`, after a change of them that must hold while cut off as well.

        Where the database goes away before the change is copied, nobody is known here until it is back: a
        session that was ended must not live on in an older copy.
        """
        if self._copy is not None:
            with self._lock:
                if not self._take(_PEOPLE):
                    forget_rows(self._copy, _PEOPLE)

    def _take(self, names: Collection[str]) -> bool:
        """Copies some tables under the lock; returns whether that went well."""
        assert self._copy is not None
        try:
            copy_tables(self._store, self._copy, names)
            self.copied += 1
            return True
        except StoreAway:
            pass
        except Exception:
            log.exception("what is kept at hand could not be made again")
        return False

    def close(self) -> None:
        """Lets go of the copies."""
        if self._copy is not None:
            self._copy.close()
