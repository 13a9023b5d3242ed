"""The lists a shop may extend, and the fixed ones, for forms and completion."""

from __future__ import annotations

from kb.model import LoadRecord, PartClassRecord, ShelfPartRecord, SymptomRecord
from kb.service.shop.shop import Shop
from kb.store.records import kinds, lists


def symptoms(shop: Shop) -> list[SymptomRecord]:
    """The symptom list in alphabetical order."""
    with shop.known() as session:
        return shop.kept.symptoms(session)


def part_classes(shop: Shop) -> list[PartClassRecord]:
    """The part classes in alphabetical order."""
    with shop.known() as session:
        return shop.kept.part_classes(session)


def loads(shop: Shop) -> list[LoadRecord]:
    """The bench's own loads in alphabetical order."""
    with shop.known() as session:
        return lists.loads(session)


def version(shop: Shop, entity: str, name: str) -> int:
    """The version of an entry in use, 0 where there is none."""
    with shop.read() as session:
        there = kinds.standing(session, entity, [name]).get(name)
    return there.version if there is not None and there.binned_at is None else 0


def save(
    shop: Shop,
    record: SymptomRecord | PartClassRecord | LoadRecord | ShelfPartRecord,
    *,
    expected_version: int | None = None,
) -> str:
    """Adds or replaces one entry of a list: "added", "updated" or "unchanged".

    `expected_version` is the one that was read, 0 for an entry that must not be there yet. Raises
    Conflict where the store holds another.
    """
    with shop.write() as session:
        outcome = lists.save(session, record, expected_version=expected_version)
    shop.refresh()
    return outcome
