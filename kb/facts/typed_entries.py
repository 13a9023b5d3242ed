"""Tolerances, money, dates and durations as people type them."""

from __future__ import annotations

import re
import unicodedata
from datetime import date
from decimal import Decimal
from typing import NoReturn

from kb.facts.typed_text import clean, refuse

LARGEST_AMOUNT = 10_000_000
LONGEST_MINUTES = 60_000
FIRST_YEAR, LAST_YEAR = 1970, 2199

_MONEY_REMEDY = "Write an amount such as 12 or 1.20."
_DATE_REMEDY = "Write the date as year-month-day, such as 2026-03-04."
_MINUTES_REMEDY = "Write minutes such as 20, or hours and minutes such as 1h30."


def parse_tolerance(text: str, *, field: str = "tolerance") -> Decimal:
    """Per cent either way, above 0 and below 100, from `5`, `5%`, `±5 %` or `+/-5%`.

    Raises BadInput for one-sided tolerances, other units and anything out of range.
    """
    remedy = "Write one number of per cent, such as ±5%."
    cleaned = clean(text, field, remedy=remedy)
    if re.search(r"[0-9%]\s*[/+-]", cleaned):
        refuse(text, field, "has two sides", "Write the wider side as one number, such as ±10%.")
    found = re.fullmatch(
        r"(?:±|\+ ?/ ?-|\+-)? ?([0-9]+(?:[.,][0-9]+)?) ?(?:%|percent|per cent|pct)?", cleaned
    )
    if found is None:
        refuse(text, field, "is not a tolerance in per cent", remedy)
    percent = Decimal(found[1].replace(",", "."))
    if not 0 < percent < 100:
        refuse(text, field, "is not between 0 and 100 per cent", remedy)
    return percent


def parse_share(text: str, *, field: str = "share") -> Decimal:
    """A share from 0 to 1, from per cent: `42`, `42.5 %` or `42,5`. Raises BadInput outside 0 to 100."""
    remedy = "Write per cent from 0 to 100, such as 42."
    found = re.fullmatch(r"([0-9]{1,3}(?:[.,][0-9]{1,4})?) ?%?", clean(text, field, remedy=remedy))
    if found is None or Decimal(found[1].replace(",", ".")) > 100:
        refuse(text, field, "is not a number of per cent from 0 to 100", remedy)
    return Decimal(found[1].replace(",", ".")) / 100


def parse_money(text: str, *, field: str = "cost") -> int:
    """Minor units (hundredths) of an amount from 0 to 10,000,000; one currency sign may stand beside it.

    Raises BadInput for negative amounts, grouped thousands and more than two decimals.
    """
    cleaned = clean(text, field, remedy=_MONEY_REMEDY)
    for end in (0, -1):
        if cleaned and unicodedata.category(cleaned[end]) == "Sc":
            cleaned = (cleaned[1:] if end == 0 else cleaned[:-1]).strip()
            break
    if cleaned.startswith("-"):
        refuse(text, field, "is negative", _MONEY_REMEDY)
    if re.fullmatch(r"[0-9]+[.,][0-9]{3,}", cleaned):
        refuse(text, field, "has more than two decimals, or groups thousands", _MONEY_REMEDY)
    found = re.fullmatch(r"([0-9]*)(?:[.,]([0-9]{1,2}))?", cleaned)
    if found is None or not (found[1] or found[2]):
        refuse(text, field, "is not an amount of money", _MONEY_REMEDY)
    minor = int(found[1] or "0") * 100 + int((found[2] or "0").ljust(2, "0"))
    if minor > LARGEST_AMOUNT * 100:
        refuse(text, field, "is more than ten million", _MONEY_REMEDY)
    return minor


def parse_iso_date(text: str, *, field: str = "date") -> date:
    """A day of the calendar from exactly `YYYY-MM-DD`, years 1970 to 2199. Raises BadInput otherwise."""
    cleaned = clean(text, field, remedy=_DATE_REMEDY)
    found = re.fullmatch(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", cleaned)
    if found is None:
        _refuse_date(cleaned, field)
    year, month, day = (int(part) for part in found.groups())
    if not FIRST_YEAR <= year <= LAST_YEAR:
        refuse(text, field, f"is not between {FIRST_YEAR} and {LAST_YEAR}", _DATE_REMEDY)
    try:
        return date(year, month, day)
    except ValueError:
        refuse(text, field, "is not a day of the calendar", _DATE_REMEDY)


def parse_minutes(text: str, *, field: str = "minutes") -> int:
    """Whole minutes, 0 to 60,000, from `20`, `90 min`, `1h30`, `1 h 30 min`, `2h` or `1.5 h`.

    Raises BadInput for `1:30`, which may be minutes and seconds, and for fractions of a minute.
    """
    cleaned = clean(text, field, remedy=_MINUTES_REMEDY).casefold()
    if re.fullmatch(r"[0-9]+:[0-9]+", cleaned):
        refuse(text, field, "may be hours and minutes or minutes and seconds", _MINUTES_REMEDY)
    if re.search(r"^-|[0-9] ?- ?[0-9]", cleaned):
        refuse(text, field, "is negative or a range", _MINUTES_REMEDY)
    hour, minute = r"(?:h|hr|hrs|hour|hours)", r"(?:m|min|mins|minute|minutes)"
    only_minutes = re.fullmatch(rf"([0-9]+) ?{minute}?", cleaned)
    both = re.fullmatch(rf"([0-9]+) ?{hour} ?([0-5]?[0-9]) ?{minute}?", cleaned)
    only_hours = re.fullmatch(rf"([0-9]+(?:[.,][0-9]+)?) ?{hour}", cleaned)
    if only_minutes:
        total = Decimal(only_minutes[1])
    elif both:
        total = Decimal(both[1]) * 60 + Decimal(both[2])
    elif only_hours:
        total = Decimal(only_hours[1].replace(",", ".")) * 60
    else:
        refuse(text, field, "is not a number of whole minutes", _MINUTES_REMEDY)
    if total > LONGEST_MINUTES:
        refuse(text, field, f"is more than {LONGEST_MINUTES} minutes", _MINUTES_REMEDY)
    if total != total.to_integral_value():
        refuse(text, field, "is not a number of whole minutes", _MINUTES_REMEDY)
    return int(total)


def _refuse_date(cleaned: str, field: str) -> NoReturn:
    parts = re.fullmatch(r"([0-9]{1,2})[./ -]([0-9]{1,2})[./ -]([0-9]{2}|[0-9]{4})", cleaned)
    if parts and int(parts[1]) <= 12 and int(parts[2]) <= 12 and parts[1] != parts[2]:
        refuse(cleaned, field, "is ambiguous: which number is the month?", _DATE_REMEDY)
    refuse(cleaned, field, "is not a date as year-month-day", _DATE_REMEDY)
