"""The compact contribution of every case, kept so that taking a case out again is exact.

About 150 bytes a case with its uid: small numbers in growing arrays; what has variable length
(items noted, fixes tried) lies in shared arrays that a case points into.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.growable import Column
from kb.suggest.uids import Uids

RESULT_CURED, RESULT_NOT_CURED, RESULT_UNKNOWN = 1, 0, -1
UNKNOWN = -1  # in whole-number columns: not known
MONEY_STEPS = 10_000  # costs are added as whole ten-thousandths, so that subtracting is exact
TIME_STEPS = 1_000  # minutes as whole thousandths
VALUE_STEPS = 10_000  # values as whole ten-thousandths of the nominal voltage
NO_VALUE = -(2**31)

_PER_CASE = {
    "fault": np.int32,  # the fault this case is evidence for, or -1
    "fixed": np.int32,  # the fault of the last cured try, whether it lasted or not, or -1
    "family": np.int32,
    "kind": np.int32,
    "closed": np.int32,  # proleptic day number, 0 when not closed
    "return_days": np.int32,
    "followed_days": np.int32,
    "second": np.int32,  # a second fault that was cured on the same board, or -1
    "sound": np.int8,  # 1 where no fault was found, 0 where there was one, -1 where nobody knows
    "items_at": np.int64,
    "items": np.int32,
    "tries_at": np.int64,
    "tries": np.int32,
    "alive": np.int8,
}
_PER_TRY = {
    "try_fault": np.int32,
    "try_part": np.int32,
    "try_failure": np.int32,
    "try_result": np.int8,
    "try_cost": np.int64,  # in MONEY_STEPS, -1 unknown
    "try_minutes": np.int64,  # in TIME_STEPS, -1 unknown
    "try_follows": np.int8,  # 1 where the part only went with the cause
}


@dataclass(frozen=True, slots=True)
class TryRow:
    """One try in numbers, in the order of the per-try columns."""

    fault: int
    part: int
    failure: int
    result: int
    cost: int
    minutes: int
    follows: int = 0


class Rows:
    """All cases of a ledger. Row numbers stay valid until `compacted` makes a new object."""

    __slots__ = ("columns", "dead", "item", "uids", "value")

    def __init__(self) -> None:
        self.columns: dict[str, Column] = {
            name: Column(dtype) for name, dtype in {**_PER_CASE, **_PER_TRY}.items()
        }
        self.item = Column(np.int32)
        self.value = Column(np.int32)  # beside each item what was read, in VALUE_STEPS, or NO_VALUE
        self.uids = Uids()
        self.dead = 0

    def __len__(self) -> int:
        return len(self.uids) - self.dead

    def find(self, uid: str) -> int | None:
        """The row of a case that counts, None where there is none."""
        return self.uids.find(uid, self.get("alive"))

    def living_uids(self) -> Iterator[str]:
        """The uids of all cases that count, in the order in which they came."""
        return self.uids.of(np.flatnonzero(self.get("alive")))

    def get(self, name: str) -> NDArray[Any]:
        """A column of all rows, dead ones too; without a copy."""
        return self.columns[name].view

    def append(
        self, uid: str, values: dict[str, int], items: Mapping[int, int], tries: Sequence[TryRow]
    ) -> int:
        """Add a case; `values` holds the whole numbers of a case from `fault` to `sound`, `items` what was noted
        with what was read."""
        row = self.uids.append(uid, self.get("alive"))
        for name, value in values.items():
            self.columns[name].append(value)
        self.columns["items_at"].append(self.item.size)
        self.columns["items"].append(len(items))
        self.columns["tries_at"].append(self.columns["try_fault"].size)
        self.columns["tries"].append(len(tries))
        self.columns["alive"].append(1)
        self.item.extend(list(items))
        self.value.extend(list(items.values()))
        for one in tries:
            self.columns["try_fault"].append(one.fault)
            self.columns["try_part"].append(one.part)
            self.columns["try_failure"].append(one.failure)
            self.columns["try_result"].append(one.result)
            self.columns["try_cost"].append(one.cost)
            self.columns["try_minutes"].append(one.minutes)
            self.columns["try_follows"].append(one.follows)
        return row

    def kill(self, row: int) -> None:
        """Mark a case as withdrawn; its place is reclaimed later."""
        self.columns["alive"].view[row] = 0
        self.dead += 1

    def items_of(self, row: int) -> NDArray[Any]:
        start = int(self.get("items_at")[row])
        return self.item.view[start : start + int(self.get("items")[row])]

    def values_of(self, row: int) -> NDArray[Any]:
        """What was read beside each of the row's items."""
        start = int(self.get("items_at")[row])
        return self.value.view[start : start + int(self.get("items")[row])]

    def tries_of(self, row: int) -> list[TryRow]:
        start = int(self.get("tries_at")[row])
        places = slice(start, start + int(self.get("tries")[row]))
        columns = [self.get(name)[places].tolist() for name in _PER_TRY]
        return [TryRow(*numbers) for numbers in zip(*columns, strict=True)]

    def compacted(self) -> tuple[Rows, NDArray[Any]]:
        """A copy without dead rows, and for each old row its new number (-1 for dead ones)."""
        alive = np.flatnonzero(self.get("alive"))
        moved = np.full(len(self.uids), -1, dtype=np.int64)
        moved[alive] = np.arange(len(alive))
        fresh = Rows()
        for name, dtype in _PER_CASE.items():
            fresh.columns[name] = Column(dtype, self.get(name)[alive])
        for at, count in (("items_at", "items"), ("tries_at", "tries")):
            lengths = fresh.get(count).astype(np.int64)
            fresh.columns[at] = Column(np.int64, np.cumsum(lengths) - lengths)
        noted = spread(self.get("items_at")[alive], self.get("items")[alive])
        fresh.item = Column(np.int32, self.item.view[noted])
        fresh.value = Column(np.int32, self.value.view[noted])
        places = spread(self.get("tries_at")[alive], self.get("tries")[alive])
        for name, dtype in _PER_TRY.items():
            fresh.columns[name] = Column(dtype, self.get(name)[places])
        fresh.uids = self.uids.kept(alive)
        return fresh, moved

    def arrays(self) -> dict[str, NDArray[Any]]:
        """All columns by name, for a snapshot of rows without dead ones."""
        return {
            **{name: column.view for name, column in self.columns.items()},
            "item": self.item.view,
            "value": self.value.view,
        }

    @classmethod
    def from_arrays(cls, arrays: dict[str, NDArray[Any]], uids: Uids) -> Rows:
        """The rows of a snapshot; raises KeyError or ValueError when a column is missing or too short."""
        rows = cls()
        for name, dtype in {**_PER_CASE, **_PER_TRY}.items():
            expected = len(uids) if name in _PER_CASE else len(arrays["try_fault"])
            if len(arrays[name]) != expected:
                raise ValueError(f"column {name} has {len(arrays[name])} entries instead of {expected}")
            rows.columns[name] = Column(dtype, arrays[name])
        rows.item = Column(np.int32, arrays["item"])
        rows.value = Column(np.int32, arrays["value"])
        if rows.value.size != rows.item.size:
            raise ValueError(f"there are {rows.value.size} values for {rows.item.size} items")
        rows.uids = uids
        return rows


def spread(starts: NDArray[Any], lengths: NDArray[Any]) -> NDArray[Any]:
    """Places of several runs one after another: starts (n,), lengths (n,) to (sum of lengths,)."""
    lengths = lengths.astype(np.int64)
    total = int(lengths.sum())
    before = np.cumsum(lengths) - lengths
    return np.repeat(starts.astype(np.int64) - before, lengths) + np.arange(total)
