"""Lets all stores of a test run share what is the same for each and costs more than most tests do.

A store keeps the SQL it has put together, and the words by which it reads texts, for as long as it lives: in a server
for months, in a test for a moment. SQLAlchemy has no public way to share the former between engines; what is set
here are the two places it is looked for, the cache and the dialect that is part of each key in it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache, wraps
from typing import Any

from sqlalchemy import Engine

from kb.search import Analysis
from kb.service.accounts import passwords
from kb.service.shop import derived
from kb.store.engine import postgresql, sqlite


def share() -> None:
    """For this process from here on."""
    sqlite.make_engine = _sharing(sqlite.make_engine)
    postgresql.make_engine = _sharing(postgresql.make_engine)
    # Immutable once made, and the same for all shops with the same lists of names.
    derived.Analysis = lru_cache(maxsize=8)(Analysis)  # type: ignore[assignment,misc]
    # The few passwords of the tests are estimated once each, which takes some hundredths of a second.
    passwords.strength = cache(passwords.strength)


def _sharing(make: Callable[..., Engine]) -> Callable[..., Engine]:
    shared: dict[str, Any] = {}

    @wraps(make)
    def made(*arguments: Any, **options: Any) -> Engine:
        engine = make(*arguments, **options)
        if not shared:
            shared.update(dialect=engine.dialect, statements=engine._compiled_cache)
        engine.dialect = engine.pool._dialect = shared["dialect"]
        engine._compiled_cache = shared["statements"]
        return engine

    return made
