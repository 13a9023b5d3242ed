"""The days that a query names: "november 2026", "2026-03", "last winter", in six languages."""

from __future__ import annotations

import calendar
import re
from datetime import date
from typing import NamedTuple

from kb.facts.typed_entries import FIRST_YEAR, LAST_YEAR
from kb.reading.amounts import find_days

_MONTHS = {
    word: number
    for number, words in enumerate(
        (
            "january januar jänner janvier januari enero gennaio",
            "february februar février fevrier februari febrero febbraio",
            "march märz maerz mars maart marzo",
            "april avril abril aprile",
            "may mai mei mayo maggio",
            "june juni juin junio giugno",
            "july juli juillet julio luglio",
            "august août aout augustus agosto",
            "september septembre septiembre setiembre settembre sept",
            "october oktober octobre octubre ottobre",
            "november novembre noviembre",
            "december dezember décembre decembre diciembre dicembre",
        ),
        start=1,
    )
    for word in words.split()
}
# Whole months, as weather services of the northern half of the earth count seasons; common practice, no
# published source.
_SEASONS = {
    word: first
    for first, words in (
        (12, "winter hiver invierno inverno"),
        (3, "spring frühling fruehling frühjahr printemps voorjaar lente primavera"),
        (6, "summer sommer été ete zomer verano estate"),
        (9, "autumn fall herbst automne herfst najaar otoño otono autunno"),
    )
    for word in words.split()
}
_LAST = (
    "last|letzten|letzter|letztes|letzte|vorigen|voriges|vorige|vorig|afgelopen|dernier|dernière|derniere|passé|passe|"
    "pasado|pasada|último|ultimo|scorso|scorsa"
)
_SEASON = "|".join(_SEASONS)
_ARTICLE = re.compile(
    r"\b(?:in|im|en|el|la|le|l['’]|lo|de|del|der|den|op|au|à|von|aus|from|since|seit|of)$", re.IGNORECASE
)
_LONGEST_ARTICLE = 5
_WRITTEN = re.compile(
    rf"(?P<iso>(?<![\w.,/-])(?P<year>(?:19|20)\d\d)-(?P<month>0[1-9]|1[0-2])\b(?!-?\d))"
    rf"|(?P<slash>(?<![\w.,/-])(?P<month2>0?[1-9]|1[0-2])/(?P<year2>(?:19|20)\d\d)\b)"
    rf"|(?P<named>\b(?P<name>{'|'.join(_MONTHS)})\s+(?:de\s+|del\s+)?(?P<year3>(?:19|20)\d\d)\b)"
    rf"|(?P<season>\b(?P<which>{_SEASON})\s+(?:de\s+|del\s+)?(?P<year4>(?:19|20)\d\d)\b)"
    rf"|(?P<before>\b(?:{_LAST})\s+(?P<which2>{_SEASON})\b)"
    rf"|(?P<behind>\b(?P<which3>{_SEASON})\s+(?:{_LAST})\b)",
    re.IGNORECASE,
)


class Days(NamedTuple):
    """The days from `first` to `last`, both included, said by the characters `start:end`."""

    first: date
    last: date
    start: int
    end: int


def named_days(text: str, today: date) -> Days | None:
    """The days that `text` names, the first mention; None where it names none. A winter is called by the year
    in which it begins."""
    for match in _WRITTEN.finditer(text):
        found = _span(match, today)
        if found is not None and FIRST_YEAR <= found[0].year <= LAST_YEAR:
            return Days(*found, _before_articles(text, match.start()), match.end())
    for start, end, day in find_days(text):
        return Days(date.fromisoformat(day), date.fromisoformat(day), start, end)
    return None


def _before_articles(text: str, start: int) -> int:
    """Where the words begin that lead to `start`, such as the "in the" of a month."""
    while True:
        end = start
        while end and text[end - 1].isspace():
            end -= 1
        article = _ARTICLE.search(text, max(end - _LONGEST_ARTICLE, 0), end)
        if article is None:
            return start
        start = article.start()


def _span(match: re.Match[str], today: date) -> tuple[date, date] | None:
    if match["iso"]:
        return _months(int(match["year"]), int(match["month"]), 1)
    if match["slash"]:
        return _months(int(match["year2"]), int(match["month2"]), 1)
    if match["named"]:
        return _months(int(match["year3"]), _MONTHS[match["name"].casefold()], 1)
    if match["season"]:
        return _months(int(match["year4"]), _SEASONS[match["which"].casefold()], 3)
    month = _SEASONS[(match["which2"] or match["which3"]).casefold()]
    past = [_months(today.year - back, month, 3) for back in range(3)]
    return next((span for span in past if span[1] < today), None)


def _months(year: int, month: int, count: int) -> tuple[date, date]:
    ahead = month - 1 + count - 1
    last_year, last_month = year + ahead // 12, ahead % 12 + 1
    return date(year, month, 1), date(last_year, last_month, calendar.monthrange(last_year, last_month)[1])
