"""Cases that a query names by what the search index does not hold: customer, case number, days of the job.

Whoever may search may open any case and read its customer there; nothing of this is part of what a shop shares.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from sqlmodel import Session

from kb.search import Meant
from kb.search.analysis import Analysis
from kb.search.normalization import fold
from kb.search.query import everyday_words
from kb.service.find.job_days import named_days
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import case_lists

MOST_CASES = 200
_MOST_CUSTOMERS = 50  # that one word of their names may stand for
_LABEL = 8  # characters of a case number as labels and lists show it
_LONGEST_WITH_DAYS = 8  # words; a complaint that goes on about last winter is not asking for its cases
_LONGEST_UID = 64
_WORD = re.compile(r"[^\W_]+")
_CHUNK = re.compile(r"[^\s,;:#()\"']+")
Spans = tuple[tuple[int, int], ...]
Fact = tuple[str, int, int]


@dataclass(frozen=True, slots=True)
class _Customers:
    """The customers by the first word of their name, and by each of its words."""

    by_first: dict[str, list[tuple[tuple[str, ...], str]]]
    by_word: dict[str, frozenset[str]]


def with_named_cases(shop: Shop, session: Session, query: str, meant: Meant, analysis: Analysis) -> Meant:
    """`meant` with the cases that `query` names, which then lead. As it is where the store cannot be read."""
    if not query.strip() or is_copy(session):
        return meant
    lists: list[list[str]] = []
    spent: list[tuple[int, int]] = []
    for uids, spans in (
        _by_number(session, query),
        _by_customer(shop, session, query, analysis),
        _by_days(session, query, shop.today()),
    ):
        if uids:
            lists.append(uids)
            spent += spans
    if not lists:
        return meant
    all_of_them = set(lists[0]).intersection(*lists[1:])
    first = [uid for uid in lists[0] if uid in all_of_them] or lists[0]
    return replace(
        meant,
        symptoms=_outside(meant.symptoms, spent),
        part_classes=_outside(meant.part_classes, spent),
        of_letters=_outside(meant.of_letters, spent),
        first=tuple(first[:MOST_CASES]),
        spent=tuple(spent),
    )


def _outside(facts: tuple[Fact, ...], spent: list[tuple[int, int]]) -> tuple[Fact, ...]:
    """The facts said by other characters: "summer 2025" is no buzzer, as a German may call one."""
    return tuple(one for one in facts if not any(start < one[2] and one[1] < end for start, end in spent))


def _by_number(session: Session, query: str) -> tuple[list[str], Spans]:
    """Cases by their number, whole or as a label shows it."""
    for match in _CHUNK.finditer(query):
        written = match.group().rstrip(".")
        if _LABEL <= len(written) <= _LONGEST_UID and any(letter.isdecimal() for letter in written):
            for number in dict.fromkeys((written, written.lower())):
                if found := case_lists.uids_begun(session, number, MOST_CASES):
                    return found, (match.span(),)
    return [], ()


def _by_days(session: Session, query: str, today: date) -> tuple[list[str], Spans]:
    if len(query.split()) > _LONGEST_WITH_DAYS:
        return [], ()
    days = named_days(query, today)
    if days is None:
        return [], ()
    return case_lists.uids_between(session, days.first, days.last, MOST_CASES), ((days.start, days.end),)


def _by_customer(shop: Shop, session: Session, query: str, analysis: Analysis) -> tuple[list[str], Spans]:
    known = shop.kept.get(session, "customers by word", ("case",), _customers)
    words = [(fold(match.group()), match.start(), match.end()) for match in _WORD.finditer(query)]
    names, spans = _in_full(known, words)
    if not names:
        names, spans = _in_part(known, words, analysis)
    return (
        (case_lists.uids_of_customers(session, sorted(names)[:_MOST_CUSTOMERS], MOST_CASES), spans)
        if names
        else ([], ())
    )


def _customers(session: Session) -> _Customers:
    by_first: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    by_word: dict[str, set[str]] = {}
    for name in case_lists.customers(session):
        words = _words(name)
        if words:
            by_first.setdefault(words[0], []).append((words, name))
        for word in words:
            by_word.setdefault(word, set()).add(name)
    return _Customers(by_first, {word: frozenset(names) for word, names in by_word.items()})


def _words(name: str) -> tuple[str, ...]:
    return tuple(fold(match.group()) for match in _WORD.finditer(name))


def _in_full(known: _Customers, words: list[tuple[str, int, int]]) -> tuple[set[str], Spans]:
    """Customers whose whole name stands in the query. A single everyday word is a name only by itself."""
    folded = tuple(word for word, _, _ in words)
    found: dict[str, tuple[int, int]] = {}
    for at, first in enumerate(folded):
        for name, customer in known.by_first.get(first, ()):
            behind = at + len(name)
            alone = len(folded) == len(name)
            telling = len(name) > 1 or (len(first) > 2 and first not in everyday_words())
            if folded[at:behind] == name and (alone or telling):
                found[customer] = (words[at][1], words[behind - 1][2])
    return set(found), _merged(found.values())


def _in_part(
    known: _Customers, words: list[tuple[str, int, int]], analysis: Analysis
) -> tuple[set[str], Spans]:
    """Customers who have a word of the query in their name that is neither everyday nor of the trade."""
    for word, start, end in words:
        told = len(word) > 2 and word.isalpha() and word not in everyday_words()
        if told and word not in analysis.lexicon.words and (names := known.by_word.get(word)):
            return set(names), ((start, end),)
    return set(), ()


def _merged(spans: Iterable[tuple[int, int]]) -> Spans:
    return tuple(dict.fromkeys(spans))
