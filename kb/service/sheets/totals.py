"""Rows of sums at the end of a sheet: "Summe", "26 boards", the totals of its columns. They are no cases."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from kb.facts.sheet_words import TOTALS, folded
from kb.facts.written_numbers import decimal_mark, without_currency

Row = tuple[int, list[str]]
ANSWER, IS_CASE = "rows of sums", "case"
"""The question about them, and the answer that takes them as cases."""
_LAST = 3  # rows that are looked at
_LEAST = 3  # rows above, at the least
_SAME = 0.006  # of sums that were rounded row by row
# Common practice, no published source.
_COUNTED = re.compile(
    r"(?:(?:total|summe|gesamt|totaal|totale)[ :=]*)?[0-9]{1,6} ?x? ?"
    r"(?:boards?|cards?|jobs?|repairs?|rows?|cases?|items?|units?|pcs|pieces?|sets?|platinen?|baugruppen?|ger[aä]te?|"
    r"st(?:ü|ue)ck|stk|auftr[aä]ge|reparaturen|f[aä]lle|printen|prints?|stuks?|toestellen|reparaties|cartes?|pi[eè]ces|"
    r"appareils?|r[eé]parations|placas?|tarjetas|equipos|reparaciones|schede|pezzi|riparazioni)\.?",
    re.IGNORECASE,
)
_HOURS = re.compile(r"([0-9.,]{1,9}) ?(?:h|hrs?|std|uur|min)\.?", re.IGNORECASE)
_CLOCK = re.compile(r"([0-9]{1,4}) ?[h:] ?([0-5][0-9])", re.IGNORECASE)


def rows_of_sums(rows: Callable[[], Iterable[Row]]) -> list[Row]:
    """The rows at the end that only sum up those above; `rows` is read once more where some may."""
    last: deque[Row] = deque(maxlen=_LAST)
    many = 0
    for number, cells in rows():
        if any(cell.strip() for cell in cells):
            many += 1
            last.append((number, cells))
    likely: list[Row] = []
    for row in reversed(last):
        if not _only_counts(row[1]):
            break
        likely.append(row)
    if not likely or many - len(likely) < _LEAST:
        return []
    first = min(number for number, _ in likely)
    sums = _sums((cells for number, cells in rows() if number < first), [cells for _, cells in likely])
    return [row for row in reversed(likely) if _says_total(row[1]) or _fits(row[1], sums)]


def _only_counts(cells: Sequence[str]) -> bool:
    """Whether a row holds numbers and words of a total, and nothing else."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    return all(_is_total(cell) or _amount(cell) is not None for cell in filled)


def _says_total(cells: Sequence[str]) -> bool:
    return any(_is_total(cell.strip()) for cell in cells if cell.strip())


def _is_total(cell: str) -> bool:
    return folded(cell) in TOTALS or _COUNTED.fullmatch(cell) is not None


def _amount(cell: str) -> float | None:
    """A number, an amount of money or a time as a number; None for what is none."""
    text = without_currency(cell)
    if clock := _CLOCK.fullmatch(text):
        return int(clock[1]) + int(clock[2]) / 60
    if timed := _HOURS.fullmatch(text):
        text = timed[1]
    if decimal_mark(text) == "bad":
        return None
    digits = re.sub("[ ']", "", text)
    mark = max(digits.rfind("."), digits.rfind(","))
    whole = re.sub("[.,]", "", digits[:mark] if mark >= 0 else digits)
    return float(f"{whole or 0}.{digits[mark + 1 :]}" if mark >= 0 else whole)


def _sums(rows: Iterable[list[str]], likely: Sequence[Sequence[str]]) -> dict[int, tuple[float, int]]:
    """(sum, cells) of each column in which one of the `likely` rows has a number."""
    places = {place for cells in likely for place, cell in enumerate(cells) if cell.strip()}
    found = dict.fromkeys(places, (0.0, 0))
    for cells in rows:
        for place in places:
            if (
                place < len(cells)
                and cells[place].strip()
                and (amount := _amount(cells[place].strip())) is not None
            ):
                total, many = found[place]
                found[place] = (total + amount, many + 1)
    return found


def _fits(cells: Sequence[str], sums: dict[int, tuple[float, int]]) -> bool:
    """Whether a row without a word has the sum of a column in which several rows have numbers."""
    for place, cell in enumerate(cells):
        amount = _amount(cell.strip()) if cell.strip() else None
        total, many = sums.get(place, (0.0, 0))
        if amount and many >= _LEAST and abs(amount - total) <= _SAME * many:
            return True
    return False
