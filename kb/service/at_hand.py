"""What a process keeps at hand of a shared database, to go on answering while it is cut off from it.

The search index and the counts are kept anyway. Beside them stand copies of the small tables that questions
need: families, the lists, the names of other shops, and who is signed in. They are made anew when something
in them has changed and are read in no other case than that the database is away.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from sqlmodel import Session

from kb.errors import StoreAway
from kb.store import Store
from kb.store.copying import copy_tables

log = logging.getLogger(__name__)
_TABLES = (
    "family",
    "family_number",
    "family_rail",
    "family_connector",
    "symptom",
    "part_class",
    "bench_load",
    "origin",
    "person",
    "person_session",
)


class AtHand:
    """The copies. `reading` may be called from any thread, `refresh` from one."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._copy: Store | None = None
        self._lock = threading.Lock()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session for questions about families, lists and people: of the database, or of what is at hand.

        Raises StoreAway where the database is away and nothing is at hand yet.
        """
        if self._store.away is None:
            with self._store.reading() as session:
                yield session
            return
        if self._copy is None:
            raise self._store.away.error()
        with self._lock, self._copy.reading() as session:
            yield session

    def refresh(self) -> None:
        """Makes the copies anew. What goes wrong is logged: the older ones then stay."""
        if not self._store.is_shared:
            return
        try:
            if self._copy is None:
                self._copy = Store("sqlite://")
            with self._lock:
                copy_tables(self._store, self._copy, _TABLES)
        except StoreAway:
            pass
        except Exception:
            log.exception("what is kept at hand could not be made anew")

    def close(self) -> None:
        """Lets go of the copies."""
        if self._copy is not None:
            self._copy.close()
