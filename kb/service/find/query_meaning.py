"""What a query means, read by the one reader: a pasted complaint in any of its languages."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from functools import lru_cache

from sqlmodel import Session

from kb.facts.designators import kinds_of_designator
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.reading import Known, read
from kb.reading.denied_parts import denied_parts
from kb.reading.facts import own_names
from kb.reading.sections import class_of_designator
from kb.search import Analysis, Meant
from kb.search.codes import WORD
from kb.search.normalization import NOT
from kb.service.find.named_cases import with_named_cases
from kb.service.shop.shop import Shop

_MOST_CHARACTERS = 600  # as the search reads
_DESIGNATOR = re.compile(r"\b[A-Za-z]{1,4}[0-9]{1,4}[A-Za-z]?\b")
_FEW = 5
_SYMPTOMS = {entry.name: frozenset(entry.synonyms) for entry in SYMPTOMS}
_CLASSES = {entry.name: frozenset(entry.synonyms) for entry in PART_CLASSES}


def meaning_for(shop: Shop, session: Session, query: str, analysis: Analysis) -> Meant:
    """What `query` means to this shop: read with its own names, and with the cases that it names.

    `analysis` is the chain of the index that is asked.
    """
    known = _known(analysis)
    return with_named_cases(
        shop, session, query[:_MOST_CHARACTERS], meaning(query, known, analysis), analysis
    )


@lru_cache(maxsize=4)
def _known(analysis: Analysis) -> Known:
    """The shop's own names; the chain has them, so that the store need not be asked."""
    symptoms, part_classes, *_ = analysis.names
    return Known(symptoms=own_names(symptoms, _SYMPTOMS), part_classes=own_names(part_classes, _CLASSES))


def meaning(query: str, known: Known, analysis: Analysis) -> Meant:
    """The symptoms and part classes that `query` names and the classes that it says it is not.

    A few words of the trade, all of which the search knows by itself, are not read: that takes longer than the
    search and says nothing new.
    """
    text = query[:_MOST_CHARACTERS]
    return (
        _read(text, known) if _is_worded(text, analysis) else Meant(of_letters=tuple(_by_letters(text, ())))
    )


def _is_worded(text: str, analysis: Analysis) -> bool:
    tokens = analysis.tokens(text)
    words = [token.folded for token in tokens if token.kind == WORD and token.term != NOT]
    return len(words) > _FEW or any(word not in analysis.lexicon.words for word in words)


@lru_cache(maxsize=256)
def _read(text: str, known: Known) -> Meant:
    facts = read(text, known)
    refused = denied_parts(text, known)
    not_meant = {one.value for one in refused}
    named = {
        entry.part_class: (entry.part_class, entry.start, entry.end)
        for entry in facts.attempts
        if entry.part_class and entry.part_class not in not_meant
    }
    return Meant(
        of_letters=tuple(_by_letters(text, named.keys() | not_meant)),
        # What is only proposed as a fact still says what is sought.
        symptoms=tuple(
            (entry.name, entry.start, entry.end)
            for entry in (*facts.symptoms, *facts.proposed)
            if entry.present
        ),
        part_classes=tuple(named.values()),
        not_meant=tuple((one.value, one.start, one.end) for one in refused),
    )


def _by_letters(text: str, said: Collection[str]) -> Iterator[tuple[str, int, int]]:
    """The class that the letters of each designator stand for first ("T2", a transformer)."""
    for match in _DESIGNATOR.finditer(text):
        kinds = kinds_of_designator(match.group())
        # "terminal board" is no class of parts; the reader says which one it belongs to.
        kind = (
            kinds[0] if kinds and kinds[0] in _CLASSES else class_of_designator(match.group().upper(), None)
        )
        if kinds and kind is not None and kind not in said:
            yield kind, match.start(), match.end()
