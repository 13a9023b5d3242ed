"""Makes stores in memory from one that holds the first lists already: a copy of some hundred kB instead of all
migrations and 500 rows. What SQLite copies is the whole content of a database, so it is as good as made anew.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from sqlalchemy import event
from sqlalchemy.pool import Pool

from kb.store import Store


@cache
def _template() -> bytes:
    store = Store("sqlite://")
    with store.snapshot() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        content: bytes = raw.serialize()
    store.close()
    return content


@contextmanager
def filled_at_once() -> Iterator[None]:
    """Stores that are opened in memory meanwhile hold what a new store holds, with an identity of their own."""
    content = _template()

    def fill(connection: sqlite3.Connection, _record: object) -> None:
        connection.deserialize(content)
        connection.execute(
            "UPDATE setting SET value = ? WHERE name = 'identity'", (json.dumps(secrets.token_hex(16)),)
        )
        connection.commit()

    # Before the connection is prepared, since some settings belong to the content that is replaced.
    event.listen(Pool, "connect", fill)
    try:
        yield
    finally:
        event.remove(Pool, "connect", fill)
