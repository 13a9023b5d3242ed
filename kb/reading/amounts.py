"""Time spent, money and days among the words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from kb.facts.written_days import read_day
from kb.reading import function_words
from kb.reading.tokens import CODE, NUMBER, QUANTITY, RAIL, SIGN, VOLTS, WORD, Token

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


# Durations in words, longest first, with their minutes; "d" and "l" are what an apostrophe leaves.
_SPOKEN = tuple(
    sorted(
        (
            (tuple(phrase.split()), minutes)
            for minutes, phrases in {
                15.0: "quarter of an hour, quarter hour, viertelstunde, eine viertelstunde, ein viertelstuendchen, "
                "viertelstuendchen, quart d heure, un quart d heure, petit quart d heure, kwartier, kwartiertje, "
                "een kwartier, een kwartiertje, cuarto de hora, un cuarto de hora, quarto d ora, un quarto d ora, "
                "un quartino",
                30.0: "half an hour, half hour, half a hour, halbe stunde, eine halbe stunde, halben stunde, "
                "halbes stuendchen, demi heure, une demi heure, petite demi heure, half uur, half uurtje, "
                "een half uur, een half uurtje, halfuur, halfuurtje, media hora, mezz ora, mezzora, mezz oretta, "
                "una mezz ora, una mezzora, mezza ora",
                45.0: "three quarters of an hour, dreiviertelstunde, eine dreiviertelstunde, dreiviertel stunde, "
                "trois quarts d heure, driekwartier, drie kwartier, tres cuartos de hora, tre quarti d ora",
                60.0: "an hour, one hour, eine stunde, ein stuendchen, stuendchen, une heure, een uur, uurtje, "
                "een uurtje, een uur, una hora, un ora, un oretta, una oretta, una horita, oretta, bon hour",
                90.0: "an hour and a half, one and a half hours, hour and a half, anderthalb stunden, "
                "eineinhalb stunden, einundhalb stunden, une heure et demie, heure et demie, anderhalf uur, "
                "anderhalf uurtje, hora y media, una hora y media, un ora e mezza, un ora e mezzo, ora e mezza, "
                "ora e mezzo",
                120.0: "two hours, a couple of hours, couple of hours, zwei stunden, deux heures, twee uur, "
                "twee uurtjes, dos horas, due ore, un paio d ore, un par de horas, zwei stuendchen",
                150.0: "two and a half hours, zweieinhalb stunden, deux heures et demie, tweeenhalf uur, "
                "twee en een half uur, dos horas y media, due ore e mezza, due ore e mezzo",
            }.items()
            for phrase in phrases.split(", ")
        ),
        key=lambda one: -len(one[0]),
    )
)
_COUNTED = {
    1: "one, un, une, ein, eine, einen, een, uno, una",
    2: "two, zwei, deux, twee, dos, due, a couple of",
    3: "three, drei, trois, drie, tres, tre",
    4: "four, vier, quatre, cuatro, quattro",
    5: "five, fuenf, cinq, vijf, cinco, cinque",
    6: "six, sechs, zes, seis, sei",
    8: "eight, acht, huit, ocho, otto",
    10: "ten, zehn, dix, tien, diez, dieci",
    12: "twelve, zwoelf, douze, twaalf, doce, dodici",
    15: "fifteen, fuenfzehn, quinze, vijftien, quince, quindici",
    20: "twenty, zwanzig, vingt, twintig, veinte, venti",
    25: "twenty five, fuenfundzwanzig, vingt cinq, vijfentwintig, veinticinco, venticinque",
    30: "thirty, dreissig, trente, dertig, treinta, trenta",
    35: "thirty five, trente cinq, vijfendertig, treinta y cinco, trentacinque",
    40: "forty, vierzig, quarante, veertig, cuarenta, quaranta",
    45: "forty five, fuenfundvierzig, quarante cinq, vijfenveertig, cuarenta y cinco, quarantacinque",
    50: "fifty, fuenfzig, cinquante, vijftig, cincuenta, cinquanta",
    90: "ninety, neunzig, negentig, noventa, novanta",
}
_SPOKEN += tuple(
    ((*phrase.split(), unit), float(number) * factor)
    for number, phrases in _COUNTED.items()
    for phrase in phrases.split(", ")
    for unit, factor in (
        *((unit, 1.0) for unit in ("minutes", "mins", "min", "minuten", "minuut", "minutos", "minuti")),
        *((unit, 60.0) for unit in ("hours", "hrs", "stunden", "heures", "uur", "horas", "ore")),
    )
    if number > 1 and (number >= 5 or factor > 1)
)
_SPOKEN = tuple(sorted(_SPOKEN, key=lambda one: -len(one[0])))
_COINS = frozenset(
    ("euro", "euros", "eur", "quid", "pound", "pounds", "dollar", "dollars", "bucks", "franken", "francs")
)
_NUMBER_WORDS = {
    tuple(phrase.split()): float(number)
    for number, phrases in _COUNTED.items()
    for phrase in phrases.split(", ")
}
_SPOKEN_BY_FIRST: dict[str, list[tuple[tuple[str, ...], float]]] = {}
for _phrase, _minutes in _SPOKEN:
    _SPOKEN_BY_FIRST.setdefault(_phrase[0], []).append((_phrase, _minutes))


def _spoken_time(tokens: Sequence[Token], at: int, behind: int) -> tuple[int, float] | None:
    """(last token, minutes) of a duration in words that begins at token `at`."""
    if tokens[at].kind != WORD:
        return _fraction(tokens, at, behind)
    for phrase, minutes in _SPOKEN_BY_FIRST.get(tokens[at].folded, ()):
        held: list[str] = []
        place = at
        while place < behind and len(held) < len(phrase):
            if tokens[place].kind != SIGN:
                held.append(tokens[place].folded)
            place += 1
        if tuple(held) == phrase:
            return place - 1, minutes
    return None


def _fraction(tokens: Sequence[Token], at: int, behind: int) -> tuple[int, float] | None:
    """ "3/4 d'heure", "1/4 h", "½ Stunde": parts of an hour."""
    words = [token.folded for token in tokens[at : min(behind, at + 5)]]
    if len(words) < 3 or tokens[at].kind != NUMBER or words[1] != "/" or words[0] not in ("1", "3"):
        return None
    last = next((at + step for step in (3, 4) if step < len(words) and words[step] in _HOURS), None)
    if last is None and tokens[at + 2].unit == "min":
        return at + 2, 60.0 * float(words[0]) / ((tokens[at + 2].value or 60.0) / 60.0)
    if last is None or tokens[at + 2].value not in (2, 4):
        return None
    return last, 60.0 * float(words[0]) / float(tokens[at + 2].value or 1)


_HOURS = frozenset(("h", "hour", "hours", "heure", "stunde", "uur", "hora", "ora", "std"))


_INTO = frozenset(("in", "into", "later", "ago", "earlier"))


def _times(tokens: Sequence[Token], first: int, behind: int) -> list[tuple[int, int, float]]:
    """(first token, last token, minutes) of every duration of a clause."""
    found: list[tuple[int, int, float]] = []
    at = first
    while at < behind:
        token = tokens[at]
        spoken = _spoken_time(tokens, at, behind)
        if spoken is not None:
            found.append((at, spoken[0], spoken[1]))
            at = spoken[0]
        elif (minutes := _written_minutes(token)) is not None:
            last = at
            if (
                minutes >= _AN_HOUR
                and at + 1 < behind
                and (rest := _minutes_beside(tokens[at + 1])) is not None
            ):
                last, minutes = at + 1, minutes + rest  # "2h 10m", "1 hr 15"
            found.append((at, last, minutes))
            at = last
        at += 1
    return found


_AN_HOUR = 60.0
_SHORT_MINUTES = re.compile(r"([1-9][0-9]{0,2})m")


def _written_minutes(token: Token) -> float | None:
    """ "45 min", also "45m"."""
    if token.kind == QUANTITY and token.unit == "min" and token.value:
        return token.value
    short = _SHORT_MINUTES.fullmatch(token.folded) if token.kind == CODE else None
    return float(short[1]) if short and float(short[1]) >= _FEWEST_SHORT else None


_FEWEST_SHORT = 5.0  # of a number with a bare "m", which may be metres


def _minutes_beside(token: Token) -> float | None:
    """The minutes that follow hours."""
    if (
        token.kind == NUMBER
        and token.value
        and token.value == int(token.value)
        and 5 <= token.value < _AN_HOUR
    ):
        return token.value
    minutes = _written_minutes(token)
    return minutes if minutes is not None and minutes < _AN_HOUR else None


def find_minutes(
    tokens: Sequence[Token], acted: frozenset[int] = frozenset()
) -> tuple[int, int, float] | None:
    """(first token, last token, minutes) of the time spent: a duration that stands alone or beside "work".

    One that ends a clause of what was done counts as well; `acted` are the clauses in which something was.
    """
    best = None
    for first, behind in clauses(tokens):
        times = _times(tokens, first, behind)
        if len(times) != 1:
            continue
        at, last, minutes = times[0]
        if last + 1 < behind and tokens[last + 1].folded in _INTO:
            continue  # "about 40 minutes in": when it happened
        others = [tokens[place] for place in range(first, behind) if not at <= place <= last]
        words = {token.folded for token in others if token.kind == WORD}
        alone = all(
            token.folded in function_words.FILLER or token.folded in function_words.WORK or token.kind == SIGN
            for token in others
        )
        with_money = all(
            token.folded in function_words.FILLER | function_words.WORK | function_words.MATERIAL
            or (token.kind in (SIGN, QUANTITY) and token.unit in ("money", ""))
            or _is_beside_end(token)
            or _pence(token) is not None
            for token in others
        )
        closes = all(_is_beside_end(tokens[place]) for place in range(last + 1, behind))
        ends_work = closes and tokens[at].clause in acted and not words & function_words.RUN
        done_in = (
            at - first >= 2
            and tokens[at - 1].folded in _WITHIN
            and tokens[at - 2].folded in function_words.DONE
        )
        if alone or with_money or ends_work or done_in or (words & function_words.WORK and len(others) <= 4):
            best = (at, last, minutes)
    if best is None or not 0 < best[2] <= 60_000 or best[2] != int(best[2]):
        return None
    return best


_WITHIN = frozenset(("in", "within", "binnen", "en"))
_PENCE = re.compile(r"([1-9][0-9]?)p")


def _pence(token: Token) -> float | None:
    """ "90p", which is also a capacitance: where it counts, the words beside it say."""
    found = _PENCE.fullmatch(token.folded) if token.kind == QUANTITY and token.unit == "F" else None
    return float(found[1]) / 100 if found else None


_TWO_DECIMALS = re.compile(r"[0-9]{1,3}[.,][0-9]{2}")


def _is_beside_end(token: Token) -> bool:
    """What may stand behind the time at the end of a clause: its price, and what joins the two."""
    return (
        token.kind == SIGN
        or token.unit == "money"
        or token.folded in function_words.MATERIAL | function_words.FOR
        or token.folded in _COINS
        or (token.folded,) in _NUMBER_WORDS
        or bool(token.kind == NUMBER and _TWO_DECIMALS.fullmatch(token.folded))
    )


def _spoken_money(tokens: Sequence[Token], at: int, first: int) -> tuple[int, float] | None:
    """(first token, amount) of "two euros" whose last word is token `at`."""
    if tokens[at].folded not in _COINS:
        return None
    for size in (2, 1):
        words = tuple(token.folded for token in tokens[max(first, at - size) : at])
        if len(words) == size and words in _NUMBER_WORDS:
            return at - size, _NUMBER_WORDS[words]
    return None


def find_cost(
    tokens: Sequence[Token],
    minutes_at: tuple[int, int] | None,
    acted: int | None = None,
    volts: Sequence[float] = (),
) -> tuple[int, int, float] | None:
    """(first token, last token, amount) of what the parts cost.

    A bare number counts where it is written like a price. `acted` is the first token that says what was done,
    `volts` are those of the supplies that are known, near which a bare number is no price.
    """
    best = None
    for first, behind in clauses(tokens):
        clause = tokens[first:behind]
        said = [token.folded for token in clause if token.kind == WORD]
        words = frozenset(said)
        if words & function_words.NOT_PAID:
            continue
        plain = len(said) <= _MOST_BESIDE_PRICE and not any(
            one.kind in (VOLTS, RAIL) or one.unit in ("V", "ohm", "F") for one in clause
        )
        for at in range(first, behind):
            token = tokens[at]
            if _is_price_of_new(tokens, at):
                continue
            if (
                pence := _pence(token)
            ) is not None and words <= function_words.MATERIAL | function_words.FOR | function_words.WORK:
                best = (at, at, pence)
                continue
            if (spoken := _spoken_money(tokens, at, first)) is not None:
                best = (spoken[0], at, spoken[1])
            if token.value is None or not 0 < token.value < 100_000:
                continue
            if (token.kind == QUANTITY and token.unit == "money") or (
                token.kind == NUMBER
                and (
                    _is_price(tokens, at, words, len(clause) - 1, minutes_at)
                    or (
                        plain
                        and acted is not None
                        and at > acted
                        and _written_as_price(tokens, behind, at, volts)
                    )
                )
            ):
                best = (at, at, token.value)
    return best


def _is_price_of_new(tokens: Sequence[Token], at: int) -> bool:
    """ "new 45", "a new one 45": the price of another device, unlike "new belt 4.50" and "nuevo 1,20"."""
    value = tokens[at].value or 0.0
    words = [
        tokens[place].folded if 0 <= place < len(tokens) and tokens[place].clause == tokens[at].clause else ""
        for place in (at - 2, at - 1, at + 1)
    ]
    another = words[0] in function_words.NEW and words[1] in ("one", "ones", "unit", "set", "tv")
    beside = words[1] in _NEW_DEVICE or words[2] in _NEW_DEVICE
    return another or (beside and value >= _DEVICE_PRICE)


_NEW_DEVICE = frozenset(("new", "neu", "neuf", "nieuw", "nuevo", "nuovo"))
_DEVICE_PRICE = 10.0  # from which on a bare "new" beside it speaks of a whole device; common practice


_PRICE = re.compile(r"[0-9]{1,3}[.,][0-9][059]")
_USUAL_VOLTS = (3.3, 5.0, 12.0, 15.0, 24.0)
_NEAR_VOLTS = 0.03
_MOST_BESIDE_PRICE = 5


def _is_near_volts(value: float, volts: Iterable[float] = ()) -> bool:
    """Whether a number is near a usual supply's volts or one of `volts`."""
    return any(abs(value - usual) <= _NEAR_VOLTS * usual for usual in (*_USUAL_VOLTS, *map(abs, volts)))


def _written_as_price(tokens: Sequence[Token], behind: int, at: int, volts: Sequence[float]) -> bool:
    """ "new fan 6.90", "replaced (4.50)": two decimals of which the last is one of a price, at the end of a clause."""
    token = tokens[at]
    if not _PRICE.fullmatch(token.folded) or token.value is None:
        return False
    if _is_near_volts(token.value, volts):
        return False
    before = tokens[at - 1] if at else None
    if before is not None and before.kind == SIGN and before.folded not in ("(", ",", ":", "-", "/"):
        return False
    return at + 1 >= behind or tokens[at + 1].kind == SIGN


def _is_price(
    tokens: Sequence[Token], at: int, words: frozenset[str], others: int, minutes_at: tuple[int, int] | None
) -> bool:
    """A bare number beside "parts", or with two decimals alone in the clause next to the time spent.

    `words` are those of its clause, `others` the number of tokens in it besides the number.
    """
    written = tokens[at].end - tokens[at].start
    if (
        words & function_words.PAID
        and words <= function_words.MATERIAL | function_words.FOR | {"inc", "incl", "me", "us", "him", "her"}
        and others <= 4
        and written >= 3
    ):
        return True
    near = minutes_at is not None and min(abs(place - at) for place in minutes_at) <= 2
    ends = minutes_at is not None and 0 < at - minutes_at[1] <= 2 and at + 1 == len(tokens)
    if _is_near_volts(tokens[at].value or 0.0) and not ends:  # "… even. 50 min, 12.00"
        return False
    return near and not words and bool(_TWO_DECIMALS.fullmatch(tokens[at].folded))
