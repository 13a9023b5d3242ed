"""Days as spreadsheets hold them, read without guessing which number is the month.

`read_day` says what was written; `settle` makes a day of it once somebody has said how the doubtful ones
are meant. Month names are read in English, German, Dutch, French and Spanish.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from kb.facts.typed_entries import FIRST_YEAR, LAST_YEAR

Kind = Literal["exact", "numbers", "serial"]
Order = Literal["dmy", "mdy", "ymd"]

_MONTHS: dict[str, int] = {}
for _number, _names in enumerate(
    (
        "jan january januar januari janvier enero ene janv jän jänner",
        "feb february februar februari février fevrier febrero fév fevr févr",
        "mar march märz maerz mrz maart mrt mars marzo mär",
        "apr april avril abril avr abr",
        "may mai mei mayo",
        "jun june juni juin junio",
        "jul july juli juillet julio juil",
        "aug august augustus août aout agosto ago",
        "sep sept september septembre septiembre",
        "oct okt october oktober octobre octubre",
        "nov november novembre noviembre",
        "dec dez december dezember décembre decembre diciembre dic déc",
    ),
    start=1,
):
    _MONTHS.update(dict.fromkeys(_names.split(), _number))

_TIME = r"(?:[T ,]+[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?\s?(?:[AaPp]\.?[Mm]\.?)?Z?)?"
_EXACT = re.compile(rf"([0-9]{{4}})([-/.])([0-9]{{1,2}})\2([0-9]{{1,2}})\.?{_TIME}")
_RUN = re.compile(r"((?:19|20|21)[0-9]{2})([0-9]{2})([0-9]{2})")
_NUMBERS = re.compile(rf"([0-9]{{1,2}})([-/. ])([0-9]{{1,2}})\2[ ']?([0-9]{{4}}|[0-9]{{2}}){_TIME}")
_NAMED = re.compile(
    r"([0-9]{1,2})(?:st|nd|rd|th|er|e)?[-./ ]{0,2}(?:de )?([^\W\d_]{3,10})[-./ ,]{0,2}(?:de )?"
    rf"([0-9]{{4}}|'?[0-9]{{2}}){_TIME}"
)
_MONTH_FIRST = re.compile(
    rf"([^\W\d_]{{3,10}})[. ]{{1,2}}([0-9]{{1,2}})(?:st|nd|rd|th)?[, ]{{1,2}}([0-9]{{4}}){_TIME}"
)
_WEEKDAY = re.compile(r"[^\W\d_]{2,10}[.,]{0,2} (?=[0-9])")
_SERIAL = re.compile(r"([0-9]{5})(?:[.,][0-9]{1,12})?")
# Day 1 of the 1900 system is 1 January 1900, and it counts a 29 February 1900 that never was, so that every
# day from March 1900 on lies 25,569 days before 1970. ECMA-376 part 1, 18.17.4; from memory.
_EPOCHS = {"1900": date(1899, 12, 30), "1904": date(1904, 1, 1)}
_SERIALS = range(25_569, 73_051)


@dataclass(frozen=True, slots=True)
class WrittenDay:
    """What was written. `exact`: year, month, day. `numbers`: three numbers as they stood, the last one
    the year unless the order says otherwise. `serial`: a spreadsheet's day number in `first`.
    `may_lead`: a year of two digits may stand first, as it does between hyphens but not between dots."""

    kind: Kind
    first: int
    second: int = 0
    third: int = 0
    short_year: bool = False
    may_lead: bool = False

    @property
    def orders(self) -> tuple[Order, ...]:
        """The orders in which the numbers make a day of the calendar; () for what is no such question."""
        if self.kind != "numbers":
            return ()
        found: list[Order] = []
        if _fits(self.third, self.second, self.first, self.short_year):
            found.append("dmy")
        if _fits(self.third, self.first, self.second, self.short_year):
            found.append("mdy")
        if self.may_lead and _fits(self.first, self.second, self.third, True):
            found.append("ymd")
        return tuple(found)

    @property
    def doubtful(self) -> bool:
        """Whether the order of the numbers changes the day."""
        return len({self.settled(order, 2000) for order in self.orders}) > 1

    def settled(self, order: str, century: int) -> tuple[int, int, int]:
        """(year, month, day) in an order, short years in a century."""
        if self.kind != "numbers":
            return self.first + (century if self.short_year else 0), self.second, self.third
        year, month, day = {
            "dmy": (self.third, self.second, self.first),
            "mdy": (self.third, self.first, self.second),
            "ymd": (self.first, self.second, self.third),
        }[order]
        return year + (century if self.short_year else 0), month, day


def _fits(year: int, month: int, day: int, short: bool) -> bool:
    return _day(year + (2000 if short else 0), month, day) is not None


def _day(year: int, month: int, day: int) -> date | None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None
    try:
        return date(year, month, day)
    except ValueError:
        return None


def read_day(text: str) -> WrittenDay | None:
    """What a text says of a day, None where it is none. A time of day after it is passed over."""
    text = text.strip()
    if len(text) > 40:
        return None
    if found := _EXACT.fullmatch(text):
        return _exact(int(found[1]), int(found[3]), int(found[4]))
    if found := _RUN.fullmatch(text):
        return _exact(int(found[1]), int(found[2]), int(found[3]))
    if (found := _SERIAL.fullmatch(text)) and int(found[1]) in _SERIALS:
        return WrittenDay("serial", int(found[1]))
    bare = _WEEKDAY.sub("", text, count=1) if text[:1].isalpha() else text
    if found := _NUMBERS.fullmatch(bare):
        short = len(found[4]) == 2
        may_lead = short and found[2] in "-/"
        made = WrittenDay("numbers", int(found[1]), int(found[3]), int(found[4]), short, may_lead)
        return made if made.orders else None
    return _named(text, bare)


def _named(text: str, bare: str) -> WrittenDay | None:
    if found := _NAMED.fullmatch(bare):
        day, name, year = found[1], found[2], found[3].lstrip("'")
    elif found := _MONTH_FIRST.fullmatch(text):
        name, day, year = found.groups()
    else:
        return None
    month = _MONTHS.get(name.casefold())
    if month is None:
        return None
    short = len(year) == 2
    if _day(int(year) + (2000 if short else 0), month, int(day)) is None:
        return None
    return WrittenDay("exact", int(year), month, int(day), short)


def _exact(year: int, month: int, day: int) -> WrittenDay | None:
    return None if _day(year, month, day) is None else WrittenDay("exact", year, month, day)


def settle(written: WrittenDay, *, order: str, system: str, last_year: int) -> date | None:
    """The day that is meant, None where it is still in doubt.

    `order` is "dmy", "mdy", "ymd" or "" where nobody said; `system` "1900", "1904" or "" for day numbers;
    `last_year` is the latest year that a year of two digits may mean, 0 where nobody said: it is taken
    for the latest such year that is not after it.
    """
    if written.kind == "serial":
        return _EPOCHS[system] + timedelta(days=written.first) if system in _EPOCHS else None
    if written.short_year and not last_year:
        return None
    orders = written.orders
    if written.kind == "numbers" and order not in orders:
        if order or written.doubtful or not orders:
            return None
        order = orders[0]
    year, month, day = written.settled(order, 2000)
    if written.short_year and year > last_year:
        year -= 100
    return _day(year, month, day)
