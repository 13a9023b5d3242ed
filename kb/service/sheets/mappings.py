"""Mappings that were saved: found again by the headings of a file, and put to use."""

from __future__ import annotations

from kb.errors import BadInput
from kb.exchange.sheets import REASON_HEADING
from kb.facts.sheet_words import folded
from kb.service.sheets.state import Sheet
from kb.service.shop.shop import Shop
from kb.store.records import sheets as stored
from kb.store.records.sheets import StoredMapping

LONGEST_NAME = 80


def all_saved(shop: Shop) -> list[StoredMapping]:
    """All saved mappings, the newest first."""
    with shop.read() as session:
        return stored.all_mappings(session)


def named(shop: Shop, name: str) -> StoredMapping:
    """One of them. Raises NotFound."""
    with shop.read() as session:
        return stored.named(session, name)


def _plain(keys: list[str] | tuple[str, ...]) -> set[str]:
    return set(keys) - {folded(REASON_HEADING)}


def fitting(shop: Shop, sheet: Sheet) -> StoredMapping | None:
    """The newest saved mapping for files with the same headings, in any order."""
    keys = _plain(sheet.keys)
    return next((one for one in all_saved(shop) if _plain(one.headings) == keys), None)


def apply(sheet: Sheet, mapping: StoredMapping) -> None:
    """Decides about a sheet as was decided then; columns that were not there stay as guessed."""
    decisions = mapping.decisions
    sheet.targets |= {key: to for key, to in decisions["targets"].items() if key in sheet.targets}
    sheet.answers = {**sheet.answers, **decisions["answers"]}
    sheet.read_texts = decisions["read_texts"]
    sheet.not_symptoms = list(decisions["not_symptoms"])
    sheet.named = dict(decisions.get("named", {}))
    sheet.mapping = mapping.name


def save(shop: Shop, sheet: Sheet, name: str) -> None:
    """Saves what was decided about a sheet under a name. Raises BadInput."""
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise BadInput(
            f"The name of the mapping is empty or longer than {LONGEST_NAME} characters.",
            field="mapping_name",
            remedy="Write a short name, such as Job book.",
        )
    decisions = {
        "targets": sheet.targets,
        "answers": sheet.answers,
        "read_texts": sheet.read_texts,
        "not_symptoms": sheet.not_symptoms,
        "named": sheet.named,
    }
    with shop.write() as session:
        stored.save(session, name, [key for key in sheet.keys if key in _plain(sheet.keys)], decisions)
    sheet.mapping = name


def remove(shop: Shop, name: str) -> None:
    """Takes a saved mapping away."""
    with shop.write() as session:
        stored.remove(session, name)
