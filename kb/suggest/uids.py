"""The uids of very many cases in arrays: some 30 bytes each, where strings in a dictionary take 200.

A uid in the usual text form of a UUID is its 128 bits. Any other text is kept as it is beside them, under
128 bits of its BLAKE2b, so that one look-up serves both. Rows are found by halving a list of them sorted by all
128 bits; those of late stand in a dictionary until there are enough of them to sort again.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.growable import Column

_LATE = 4_096
_LATE_SHARE = 0.1
_HEX = frozenset("0123456789abcdef")
_HYPHENS = (8, 13, 18, 23)


class Uids:
    """Texts by row number from 0 on, and the living row of a text.

    Rows are only ever added; `alive` is handed in wherever it matters, as it is the rows' own.
    """

    __slots__ = ("_first", "_late", "_odd", "_second", "_sorted")

    def __init__(self) -> None:
        self._first = Column(np.uint64)
        self._second = Column(np.uint64)
        self._odd: dict[int, str] = {}
        self._late: dict[str, int] = {}
        self._sorted: NDArray[np.int32] = np.zeros(0, np.int32)

    def __len__(self) -> int:
        return self._first.size

    def __getitem__(self, row: int) -> str:
        odd = self._odd.get(int(row))
        if odd is not None:
            return odd
        digits = f"{self._number(row):032x}"
        return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"

    def append(self, uid: str, alive: NDArray[Any]) -> int:
        """The new row of `uid`; `alive` (rows,) says which of the rows so far still count."""
        row = len(self)
        if len(self._late) >= max(_LATE, int(_LATE_SHARE * row)):
            self._settle(alive)
        number = _as_number(uid)
        if number is None:
            number = _number_of_odd(uid)
            self._odd[row] = uid
        self._first.append(number >> 64)
        self._second.append(number & 0xFFFF_FFFF_FFFF_FFFF)
        self._late[uid] = row
        return row

    def find(self, uid: str, alive: NDArray[Any]) -> int | None:
        """The living row of `uid`, None where there is none. `alive` has shape (rows,)."""
        late = self._late.get(uid)
        if late is not None:
            return late if alive[late] else None
        number = _as_number(uid)
        number = _number_of_odd(uid) if number is None else number
        place = bisect_left(self._sorted, number, key=self._number)
        row = int(self._sorted[place]) if place < len(self._sorted) else -1
        return row if row >= 0 and alive[row] and self[row] == uid else None

    def of(self, rows: NDArray[Any]) -> Iterator[str]:
        """The texts of some rows, one by one."""
        return (self[row] for row in rows.tolist())

    def ordered(self, rows: NDArray[Any]) -> NDArray[Any]:
        """`rows` in the order of their texts, shape as given."""
        if self._odd:
            return np.array(sorted(rows.tolist(), key=self.__getitem__), dtype=rows.dtype)
        # Digits in hexadecimal sort as the numbers that they write.
        return rows[np.lexsort((self._second.view[rows], self._first.view[rows]))]

    def kept(self, rows: NDArray[Any]) -> Uids:
        """A copy with these rows only, all alive, renumbered in the order given."""
        numbers = np.stack([self._first.view[rows], self._second.view[rows]], axis=1)
        odd = {new: self._odd[old] for new, old in enumerate(rows.tolist()) if old in self._odd}
        return Uids.from_numbers(numbers, odd)

    def numbers(self) -> NDArray[np.uint64]:
        """Both halves of the 128 bits of every row, shape (rows, 2)."""
        return np.stack([self._first.view, self._second.view], axis=1)

    def odd(self) -> dict[int, str]:
        """Texts that are no UUID, by row."""
        return dict(self._odd)

    @classmethod
    def from_numbers(cls, numbers: NDArray[np.uint64], odd: dict[int, str]) -> Uids:
        """What `numbers` and `odd` gave. Raises ValueError for another shape."""
        if numbers.ndim != 2 or numbers.shape[1] != 2 or not all(0 <= row < len(numbers) for row in odd):
            raise ValueError("the uids of the counts are damaged")
        uids = cls()
        uids._first = Column(np.uint64, np.ascontiguousarray(numbers[:, 0]))
        uids._second = Column(np.uint64, np.ascontiguousarray(numbers[:, 1]))
        uids._odd = odd
        uids._settle(np.ones(len(numbers), np.int8))
        return uids

    def _settle(self, alive: NDArray[Any]) -> None:
        """Sort the living rows again, so that the dictionary of late ones can be emptied."""
        rows = np.flatnonzero(alive[: len(self)]).astype(np.int32)
        self._sorted = rows[np.lexsort((self._second.view[rows], self._first.view[rows]))]
        self._late = {}

    def _number(self, row: int) -> int:
        return int(self._first.view[row]) << 64 | int(self._second.view[row])


def _as_number(uid: str) -> int | None:
    """The 128 bits of a UUID in its usual form, small letters and hyphens; None for any other text."""
    if len(uid) != 36 or any(uid[at] != "-" for at in _HYPHENS):
        return None
    digits = uid[:8] + uid[9:13] + uid[14:18] + uid[19:23] + uid[24:]
    return int(digits, 16) if _HEX.issuperset(digits) else None


def _number_of_odd(uid: str) -> int:
    digest = blake2b(uid.encode(errors="surrogatepass"), digest_size=16).digest()
    return int.from_bytes(digest)
