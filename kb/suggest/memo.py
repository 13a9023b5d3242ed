"""What is worked out from the counts alone, kept until they or the settings change.

Much of a ranking has nothing to do with what is noted on the board: prior, fixes and what they take, the cases
behind each cause. A bench asks many times between two saves.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings

Value = TypeVar("Value")

# Most values are of one family, with a line for each cause.
MOST_KEPT = 48


class Memo:
    """Values by their keys for one state of the counts and one choice of settings."""

    __slots__ = ("counted", "settings", "values")

    def __init__(self, counted: tuple[int, int], settings: Settings) -> None:
        self.counted, self.settings = counted, settings
        self.values: dict[Hashable, Any] = {}


def kept(ledger: Ledger, settings: Settings, key: Hashable, make: Callable[[], Value]) -> Value:
    """The value under `key` for these counts and settings; made where there is none, and not to be changed."""
    counted = (ledger.version, ledger.marks.now)
    memo: Memo | None = ledger.memo
    if memo is None or memo.counted != counted or memo.settings != settings:
        memo = ledger.memo = Memo(counted, settings)
    if key not in memo.values:
        if len(memo.values) >= MOST_KEPT:
            memo.values.clear()
        memo.values[key] = make()
    found: Value = memo.values[key]
    return found
