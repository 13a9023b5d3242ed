"""The lists a shop may extend, and the fixed ones, for forms and completion."""

from __future__ import annotations

from kb.model import LoadRecord, PartClassRecord, SymptomRecord
from kb.service.shop import Shop
from kb.store.records import lists


def symptoms(shop: Shop) -> list[SymptomRecord]:
    """The symptom list in alphabetical order."""
    with shop.knowing() as session:
        return lists.symptoms(session)


def part_classes(shop: Shop) -> list[PartClassRecord]:
    """The part classes in alphabetical order."""
    with shop.knowing() as session:
        return lists.part_classes(session)


def loads(shop: Shop) -> list[LoadRecord]:
    """The bench's own loads in alphabetical order."""
    with shop.knowing() as session:
        return lists.loads(session)


def save(shop: Shop, record: SymptomRecord | PartClassRecord | LoadRecord) -> str:
    """Adds or replaces one entry of a list: "added", "updated" or "unchanged"."""
    with shop.writing() as session:
        outcome = lists.save(session, record)
    shop.refresh()
    return outcome
