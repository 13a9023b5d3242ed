"""Passwords: what one must be like, and how it is kept.

Kept as Argon2id with the second recommended choice of RFC 9106 (section 4): 3 passes over 64 MiB in 4
lanes, a salt of 16 and a tag of 32 bytes. Each hash carries its parameters, so that they can be raised
later: the next sign-in then hashes again.
"""

from __future__ import annotations

import re
import secrets
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from zxcvbn import zxcvbn

from kb.errors import BadInput, TooSoon

SHORTEST, LONGEST = 12, 128
# Of the estimate's 0 to 4: 3 stands for "safely unguessable" by a program that may try for long.
_ENOUGH = 3
# The estimate takes longer the more there is; what stands further back can only make a password better.
_ESTIMATED = 72
# Each hashing takes 64 MiB for some 0.1 s; whoever asks for more at once waits.
_AT_ONCE, _WAIT_S = 2, 10.0
_REMEDY = f"Choose at least {SHORTEST} characters; four or five words that do not belong together are good."

_hasher = PasswordHasher(time_cost=3, memory_cost=65_536, parallelism=4, hash_len=32, salt_len=16)
_turns = threading.BoundedSemaphore(_AT_ONCE)


def plain(password: str) -> str:
    """A password in the one form that is hashed, since keyboards compose letters differently (NFKC)."""
    return unicodedata.normalize("NFKC", password)


def check(password: str, *about: str, field: str = "password") -> str:
    """The password in the form that is hashed. Raises BadInput for one that is easily guessed.

    `about` are words that anybody would try first: the person's name, the shop's.
    """
    text = plain(password)
    if len(text) < SHORTEST:
        raise BadInput(
            f"The password has {len(text)} of at least {SHORTEST} characters.", field=field, remedy=_REMEDY
        )
    if len(text) > LONGEST:
        raise BadInput(
            f"The password is longer than {LONGEST} characters.", field=field, remedy="Choose a shorter one."
        )
    if strength(text, *about) < _ENOUGH:
        raise BadInput("This password would be guessed soon.", field=field, remedy=_REMEDY)
    return text


def strength(password: str, *about: str) -> int:
    """From 0 (tried at once) to 4 (out of reach), estimated from lists of common passwords and words."""
    words: list[str] = []
    for text in ("board fault book", *about):
        found = re.findall(r"\w{3,}", text.lower())
        words += [*found, "".join(found)]
    # "password password" is no better for the space in it.
    joined = re.sub(r"[\s_.,-]+", "", password)
    return min(
        int(zxcvbn(form[:_ESTIMATED], user_inputs=words)["score"]) for form in {password, joined} if form
    )


@contextmanager
def _turn() -> Iterator[None]:
    if not _turns.acquire(timeout=_WAIT_S):
        raise TooSoon("Too many people sign in just now.", seconds=10, remedy="Try again in a few seconds.")
    try:
        yield
    finally:
        _turns.release()


def hashed(password: str) -> str:
    """The hash to keep, with its parameters and a salt of its own. Raises TooSoon when too many ask."""
    with _turn():
        return _hasher.hash(plain(password))


def matches(password_hash: str, password: str) -> bool:
    """Whether the password belongs to the hash.

    An empty hash belongs to no password, and finding that out takes as long. Raises TooSoon when too
    many ask.
    """
    with _turn():
        try:
            _hasher.verify(password_hash or _nobodys(), plain(password)[: LONGEST * 4])
        except (VerificationError, InvalidHashError):
            return False
        return bool(password_hash)


@cache
def _nobodys() -> str:
    return _hasher.hash(secrets.token_urlsafe(32))


def is_outdated(password_hash: str) -> bool:
    """Whether the hash was made with other parameters than those of today."""
    return _hasher.check_needs_rehash(password_hash)


def warm_up() -> None:
    """Makes what is compared for names that nobody has, so that the first such name takes no longer."""
    _nobodys()
