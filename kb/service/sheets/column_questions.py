"""What has to be decided about whole columns: the order of days and months, decimals, units and states."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from kb.errors import BadInput
from kb.facts.rail_names import obvious_rail
from kb.facts.reading_lines import parse_reading_line
from kb.facts.sheet_words import folded
from kb.facts.typed_entries import parse_minutes
from kb.facts.vocabulary import SUPPLY_STATES
from kb.facts.written_days import WrittenDay, read_day
from kb.facts.written_numbers import decimal_mark, leading_number, without_currency
from kb.service.sheets import cell_parts, decisions
from kb.service.sheets.fields import DAYS
from kb.service.sheets.rail_heading import any_rail_heading
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import Column

_ORDERS = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
_SERIAL_DAY = {"1900": "counted from 1900 (the usual way)", "1904": "counted from 1904 (old Macintosh files)"}
_HOUR_WORDS = ("hour", "hrs", "std", "stunden", "uren", "uur", "heures", "horas", "(h)", "[h]")
_MINUTE_WORDS = ("min",)
_FLOAT = re.compile(r"[0-9]{1,6}(?:[.,][0-9]{1,2})?")
# What people write where they have nothing to write; common practice.
_BLANKS = frozenset(("", "-", "--", "---", "?", "n a", "na", "n v t", "nvt", "k a", "none", "s o", "x", "0"))


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to decide. `options` are (answer, words); `chosen` "" where nothing is likely enough.

    `sure` where it needs no look; `count` is how many cells it is about, `examples` some of them.
    """

    key: str
    topic: str
    title: str
    options: tuple[tuple[str, str], ...]
    chosen: str = ""
    sure: bool = False
    count: int = 0
    hint: str = ""
    examples: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Its name in a form."""
        return decisions.form_name(self.key)

    @property
    def words(self) -> str:
        """The chosen answer in words."""
        return dict(self.options).get(self.chosen, "")


def about_columns(sheet: Sheet, columns: list[Column], this_year: int) -> Iterator[Question]:
    """The questions about whole columns, in the order of the columns."""
    orders: set[str] = set()
    # The columns that show their order come first to mind: the others are most likely written alike.
    for place, _, _ in sheet.columns_of(*DAYS):
        orders |= set(_orders_shown(columns[place], {}))
    for place, key in enumerate(sheet.keys):
        to, head, column = sheet.targets.get(key, ""), sheet.headings[place], columns[place]
        if not column.filled:
            continue
        unread: list[str] = []
        if to in DAYS:
            likely = next(iter(orders)) if len(orders) == 1 else ""
            yield from _about_days(key, head, column, this_year, unread, likely)
        elif to in ("cost", "minutes", "rail"):
            yield from _about_numbers(to, key, head, column, unread)
        if to in ("rail", "readings"):
            yield _about_state(to, key, head, column)
        if to == "readings":
            unread += [text for text in column.texts if not all(map(_reads, cell_parts.readings(text)))]
        if unread or to == "readings":
            yield _about_unread(key, head, column, unread)


def plural_cells(number: int) -> str:
    """`1 cell`, `2 cells`."""
    return "1 cell" if number == 1 else f"{number:,} cells".replace(",", " ")


def _about_unread(key: str, head: str, column: Column, unread: list[str]) -> Question:
    number = sum(column.texts[text] for text in unread)
    blank = bool(unread) and all(folded(text) in _BLANKS for text in unread)
    return Question(
        decisions.column_key("bad", key),
        head,
        "Cells that cannot be read",
        (
            (decisions.NOTES, "keep it in the notes"),
            (decisions.LEAVE, "leave it out"),
            (decisions.REFUSE, "refuse these rows"),
        ),
        decisions.LEAVE if blank else "" if unread else decisions.REFUSE,
        sure=not unread,
        count=number,
        examples=tuple(unread[:4]),
    )


def _days_in(column: Column) -> dict[str, WrittenDay]:
    return {text: written for text in column.texts if (written := read_day(text)) is not None}


def _orders_shown(column: Column, days: dict[str, WrittenDay]) -> dict[str, int]:
    """How many cells fit one order of day and month only; equal numbers fit every order and show none."""
    found: Counter[str] = Counter()
    for text, written in (days or _days_in(column)).items():
        if len(written.orders) == 1:
            found[written.orders[0]] += column.texts[text]
    return found


def _about_days(
    key: str, head: str, column: Column, this_year: int, unread: list[str], likely: str
) -> Iterator[Question]:
    days = _days_in(column)
    unread += [text for text in column.texts if text not in days]
    yield from _about_order(key, head, column, days, likely)
    short = [text for text, written in days.items() if written.short_year]
    if short:
        last = this_year % 100
        yield Question(
            decisions.column_key("years", key),
            head,
            "Years of two digits",
            (
                (str(this_year), f"00 to {last:02} are 2000 to {this_year}, others 19{last + 1:02} to 1999"),
                ("2099", "all are 20…"),
                ("1999", "all are 19…"),
            ),
            str(this_year),
            count=sum(column.texts[text] for text in short),
            examples=tuple(short[:4]),
        )
    serials = [text for text, written in days.items() if written.kind == "serial"]
    if serials:
        yield Question(
            decisions.column_key("serial", key),
            head,
            "Days that are only a number",
            tuple(_SERIAL_DAY.items()),
            "1900",
            count=sum(column.texts[text] for text in serials),
            examples=tuple(serials[:4]),
        )


def _about_order(
    key: str, head: str, column: Column, days: dict[str, WrittenDay], likely: str
) -> Iterator[Question]:
    doubtful = [text for text, written in days.items() if written.doubtful]
    if not doubtful:
        return
    shows = _orders_shown(column, days)
    one = next(iter(shows)) if len(shows) == 1 else ""
    possible = {order for text in doubtful for order in days[text].orders} | set(shows)
    hint = "No cell shows which number is the month."
    if one:
        hint = f"{plural_cells(shows[one])} can be read in no other way."
    elif shows:
        hint = "Some cells show one order, some another. Those that do not fit are refused."
    elif likely in possible:
        hint = "No cell of this column shows it; another column does."
    yield Question(
        decisions.column_key("order", key),
        head,
        "In which order stand day and month?",
        tuple((order, words) for order, words in _ORDERS.items() if order in possible),
        one or (likely if not shows and likely in possible else ""),
        sure=bool(one) and not column.capped,
        count=sum(column.texts[text] for text in doubtful),
        hint=hint,
        examples=tuple(doubtful[:4]),
    )


def _about_numbers(to: str, key: str, head: str, column: Column, unread: list[str]) -> Iterator[Question]:
    doubtful, shows, plain = [], Counter[str](), []
    for text, number in column.texts.items():
        if to == "rail" and (ends := cell_parts.two_ends(text)):
            for end in ends:
                written = leading_number(end)
                sign = decimal_mark(written[0]) if written else "bad"
                if sign in ("point", "comma"):
                    shows[sign] += number
            continue
        body = without_currency(text) if to == "cost" else text
        split = leading_number(body)
        mark = decimal_mark(body) if split is None or to != "rail" else decimal_mark(split[0])
        if mark == "bad":
            if not (to == "minutes" and _reads_as_minutes(text)) and not (to == "rail" and split):
                unread.append(text)
        elif mark == "doubtful":
            doubtful.append(text)
        elif mark in ("point", "comma"):
            shows[mark] += number
        if to == "minutes" and mark != "bad":
            plain.append(text)
    if doubtful or len(shows) > 1:
        one = next(iter(shows)) if len(shows) == 1 else ""
        yield Question(
            decisions.column_key("mark", key),
            head,
            "Which sign marks the decimals?",
            (("comma", "the comma: 1.234 is 1234"), ("point", "the point: 1,234 is 1234")),
            one,
            sure=bool(one) and not column.capped,
            count=sum(column.texts[text] for text in doubtful),
            hint="Some cells use the one, some the other: those that do not fit are refused."
            if len(shows) > 1
            else "",
            examples=tuple(doubtful[:4]),
        )
    if plain:
        yield _about_time(key, head, column, plain)


def _about_time(key: str, head: str, column: Column, plain: list[str]) -> Question:
    words = head.casefold()
    guess = "hours" if any(word in words for word in _HOUR_WORDS) else ""
    guess = "minutes" if not guess and any(word in words for word in _MINUTE_WORDS) else guess
    sure = bool(guess)
    if not guess:
        sizes = sorted(float(text.replace(",", ".")) for text in plain if _FLOAT.fullmatch(text))
        middle = sizes[len(sizes) // 2] if sizes else 0
        guess = "minutes" if middle >= 13 else "hours" if 0 < middle < 4 else ""
    return Question(
        decisions.column_key("unit", key),
        head,
        "Plain numbers are",
        (("minutes", "minutes"), ("hours", "hours")),
        guess,
        sure=sure,
        count=sum(column.texts[text] for text in plain),
        examples=tuple(plain[:4]),
    )


def _about_state(to: str, key: str, head: str, column: Column) -> Question:
    heading = any_rail_heading(head)
    guess = heading.supply if to == "rail" else ""
    sure = bool(guess)
    if to == "rail" and not guess and (named := obvious_rail(heading.rail)) and named.always_on:
        guess = "standby"
    return Question(
        decisions.column_key("supply", key),
        head,
        "Measured with the supply" if to == "rail" else "Where a reading does not say, the supply was",
        tuple((word.value, f"{word.value} ({word.meaning})") for word in SUPPLY_STATES),
        guess,
        sure=sure,
        count=column.filled,
        examples=tuple(column.samples(2)),
    )


def _reads(line: str) -> bool:
    try:
        return not parse_reading_line(line, ()).over_range
    except BadInput:
        return False


def _reads_as_minutes(text: str) -> bool:
    try:
        parse_minutes(text)
    except BadInput:
        return False
    return True
