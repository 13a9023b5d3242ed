"""Lets all stores of a test run share what is the same for each and costs more than most tests do.

A store keeps the SQL it has put together, and the words by which it reads texts, for as long as it lives: in a server
for months, in a test for a moment. SQLAlchemy has no public way to share the former between engines; what is set
here are the two places it is looked for, the cache and the dialect that is part of each key in it.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache, wraps
from hashlib import blake2b
from importlib import import_module
from typing import Any

from argon2 import PasswordHasher
from jinja2 import FileSystemBytecodeCache
from sqlalchemy import Engine

from kb.search import Analysis
from kb.service.accounts import passwords
from kb.service.shop import derived
from kb.store.engine import postgresql, sqlite
from kb.suggest import Ledger, Settings, Tuning
from kb.suggest.model_selection import FEWEST_CASES
from kb.suggest.pooled_counts import counted
from kb.suggest.snapshot import to_bytes


def share() -> None:
    """For this process from here on."""
    sqlite.make_engine = _sharing(sqlite.make_engine)
    postgresql.make_engine = _sharing(postgresql.make_engine)
    # Immutable once made, and the same for all shops with the same lists of names.
    derived.Analysis = lru_cache(maxsize=8)(Analysis)  # type: ignore[assignment,misc]
    # The few passwords of the tests are estimated once each, which takes some hundredths of a second.
    passwords.strength = cache(passwords.strength)
    share_choices()


_TEMPLATES = "FOLDER_OF_COMPILED_TEMPLATES"


def keep_templates() -> None:
    """Chooses where this process and all that it starts keep compiled templates; gone with it."""
    if _TEMPLATES not in os.environ:
        folder = os.environ[_TEMPLATES] = tempfile.mkdtemp(prefix="compiled-templates-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)


def share_templates() -> None:
    """For this process from here on: what one process of the run has compiled, a second and a half for all
    templates, the others read."""
    keep_templates()
    environment = import_module("kb.web.rendering").environment()
    environment.bytecode_cache = FileSystemBytecodeCache(os.environ[_TEMPLATES])


# Hashing a password takes 64 MiB and a tenth of a second on purpose.
LIGHT = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)


def hash_lightly() -> None:
    """For this process from here on; in the tests' own each test is given it (`conftest.py`)."""
    passwords._hasher = LIGHT


def share_choices() -> None:
    """What weights are chosen depends on the counts and the settings alone, and most stores of tests are copies of
    one: a second of processor time for each copy, three for each server."""
    once = _once(derived.choose_strength)
    derived.choose_strength = once
    import_module("kb.suggest.track_record").choose_strength = once  # a function of the package has its name


def _once(choose: Callable[..., Tuning]) -> Callable[..., Tuning]:
    chosen: dict[object, tuple[Tuning, object]] = {}

    @wraps(choose)
    def choose_once(ledger: Ledger, settings: Settings, **options: Any) -> Tuning:
        if ledger.known < FEWEST_CASES:
            return choose(ledger, settings, **options)
        given = repr(replace(settings, general=None)), id(settings.general), *sorted(options.items())
        counted(ledger, settings)  # the counts name what general knowledge has, whoever chooses
        seen, ledger.seen = ledger.seen, (0, "")  # which change it has come to is nothing to choose by
        key = blake2b(to_bytes(ledger)).digest(), *given
        ledger.seen = seen
        if key not in chosen:
            chosen[key] = choose(ledger, settings, **options), settings.general  # which lives on with its id
        return chosen[key][0]

    return choose_once


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
