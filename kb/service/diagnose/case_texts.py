"""Texts read with what the shop knows: its own names, and a board family's rails and earlier parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from sqlmodel import Session

from kb.errors import NotFound
from kb.facts.parts import PART_CLASSES
from kb.facts.rail_names import obvious_rail
from kb.facts.symptoms import SYMPTOMS
from kb.model import FamilyRecord, PartClassRecord, Reading, SymptomRecord
from kb.reading import Known, KnownPart, KnownRail, Read, ReadReading, Span, read
from kb.reading.facts import own_names
from kb.service.boards import families
from kb.service.diagnose.general import parts_of_family
from kb.service.shop.shop import Shop
from kb.store.records import lists

__all__ = [
    "LONGEST_TEXT",
    "Read",
    "ShopNames",
    "Span",
    "as_record",
    "names_of",
    "rails_of",
    "read_once",
    "read_text",
    "warm",
]

LONGEST_TEXT = 10_000
_STANDARD_SYMPTOMS = {entry.name: frozenset(entry.synonyms) for entry in SYMPTOMS}
_STANDARD_PARTS = {entry.name: frozenset(entry.synonyms) for entry in PART_CLASSES}
_DEAD_BOARD = frozenset(("ohm", "diode_v", "farad", "esr_ohm"))


@dataclass(frozen=True, slots=True)
class ShopNames:
    """What a shop calls symptoms and parts.

    `symptom_of` has the name of a symptom for each word it is known by, in small letters; `own_symptoms` and
    `own_part_classes` are names that not every store has, as the reader takes them.
    """

    symptoms: tuple[SymptomRecord, ...]
    symptom_of: Mapping[str, str]
    own_symptoms: tuple[tuple[str, tuple[str, ...]], ...]
    own_part_classes: tuple[tuple[str, tuple[str, ...]], ...]

    @classmethod
    def of(cls, symptoms: Sequence[SymptomRecord], part_classes: Sequence[PartClassRecord]) -> ShopNames:
        """The names in two lists."""
        symptom_of = {word.casefold(): entry.name for entry in symptoms for word in entry.synonyms}
        symptom_of.update({entry.name.casefold(): entry.name for entry in symptoms})
        return cls(
            tuple(symptoms),
            symptom_of,
            own_names([(entry.name, entry.synonyms) for entry in symptoms], _STANDARD_SYMPTOMS),
            own_names([(entry.name, entry.synonyms) for entry in part_classes], _STANDARD_PARTS),
        )

    def known(self, family: FamilyRecord | None, parts: tuple[KnownPart, ...] = ()) -> Known:
        """What the reader is given; names that every store has are left out, it knows them."""
        return Known(rails_of(family), parts, self.own_symptoms, self.own_part_classes)


def names_of(shop: Shop, session: Session) -> ShopNames:
    """The names in the shop's lists, kept until one of these changes."""

    def read(session: Session) -> ShopNames:
        return ShopNames.of(lists.symptoms(session), lists.part_classes(session))

    return shop.kept.get(session, "names of symptoms and parts", ("symptom", "part_class"), read)


@lru_cache(maxsize=64)
def read_once(text: str, known: Known) -> Read:
    """What `text` says; a text that is asked for again right after is not read again."""
    return read(text, known)


def warm(shop: Shop) -> None:
    """Makes the word lists ready ahead of the first text, with the shop's own names."""
    with shop.known() as session:
        names = names_of(shop, session)
    read("ok", names.known(None))


def read_text(shop: Shop, text: str, family: str | None = None) -> Read:
    """What `text` says, read with the shop's names and the family's rails and earlier parts.

    Raises NotFound for a family that the store does not hold.
    """
    board = families.find(shop, family) if family else None
    if family and board is None:
        raise NotFound(
            f"No board family is known as {family}.",
            field="family",
            remedy="Check the number, or leave it out.",
        )
    with shop.known() as session:
        names = names_of(shop, session)
    parts: tuple[KnownPart, ...] = ()
    if board is not None:
        with shop.derived.ledger() as ledger:
            found = parts_of_family(ledger, board.code)
        parts = tuple(KnownPart(part, part_class, section) for part, (section, part_class) in found.items())
    return read(text, names.known(board, parts))


def rails_of(family: FamilyRecord | None) -> tuple[KnownRail, ...]:
    """A family's rails as the reader takes them."""
    if family is None:
        return ()
    return tuple(
        KnownRail(rail.name, rail.role, rail.nominal_v, rail.always_on, rail.tolerance_pct)
        for rail in family.rails
    )


def as_record(one: ReadReading) -> Reading:
    """A reading that was read, as a case holds it.

    Where the text does not say the state: parts are measured on a dead board, a standby rail and the bulk
    capacitor with the mains on, other supplies while the board runs.
    """
    supply = one.supply
    if supply is None and one.quantity in _DEAD_BOARD:
        supply = "unpowered"
    if supply is None:
        named = obvious_rail(one.rail or "")
        supply = "standby" if named is not None and named.role in ("standby", "bulk") else "running"
    low, high = one.min, one.max
    return Reading(
        rail=one.rail,
        point=one.point,
        quantity=one.quantity,
        supply=supply,
        load=one.load or "none",
        value=one.value,
        min=low,
        max=high,
        written=one.words[:200],
        after_repair=one.after_repair,
    )
