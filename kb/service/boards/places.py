"""Where the named parts, rails and test points lie on the pictures of a family, for every page that names them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from kb.bench import places
from kb.bench.connector import Probe
from kb.bench.places import Place
from kb.bench.sequence_types import Step
from kb.facts.designators import code_key
from kb.model import FamilyRecord, PictureRecord
from kb.service.boards.pictures import by_side
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import families, pictures

__all__ = ["NONE", "Drawing", "DrawnPin", "Place", "Places", "around", "drawing_of"]


@dataclass(frozen=True, slots=True)
class Places:
    """What can be shown of a family; `pictures` hold only the pins that were asked for."""

    family: FamilyRecord | None = None
    pictures: tuple[PictureRecord, ...] = ()

    def part(self, label: str) -> Place | None:
        """Where a part, connector or test point is."""
        return places.part_place(self.pictures, label) if self.pictures and label else None

    def named(self, text: str) -> Place | None:
        """Where the part is that a text names, alone or among other words."""
        return self.first(places.named_in(text))

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

    def step(self, step: Step) -> Place | None:
        """Where a step of the bench test measures: where its leads go, or else the one part that it means."""
        return self.probes(step.probes) or (
            places.sort_place(self.pictures, step.point) if self.pictures and step.point else None
        )


NONE = Places()


def around(
    shop: Shop, family: FamilyRecord | None, names: Iterable[str], steps: Sequence[Step] = ()
) -> Places:
    """What can be shown of these names and bench steps. Nothing is shown of a family without a picture, and nothing
    while the database is away."""
    probes = [probe for step in steps for probe in step.probes]
    wanted = places.wanted_labels(family, names, probes) if family else set()
    sorts = [places.SORTS[step.point] for step in steps if step.point in places.SORTS]
    if family is None or not (wanted or sorts):
        return NONE
    with shop.known() as session:
        if is_copy(session):
            return NONE
        known = families.find(session, family.code)
        classes = {name for sort in sorts for name in sort.classes}
        letters = {name for sort in sorts for name in sort.letters}
        found = (
            by_side(pictures.with_labels(session, known[0], wanted, classes=classes, letters=letters))
            if known
            else []
        )
    return Places(family, tuple(one.record for one in found if one.is_here))


WIDTH = 1000


@dataclass(frozen=True, slots=True)
class DrawnPin:
    """What lies where, in units of a drawing `WIDTH` wide; `to_x` and `to_y` of a connector's last pin, `points`
    of an outline. `chosen` is what was asked for; `lead` the meter's lead that goes there."""

    kind: str
    label: str
    x: float = 0.0
    y: float = 0.0
    to_x: float | None = None
    to_y: float | None = None
    points: str = ""
    chosen: bool = False
    lead: str = ""


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is drawn over a picture, in a box `WIDTH` wide and `height` high; what was asked for comes last."""

    height: float
    pins: tuple[DrawnPin, ...]

    @property
    def chosen(self) -> bool:
        """Whether something that was asked for is on the picture."""
        return any(pin.chosen or pin.lead for pin in self.pins)


def drawing_of(
    record: PictureRecord, asked: Iterable[str], leads: Mapping[str, str] | None = None
) -> Drawing:
    """Everything that lies on a picture. `asked` are names that stand out; `leads` where the red and the black lead
    go, such as "CN2 pin 4"."""
    view = places.shown(record)
    height = WIDTH * view.height / view.width
    wanted = {code_key(name) for name in asked} - {""}

    def spot(x: float, y: float) -> tuple[float, float]:
        x, y = view.of_own(x, y)
        return round(WIDTH * x, 1), round(height * y, 1)

    pins = []
    for pin in record.pins:
        chosen = code_key(pin.label) in wanted
        if pin.kind == "hot side":
            corners = " ".join(f"{x:g},{y:g}" for x, y in (spot(*one) for one in pin.outline))
            pins.append(DrawnPin(pin.kind, pin.label, points=corners))
        elif pin.x is not None and pin.y is not None:
            last = spot(pin.to_x, pin.to_y) if pin.to_x is not None and pin.to_y is not None else (None, None)
            x, y = spot(pin.x, pin.y)
            pins.append(DrawnPin(pin.kind, pin.label, x, y, last[0], last[1], chosen=chosen))
    for lead, where in (leads or {}).items():
        point = places.probe_at(record, _probe(lead, where))
        if point:
            x, y = round(WIDTH * point[0], 1), round(height * point[1], 1)
            pins.append(DrawnPin("lead", where, x, y, lead=lead))
    return Drawing(round(height, 1), tuple(sorted(pins, key=lambda pin: (pin.chosen, bool(pin.lead)))))


def _probe(lead: str, where: str) -> Probe:
    connector, word, number = where.rpartition(" pin ")
    if word and number.isascii() and number.isdigit() and len(number) <= 3:
        return Probe(lead, connector, int(number))
    return Probe(lead, place=where)
