"""Time spent, money and days among the words."""

from __future__ import annotations

import re
from collections.abc import Sequence

from kb.facts.written_days import read_day
from kb.reading import little_words
from kb.reading.tokens import NUMBER, QUANTITY, SIGN, WORD, Token

_DAY = re.compile(
    r"(?<![\w.,/-])(?:[0-9]{4}([-/.])[0-9]{1,2}\1[0-9]{1,2}|[0-9]{1,2}([-/.])[0-9]{1,2}\2(?:[0-9]{4}|[0-9]{2}))(?![\w/]|[.,-][0-9])"
)


def find_days(text: str) -> list[tuple[int, int, str]]:
    """(start, end, day as year-month-day) of the days that are written in one clear way.

    With full stops between the numbers the day stands first wherever that is the custom; years of two
    digits are of this century. What could be two days is left alone.
    """
    found = []
    for match in _DAY.finditer(text):
        written = read_day(match.group())
        if written is None:
            continue
        order = "dmy" if match[2] == "." or (not written.doubtful and "dmy" in written.orders) else "mdy"
        if written.kind == "numbers" and (
            order not in written.orders or (written.doubtful and match[2] != ".")
        ):
            continue
        year, month, day = written.settled(order, 2000)
        found.append((match.start(), match.end(), f"{year:04d}-{month:02d}-{day:02d}"))
    return found


def clauses(tokens: Sequence[Token]) -> list[tuple[int, int]]:
    """(first, behind the last) token of each clause."""
    found: list[tuple[int, int]] = []
    for at, token in enumerate(tokens):
        if not found or tokens[found[-1][0]].clause != token.clause:
            found.append((at, at + 1))
        else:
            found[-1] = (found[-1][0], at + 1)
    return found


def find_minutes(
    tokens: Sequence[Token], acted: frozenset[int] = frozenset()
) -> tuple[int, int, float] | None:
    """(first token, last token, minutes) of the time spent: a duration that stands alone or beside "work".

    One that ends a clause of what was done counts as well; `acted` are the clauses in which something was.
    """
    best = None
    for first, behind in clauses(tokens):
        times = [
            at
            for at in range(first, behind)
            if tokens[at].kind == QUANTITY and tokens[at].unit == "min" and tokens[at].value
        ]
        if len(times) != 1:
            continue
        at = times[0]
        others = [tokens[place] for place in range(first, behind) if place != at]
        words = {token.folded for token in others if token.kind == WORD}
        alone = all(
            token.folded in little_words.FILLER or token.folded in little_words.WORK or token.kind == SIGN
            for token in others
        )
        with_money = all(
            token.folded in little_words.FILLER | little_words.WORK | little_words.MATERIAL
            or (token.kind in (SIGN, QUANTITY) and token.unit in ("money", ""))
            for token in others
        )
        closes = at == max(range(first, behind), key=lambda place: (tokens[place].kind != SIGN, place))
        ends_work = closes and tokens[at].clause in acted and not words & little_words.RUN
        if alone or with_money or ends_work or (words & little_words.WORK and len(others) <= 4):
            best = (at, at, float(tokens[at].value or 0))
    if best is None or not 0 < best[2] <= 60_000 or best[2] != int(best[2]):
        return None
    return best


def find_cost(tokens: Sequence[Token], minutes_at: int | None) -> tuple[int, int, float] | None:
    """(first token, last token, amount) of what the parts cost."""
    best = None
    for first, behind in clauses(tokens):
        words = {token.folded for token in tokens[first:behind] if token.kind == WORD}
        if words & little_words.NOT_PAID:
            continue
        for at in range(first, behind):
            token = tokens[at]
            if token.value is None or not 0 < token.value < 100_000:
                continue
            if (token.kind == QUANTITY and token.unit == "money") or (
                token.kind == NUMBER and _is_price(tokens, first, behind, at, minutes_at)
            ):
                best = (at, at, token.value)
    return best


def _is_price(tokens: Sequence[Token], first: int, behind: int, at: int, minutes_at: int | None) -> bool:
    """A bare number beside "parts", or with two decimals alone in the clause next to the time spent."""
    others = [tokens[place] for place in range(first, behind) if place != at]
    words = {token.folded for token in others if token.kind == WORD}
    paid = {
        "parts",
        "material",
        "materials",
        "cost",
        "kosten",
        "teile",
        "pieces",
        "onderdelen",
        "piezas",
        "ricambi",
        "pezzi",
        "materiel",
        "bits",
        "cout",
        "coste",
        "costo",
    }
    if (
        words & paid
        and words <= little_words.MATERIAL
        and len(others) <= 4
        and tokens[at].end - tokens[at].start >= 3
    ):
        return True
    written = tokens[at].end - tokens[at].start
    near = minutes_at is not None and abs(minutes_at - at) <= 2
    return near and not words and written >= 4 and tokens[at].value != int(tokens[at].value or 0)
