"""Rows that belong to one case, brought together."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from kb.service.sheets.building import Row

Rows = Callable[[], Iterable[Row]]
NumberOf = Callable[[list[str]], str]


def grouped(
    rows: Rows, number_of: NumberOf, names_board: Callable[[list[str]], bool], *, to_above: bool
) -> Iterator[tuple[list[Row], int]]:
    """(rows of one case, which of several equal rows it is) of all rows, which are read twice.

    Rows with one case number are one case wherever they stand; a row without any is a case of its own, or
    belongs to the row above where `to_above` and it names no board either. Only rows whose case is not
    complete yet are held.
    """
    left = Counter(key for key, _ in _keyed(rows(), number_of, names_board, to_above))
    waiting: dict[str, list[Row]] = {}
    seen: Counter[bytes] = Counter()
    for key, row in _keyed(rows(), number_of, names_board, to_above):
        left[key] -= 1
        waiting.setdefault(key, []).append(row)
        if left[key]:
            continue
        del left[key]
        group = waiting.pop(key)
        if number_of(group[0][1]):
            yield group, 1
            continue
        digest = hashlib.blake2b(
            "\x1f".join(cell.strip() for _, cells in group for cell in cells if cell.strip()).encode(),
            digest_size=12,
        ).digest()
        seen[digest] += 1
        yield group, seen[digest]


def _keyed(
    rows: Iterable[Row], number_of: NumberOf, names_board: Callable[[list[str]], bool], to_above: bool
) -> Iterator[tuple[str, Row]]:
    last = ""
    for number, cells in rows:
        own = number_of(cells)
        if own:
            last = f"n{own}"
        elif not (to_above and last and not names_board(cells)):
            last = f"r{number}"
        yield last, (number, cells)
