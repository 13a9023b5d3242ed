"""What was read of short texts, kept for when they come again."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

T = TypeVar("T")


def keeping(read: Callable[[str], T], *, most: int, longest: int) -> Callable[[str], T]:
    """`read`, keeping what it made of the last `most` texts of up to `longest` characters.

    `read` must not be a method of what holds the answer: both would hold each other, and what a server has
    set aside (`kb.web.process.settle_memory`) is freed only where nothing holds itself.
    """
    kept = lru_cache(maxsize=most)(read)
    return lambda text: kept(text) if len(text) <= longest else read(text)
