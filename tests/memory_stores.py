"""Makes stores from one that holds the first lists already: a copy of some hundred kB instead of all migrations
and 500 rows. What SQLite copies is the whole content of a database, so it is as good as made again.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

from sqlalchemy import event
from sqlalchemy.pool import Pool

from kb.service import Shop
from kb.store import Store


@cache
def _template() -> bytes:
    store = Store("sqlite://")
    content = content_of(store)
    store.close()
    return content


def content_of(store: Store) -> bytes:
    """All that a store in memory holds."""
    with store.snapshot() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        content: bytes = raw.serialize()
    return content


@contextmanager
def filled_at_once(content: bytes | None = None) -> Iterator[None]:
    """Stores that are opened in memory meanwhile hold `content`, or what a new store holds, with an identity of
    their own."""
    content = content or _template()

    def fill(connection: sqlite3.Connection, _record: object) -> None:
        connection.deserialize(content)
        _give_identity(connection)

    # Before the connection is prepared, since some settings belong to the content that is replaced.
    event.listen(Pool, "connect", fill)
    try:
        yield
    finally:
        event.remove(Pool, "connect", fill)


_FILLED: dict[str, bytes] = {}  # what the first of each name holds


def filled(name: str, opened: Callable[[bytes | None], Shop], fill: Callable[[Shop], None]) -> Shop:
    """A shop in memory that holds what `fill` puts in: only the first of a name is filled, the others are its copies,
    whose index and counts are made when they are first asked for.
    `opened` gives a shop that holds such a content, or what a new one holds."""
    content = _FILLED.get(name)
    shop = opened(content)
    if content is None:
        fill(shop)
        _FILLED[name] = content_of(shop.store)
    return shop


def fill_file(file: Path) -> None:
    """Puts an empty store with an identity of its own where the program would make one."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    file.touch(mode=0o600)
    file.write_bytes(_template())
    with closing(sqlite3.connect(file)) as connection:
        _give_identity(connection)


def _give_identity(connection: sqlite3.Connection) -> None:
    identity = json.dumps(secrets.token_hex(16))
    connection.execute("UPDATE setting SET value = ? WHERE name = 'identity'", (identity,))
    connection.commit()
