"""Where the named parts, rails and test points lie on the pictures of a family, for every page that names them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kb.bench import places
from kb.bench.connector import Probe
from kb.bench.places import Place
from kb.model import FamilyRecord, PictureRecord
from kb.service.boards.pictures import by_side
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import families, pictures

__all__ = ["NONE", "Place", "Places", "around"]


@dataclass(frozen=True, slots=True)
class Places:
    """What can be shown of a family; `pictures` hold only the pins that were asked for."""

    family: FamilyRecord | None = None
    pictures: tuple[PictureRecord, ...] = ()

    def part(self, label: str) -> Place | None:
        """Where a part, connector or test point is."""
        return places.part_place(self.pictures, label) if self.pictures and label else None

    def first(self, labels: Iterable[str]) -> Place | None:
        """Where the first of some parts is that a picture shows."""
        return next((found for label in labels if (found := self.part(label))), None)

    def reading(self, rail: str | None, point: str | None = None) -> Place | None:
        """Where a reading is taken."""
        if not self.pictures or self.family is None:
            return None
        return places.reading_place(self.pictures, self.family, rail, point)

    def probes(self, probes: Sequence[Probe]) -> Place | None:
        """Where the leads of a step go."""
        return places.probes_place(self.pictures, probes) if self.pictures and probes else None


NONE = Places()


def around(
    shop: Shop, family: FamilyRecord | None, names: Iterable[str], probes: Iterable[Probe] = ()
) -> Places:
    """What can be shown of these names and leads. Nothing is shown of a family without a picture, and nothing
    while the database is away."""
    wanted = places.wanted_labels(family, names, probes) if family else set()
    if family is None or not wanted:
        return NONE
    with shop.known() as session:
        if is_copy(session):
            return NONE
        known = families.find(session, family.code)
        found = by_side(pictures.with_labels(session, known[0], wanted)) if known else []
    return Places(family, tuple(one.record for one in found if one.is_here))
