"""Which tier runs: how many examples of a property are tried depends on it (README, Tiers)."""

from __future__ import annotations

import pytest

IS_LONG = False  # set by conftest.py before any test module is read
_SHARE = 4


def examples(in_full: int) -> int:
    """So many examples in the long tier, a quarter of them in the quick one."""
    return in_full if IS_LONG else max(5, in_full // _SHARE)


def in_both() -> list[pytest.MarkDecorator]:
    """Marks of a module that runs in either tier, in the long one more thoroughly."""
    return [pytest.mark.long] if IS_LONG else []
