"""Finding cases by words, and completing words as they are typed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from typing import NamedTuple

from sqlmodel import Session

from kb.facts import vocabulary as words
from kb.facts.designators import code_key
from kb.model import CaseRecord
from kb.search import FACETS, OPEN, Damaged, Filters, Results, SearchIndex, Snippet, distance
from kb.service.find.query_meaning import meaning_for
from kb.service.shop.cut_off import indexed_cases
from kb.service.shop.cut_off.retry import retry_when_cut_off
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import cases, families, lists, origins

MOST_HITS = 200
COMPLETED = ("anything", "family", "symptom", "part_class", "section")
_MOST_NEAREST = 4
_MOST_WORDS = 24
_LONGEST_CODE = 40
_FAMILY_WORDS = 3  # a board code may be written in up to so many pieces
__all__ = [
    "COMPLETED",
    "MOST_HITS",
    "OPEN",
    "Completion",
    "Filters",
    "Found",
    "Nearest",
    "Page",
    "complete",
    "search",
]


@dataclass(frozen=True, slots=True)
class Found:
    """One hit with the record it stands for; `origin` names the shop that recorded it where not this one."""

    case: CaseRecord
    score: float
    snippet: Snippet
    origin: str = ""


@dataclass(frozen=True, slots=True)
class Nearest:
    """Another search that has an answer where the one asked has none, and how many cases it finds."""

    label: str
    query: str
    filters: Filters
    total: int


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a search.

    `family` is the board family that the words name, whose cases come first. `nearest` is filled when
    nothing was found. `offset` is where the page starts: the last page where more was asked for than
    there is. `trouble` says when the answer may be incomplete.
    """

    results: Results
    found: tuple[Found, ...]
    trouble: str | None
    family: str | None = None
    nearest: tuple[Nearest, ...] = ()
    offset: int = 0


class Completion(NamedTuple):
    """What a field may be completed to, and the name by which it was met."""

    value: str
    met: str


@retry_when_cut_off
def search(shop: Shop, query: str, filters: Filters, *, limit: int = 20, offset: int = 0) -> Page:
    """Cases for some words and filters, best first; those of a family that the words name before others."""
    index = shop.derived.index
    generation = index.generation
    try:
        return _page(shop, index, query, filters, min(limit, MOST_HITS), offset)
    except Damaged as damage:
        shop.derived.mend_index(generation, str(damage))
        return _page(shop, shop.derived.index, query, filters, min(limit, MOST_HITS), offset)


def _page(shop: Shop, index: SearchIndex, query: str, filters: Filters, limit: int, offset: int) -> Page:
    with shop.known() as session:
        filters = _with_code(session, filters)
        family = None if filters.family else _named_family(shop, session, query)
        meant = meaning_for(shop, session, query, index.analysis)
        results = index.search(query, filters, limit=limit, offset=offset, prefer_family=family, meant=meant)
        if results.total and offset >= results.total and limit:
            offset = (results.total - 1) // limit * limit
            results = index.search(
                query, filters, limit=limit, offset=offset, prefer_family=family, meant=meant
            )
        records = _records(session, index, [hit.uid for hit in results.hits])
        names = origins.names(session) if any(record.origin for record in records.values()) else {}
        nearest = () if results.total else tuple(_nearest(shop, session, index, query, filters, results))
    found = tuple(
        Found(records[hit.uid], hit.score, hit.snippet, names.get(records[hit.uid].origin, ""))
        for hit in results.hits
        if hit.uid in records
    )
    return Page(results, found, shop.derived.trouble, family, nearest[:_MOST_NEAREST], offset)


def _records(session: Session, index: SearchIndex, uids: list[str]) -> dict[str | None, CaseRecord]:
    """The cases of a list of hits; as the index holds them while the store cannot be read."""
    if not is_copy(session):
        return {case.record.uid: case.record for case in cases.many(session, uids)}
    documents = (index.document_of(uid) for uid in uids)
    return {document.uid: indexed_cases.of(document).record for document in documents if document is not None}


def every(shop: Shop, query: str, filters: Filters) -> list[str]:
    """The uids of all cases that `search` finds, in order of uid."""
    index = shop.derived.index
    with shop.read() as session:
        filters = _with_code(session, filters)
        family = None if filters.family else _named_family(shop, session, query)
        meant = meaning_for(shop, session, query, index.analysis)
    return index.every(query, filters, family, meant)


def _with_code(session: Session, filters: Filters) -> Filters:
    """`filters` with the family's own code in place of another number it is known by."""
    found = families.find(session, filters.family) if filters.family else None
    return replace(filters, family=found[1]) if found else filters


def _named_family(shop: Shop, session: Session, query: str) -> str | None:
    """The code of the one family that the words name, None where they name none or several."""
    pieces = _without_minus(query).split(maxsplit=_MOST_WORDS)[:_MOST_WORDS]
    if not any(any(letter.isdecimal() for letter in piece) for piece in pieces):
        return None
    asked = {
        code_key("".join(pieces[at : at + width]))
        for at in range(len(pieces))
        for width in range(1, _FAMILY_WORDS + 1)
    }
    called = shop.kept.get(session, "what families are called", ("family",), _called)
    named = set().union(*(called.get(key, ()) for key in asked))
    return named.pop() if len(named) == 1 else None


def _called(session: Session) -> dict[str, set[str]]:
    """The codes of the families that go by a key."""
    found: dict[str, set[str]] = {}
    for one in families.names(session):
        for key in set().union(*map(_keys, one.numbers)):
            found.setdefault(key, set()).add(one.code)
    return found


def _keys(number: str) -> set[str]:
    """What people call a board by: its number, or the number's first word where that has a digit."""
    first = number.split(maxsplit=1)[0] if number.strip() else ""
    return (
        {code_key(number), code_key(first)}
        if any(letter.isdecimal() for letter in first)
        else {code_key(number)}
    )


def _nearest(
    shop: Shop, session: Session, index: SearchIndex, query: str, filters: Filters, results: Results
) -> Iterator[Nearest]:
    """Searches close to one that found nothing, the closest first; each has an answer."""
    offers: list[tuple[str, str, Filters]] = []
    chosen = filters.chosen()
    for name, value in chosen if len(chosen) > 1 else ():
        offers.append((f"without {value}", query, _without(filters, name)))
    if chosen and query.strip():
        offers.append(("in all cases", query, Filters()))
    plain = " ".join(re.sub(r'["\u201c\u201d\u201e\u00ab\u00bb]', " ", _without_minus(query)).split())
    if plain and plain != query.strip():
        offers.append((plain, plain, filters))
    for word in results.unknown:
        offers += [(near, near, Filters()) for near in _near_numbers(shop, session, word)]
        offers += [(near, near, Filters()) for near in _begun_alike(index, word)]
    if chosen and query.strip():
        offers.append((", ".join(value for _, value in chosen) + ", whatever the words", "", filters))
    for label, text, narrowed in dict.fromkeys(offers):
        if total := index.search(text, narrowed, limit=0).total:
            yield Nearest(label, text, narrowed, total)


def _without(filters: Filters, name: str) -> Filters:
    kept = {facet: getattr(filters, facet) for facet in FACETS if facet != name}
    return Filters(**kept)


def _without_minus(query: str) -> str:
    return re.sub(r'(?:^|(?<=\s))[-\u2212](?:"[^"]*"|\S+)', " ", query)


def _near_numbers(shop: Shop, session: Session, word: str) -> list[str]:
    """Codes of families with a number one slip from `word`. They are offered, never searched unasked."""
    key = code_key(word)
    if not 3 <= len(key) <= _LONGEST_CODE:
        return []
    near = (
        one.code
        for one in shop.kept.families(session)
        if any(distance(key, code_key(number), 1) == 1 for number in one.numbers)
    )
    return list(islice(near, 2))


def _begun_alike(index: SearchIndex, word: str) -> Sequence[str]:
    """Up to two completions of the longest beginning of `word` that has any, half of the word at least."""
    if not word.isalpha():
        return ()
    for length in range(min(len(word), _LONGEST_CODE) - 1, max(2, len(word) // 2), -1):
        if begun := index.complete(word[:length], 2):
            return begun
    return ()


@dataclass(frozen=True, slots=True)
class _Entry:
    """An entry of a list with all it goes by: the names, the same folded, and as keys of codes."""

    value: str
    names: tuple[str, ...]
    folded: tuple[str, ...]
    keys: tuple[str, ...]


def _entry(value: str, others: Iterable[str] = ()) -> _Entry:
    names = (value, *others)
    return _Entry(value, names, tuple(map(str.casefold, names)), tuple(map(code_key, names)))


def complete(shop: Shop, what: str, start: str, *, limit: int = 12) -> list[Completion]:
    """Entries of a list that fit what was typed so far: those that begin with it come first.

    `what` is one of `COMPLETED`; "anything" draws on all that was ever recorded.
    """
    typed = start.strip()
    if what == "anything":
        return [Completion(text, _met((text,), typed)) for text in shop.derived.index.complete(typed, limit)]
    wanted, key = typed.casefold(), code_key(typed)
    ranks = ((_rank(entry, wanted, key), entry) for entry in _entries(shop, what))
    ranked = sorted(((rank, entry) for rank, entry in ranks if rank is not None), key=lambda one: one[0])
    return [Completion(entry.value, _met(entry.names, typed)) for _, entry in ranked[:limit]]


def _rank(entry: _Entry, wanted: str, key: str) -> int | None:
    """0 where a name begins with what was typed, 1 where a word of one does, 2 where it is inside."""
    best = None
    for folded, of_code in zip(entry.folded, entry.keys, strict=True):
        if folded.startswith(wanted) or (key and of_code.startswith(key)):
            return 0
        if f" {wanted}" in folded:
            best = 1
        elif wanted in folded and best is None:
            best = 2
    return best


def _met(texts: Sequence[str], typed: str) -> str:
    """The text that holds what was typed, so that a browser that looks for it keeps the entry."""
    wanted = typed.casefold()
    fitting = [text for text in texts if wanted in text.casefold()]
    starting = [text for text in fitting if text.casefold().startswith(wanted)]
    return (starting or fitting or [typed])[0]


def _entries(shop: Shop, what: str) -> Sequence[_Entry]:
    if what == "section":
        return [_entry(word.value) for word in words.SECTIONS]
    with shop.known() as session:
        return shop.kept.get(session, f"completions of {what}", (what,), partial(_read_entries, what))


def _read_entries(what: str, session: Session) -> list[_Entry]:
    if what == "family":
        return [_entry(one.code, one.numbers) for one in families.names(session)]
    entries = lists.symptoms(session) if what == "symptom" else lists.part_classes(session)
    return [_entry(one.name, one.synonyms) for one in entries]
