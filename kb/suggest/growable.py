"""Arrays that grow by doubling, so that adding costs the same however many are there, and interned names."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

Key = TypeVar("Key", bound=Hashable)


class Names(Generic[Key]):
    """Gives each distinct value a small number, counted from 0 in order of arrival."""

    __slots__ = ("_number", "values")

    def __init__(self, values: Iterable[Key] = ()) -> None:
        self.values: list[Key] = list(values)
        self._number: dict[Key, int] = {value: number for number, value in enumerate(self.values)}

    def __len__(self) -> int:
        return len(self.values)

    def intern(self, value: Key) -> int:
        """The number of `value`, a new one if it was not known."""
        number = self._number.get(value)
        if number is None:
            number = len(self.values)
            self._number[value] = number
            self.values.append(value)
        return number

    def find(self, value: Key) -> int:
        """The number of `value`, or -1."""
        return self._number.get(value, -1)


class Column:
    """A one-dimensional array with append; `view` is the filled part, without a copy.

    `values` become its own and must not be changed elsewhere.
    """

    __slots__ = ("_data", "_fill", "size")

    def __init__(self, dtype: DTypeLike, values: NDArray[Any] | None = None, fill: int = 0) -> None:
        self._data: NDArray[Any] = (
            np.full(16, fill, dtype=dtype) if values is None else values.astype(dtype, copy=False)
        )
        self._fill = fill
        self.size = 0 if values is None else len(values)

    @property
    def view(self) -> NDArray[Any]:
        return self._data[: self.size]

    def reserve(self, size: int) -> None:
        """Make the filled part at least `size` long; new places hold the fill value."""
        if size > len(self._data):
            grown = np.full(max(size, 2 * len(self._data), 16), self._fill, dtype=self._data.dtype)
            grown[: self.size] = self._data[: self.size]
            self._data = grown
        self.size = max(self.size, size)

    def append(self, value: float) -> None:
        place = self.size
        self.reserve(place + 1)
        self._data[place] = value

    def extend(self, values: Sequence[float]) -> None:
        place = self.size
        self.reserve(place + len(values))
        self._data[place : self.size] = values


class Table:
    """A two-dimensional array of counts that grows both ways; row-contiguous."""

    __slots__ = ("_data", "columns", "rows")

    def __init__(self, values: NDArray[Any] | None = None) -> None:
        self._data: NDArray[Any] = np.zeros((16, 16), dtype=np.int32) if values is None else values
        self.rows, self.columns = (0, 0) if values is None else values.shape

    @property
    def view(self) -> NDArray[Any]:
        return self._data[: self.rows, : self.columns]

    def reserve(self, rows: int, columns: int) -> None:
        """Make the filled part at least rows x columns; new places hold zero."""
        have_rows, have_columns = self._data.shape
        if rows > have_rows or columns > have_columns:
            shape = (
                max(rows, 2 * have_rows, 16) if rows > have_rows else have_rows,
                max(columns, 2 * have_columns, 16) if columns > have_columns else have_columns,
            )
            grown = np.zeros(shape, dtype=np.int32)
            grown[: self.rows, : self.columns] = self.view
            self._data = grown
        self.rows = max(self.rows, rows)
        self.columns = max(self.columns, columns)
