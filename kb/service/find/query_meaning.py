"""What a query means, read by the one reader: a pasted complaint in any of its languages."""

from __future__ import annotations

from functools import lru_cache

from kb.facts.designators import kinds_of_designator
from kb.facts.parts import PART_CLASSES
from kb.reading import Known, read
from kb.reading.denied_parts import denied_parts
from kb.search import Meant

_MOST_CHARACTERS = 600  # as the search reads
_CLASSES = frozenset(entry.name for entry in PART_CLASSES)


@lru_cache(maxsize=256)
def meaning(query: str, known: Known) -> Meant:
    """The symptoms and part classes that `query` names and the classes that it says it is not."""
    text = query[:_MOST_CHARACTERS]
    if not any(letter.isalpha() for letter in text):
        return Meant()
    facts = read(text, known)
    refused = denied_parts(text, known)
    not_meant = {one.value for one in refused}
    named = {
        entry.part_class: (entry.part_class, entry.start, entry.end)
        for entry in facts.attempts
        if entry.part_class and entry.part_class not in not_meant
    }
    return Meant(
        symptoms=tuple((entry.name, entry.start, entry.end) for entry in facts.symptoms if entry.present),
        part_classes=tuple(named.values()),
        not_meant=tuple((one.value, one.start, one.end) for one in refused),
    )
