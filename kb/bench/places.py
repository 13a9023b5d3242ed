"""Where something lies on the pictures of a board: how a picture is shown, what part of it, and what is marked.

A picture is shown straight, by its four corners. What is shown of it is a window on a fixed grid, so that the same
few pieces are made once and serve every pin near them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import blake2b

from kb.bench.connector import Probe
from kb.errors import BadInput
from kb.facts import plane
from kb.facts.designators import code_key, designator_letters, is_designator, rail_key
from kb.facts.plane import Map, Point
from kb.model import FamilyRecord, PictureRecord, Pin, Rail

WINDOWS = (4, 2, 1)  # a window is so large a part of the picture's longer side
_SHAPE = 2 / 3  # its height to its width; the whole picture has its own
_STEPS = 4  # a window begins at so many places in its own width
_ROOM = 1.5  # a window is at least so many times as wide as what is marked in it
_PLACES = 6
_PRINTED = re.compile(r"[+-]?(?=[^a-z]*[A-Z])[A-Z0-9_.+-]{2,20}")  # BULK, 5VSB, +12V


@dataclass(frozen=True, slots=True)
class Shown:
    """How a picture is shown: its size in pixels, and the maps between fractions of the picture and of what is
    shown. `tag` tells it from other ways of showing the same picture."""

    width: int
    height: int
    forth: Map
    back: Map
    tag: str

    def of_own(self, x: float, y: float) -> Point:
        """Where a place of the picture is shown, in fractions of what is shown."""
        return plane.mapped(self.forth, (x, y))

    def to_own(self, x: float, y: float) -> Point:
        """Which place of the picture is shown there."""
        x, y = plane.mapped(self.back, (x, y))
        return round(x, _PLACES), round(y, _PLACES)


def shown(record: PictureRecord) -> Shown:
    """How a picture is shown: straightened by its corners, or as it is where it has none."""
    corners = tuple((x, y) for x, y in record.corners)
    return _shown(
        record.width_px, record.height_px, corners, record.straight_width_px, record.straight_height_px
    )


@lru_cache(maxsize=1024)
def _shown(
    width: int, height: int, corners: tuple[Point, ...], straight_w: int | None, straight_h: int | None
) -> Shown:
    if not corners or straight_w is None or straight_h is None:
        return Shown(width, height, plane.SAME, plane.SAME, "as-it-is")
    pixels: Map = (float(width), 0.0, 0.0, 0.0, float(height), 0.0, 0.0, 0.0, 1.0)
    straight = plane.straightening([(x * width, y * height) for x, y in corners], 1.0, 1.0)
    forth = plane.together(pixels, straight)
    said = f"{corners} {straight_w} {straight_h}".encode()
    return Shown(
        straight_w, straight_h, forth, plane.inverse(forth), blake2b(said, digest_size=4).hexdigest()
    )


@dataclass(frozen=True, slots=True)
class Window:
    """A piece of what is shown: the part `1 / of` of its longer side, `column` and `row` on the grid."""

    of: int
    column: int
    row: int

    def box(self, width: int, height: int) -> plane.Box:
        """(left, upper, right, lower) in pixels of what is shown. Raises BadInput where it has no such piece."""
        if self.of in WINDOWS:
            wide, high = _size(self.of, width, height)
            across, down = _grid(wide, width, self.column), _grid(high, height, self.row)
            if across is not None and down is not None:
                return across, down, across + wide, down + high
        raise BadInput(
            "The picture has no such piece.", field="picture", remedy="Open the picture and go on from there."
        )


def _size(of: int, width: int, height: int) -> tuple[float, float]:
    """Width and height of a window."""
    if of == 1:
        return float(width), float(height)
    side = max(width, height) / of
    return min(side, float(width)), min(side * _SHAPE, float(height))


def _grid(size: float, whole: float, number: int) -> float | None:
    """Where the window of that number begins, None where there is none."""
    last = math.ceil((whole - size) / (size / _STEPS) - 1e-9)
    return min(number * size / _STEPS, whole - size) if 0 <= number <= last else None


def window_around(points: Sequence[Point], width: int, height: int) -> Window:
    """The smallest piece that shows some points (pixels of what is shown) with room around them."""
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    upper, lower = min(y for _, y in points), max(y for _, y in points)
    sizes = ((one, *_size(one, width, height)) for one in WINDOWS)
    of, wide, high = next(
        size
        for size in sizes
        if size[0] == 1 or ((right - left) * _ROOM <= size[1] and (lower - upper) * _ROOM <= size[2])
    )

    def place(middle: float, size: float, most: float) -> int:
        step = size / _STEPS
        start = min(max(middle - size / 2, 0.0), most - size)
        return min(round(start / step), math.ceil((most - size) / step - 1e-9))

    return Window(of, place((left + right) / 2, wide, width), place((upper + lower) / 2, high, height))


@dataclass(frozen=True, slots=True)
class Marked:
    """One mark in a window: fractions of its width and height, what it is, and the lead that goes on it."""

    x: float
    y: float
    label: str
    lead: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """Where something is: a piece of a picture with marks, and what it says in words.

    `width` and `height` are those of the piece in pixels of what is shown, `across_mm` its width where the scale
    is known.
    """

    picture: str
    side: str
    tag: str
    window: Window
    width: int
    height: int
    marks: tuple[Marked, ...]
    title: str
    across_mm: float | None = None

    @property
    def at(self) -> str:
        """The first marked name, by which the whole picture is opened."""
        return self.marks[0].label


@dataclass(frozen=True, slots=True)
class _Spot:
    """Something found on a picture: where it is shown, in fractions."""

    picture: PictureRecord
    point: Point
    label: str


def pin_named(record: PictureRecord, label: str) -> Pin | None:
    """The pin of that name on a picture, however it is written; None where it has none."""
    key = code_key(label)
    return next((pin for pin in record.pins if pin.kind != "hot side" and code_key(pin.label) == key), None)


def _at(record: PictureRecord, pin: Pin, number: int | None = None) -> Point | None:
    """Where a pin is shown, or pin `number` of a connector; None where that is not known."""
    if pin.x is None or pin.y is None:
        return None
    view = shown(record)
    first = view.of_own(pin.x, pin.y)
    if pin.kind != "connector" or number is None:
        return first
    if number == 1:
        return first
    if pin.to_x is None or pin.to_y is None or pin.pins is None or not 1 <= number <= pin.pins:
        return None
    last = view.of_own(pin.to_x, pin.to_y)
    start, end = ((one[0] * view.width, one[1] * view.height) for one in (first, last))
    found = plane.between(start, end, number, pin.pins, pin.rows or 1)
    return None if found is None else (found[0] / view.width, found[1] / view.height)


def _middle(record: PictureRecord, pin: Pin) -> Point | None:
    first = _at(record, pin)
    if first is None or pin.to_x is None or pin.to_y is None:
        return first
    last = shown(record).of_own(pin.to_x, pin.to_y)
    return (first[0] + last[0]) / 2, (first[1] + last[1]) / 2


def part_place(pictures: Iterable[PictureRecord], label: str) -> Place | None:
    """Where the part, test point or connector of that name is; on the first picture that shows it."""
    for record in pictures:
        pin = pin_named(record, label)
        point = _middle(record, pin) if pin else None
        if pin and point:
            return _place([(_Spot(record, point, pin.label), "")], pin.label)
    return None


def _probe_spot(record: PictureRecord, probe: Probe) -> _Spot | None:
    if probe.connector and probe.pin is not None:
        pin = pin_named(record, probe.connector)
        point = _at(record, pin, probe.pin) if pin and pin.kind == "connector" else None
        return _Spot(record, point, probe.where) if point else None
    for word in named_in(probe.place):
        pin = pin_named(record, word)
        point = _at(record, pin) if pin else None
        if pin and point:
            return _Spot(record, point, pin.label)
    return None


def probe_at(record: PictureRecord, probe: Probe) -> Point | None:
    """Where a lead goes on a picture, in fractions of what is shown; None where the picture does not show it."""
    spot = _probe_spot(record, probe)
    return spot.point if spot else None


def named_in(text: str) -> list[str]:
    """What a place in words may be called on a picture: the whole, and each word of it that is written as names on
    boards are."""
    words = [word.strip(",;:()") for word in text.split()]
    named = (word for word in words if is_designator(word) or _PRINTED.fullmatch(word))
    return list(dict.fromkeys([text.strip(), *named])) if text.strip() else []


def probes_place(pictures: Iterable[PictureRecord], probes: Sequence[Probe]) -> Place | None:
    """Where the leads go, on the picture that shows most of them; None where none shows any."""
    best: list[tuple[_Spot, str]] = []
    for record in pictures:
        found = [(spot, probe.lead) for probe in probes if (spot := _probe_spot(record, probe)) is not None]
        if len(found) > len(best):
            best = found
    if not best:
        return None
    title = ", ".join(f"{lead} on {spot.label}" for spot, lead in best)
    return _place(best, title)


@dataclass(frozen=True, slots=True)
class Sort:
    """What a step means that names no part: the part classes it may be, the section where more than one has such a
    part, and the letters of designators that nothing else has (IEC 60617 and common practice)."""

    classes: tuple[str, ...]
    section: str = ""
    letters: tuple[str, ...] = ()


SORTS: dict[str, Sort] = {
    "fuse": Sort(("fuse", "fusible resistor"), letters=("F", "FU")),
    "bulk capacitor": Sort(("bulk capacitor",)),
    "mains rectifier": Sort(("bridge rectifier",), "inrush and rectifier", ("BD", "BR", "DB")),
    "main switch": Sort(("MOSFET", "IGBT", "bipolar transistor"), "main converter"),
    "power factor switch": Sort(("power factor MOSFET", "MOSFET", "IGBT"), "bulk and power factor stage"),
    "power factor diode": Sort(("fast rectifier", "diode"), "bulk and power factor stage"),
    "start-up resistor": Sort(("start-up resistor",)),
    "inrush limiter": Sort(("inrush limiter",), letters=("NTC", "TH", "RTH")),
}


def sort_place(pictures: Iterable[PictureRecord], what: str) -> Place | None:
    """Where the one part of that sort is; None where no part or more than one may be meant, for a wrong place is worse
    than none."""
    sort = SORTS.get(what)
    spots: list[tuple[bool, _Spot]] = []
    for record in pictures if sort else ():
        for pin in record.pins:
            point = _at(record, pin) if pin.kind == "part" and sort and _may_be(pin, sort) else None
            if point:
                spots.append((bool(pin.part_class), _Spot(record, point, pin.label)))
    sure = [spot for is_sure, spot in spots if is_sure] or [spot for _, spot in spots]
    return _place([(sure[0], "")], f"{sure[0].label}, the {what}") if len(sure) == 1 else None


def _may_be(pin: Pin, sort: Sort) -> bool:
    if pin.part_class:
        return pin.part_class in sort.classes and (not sort.section or pin.section in ("", sort.section))
    return designator_letters(pin.label) in sort.letters


def rail_of(family: FamilyRecord, name: str) -> Rail | None:
    """The rail of a family by its name, None where it has none of that name."""
    key = rail_key(name)
    return next((rail for rail in family.rails if rail_key(rail.name) == key), None)


def rail_probes(rail: Rail) -> tuple[Probe, ...]:
    """The leads for a rail at its connector; none where its pins are not known."""
    if not rail.connector or not rail.pins:
        return ()
    red = Probe("red", rail.connector, rail.pins[0])
    return (red, Probe("black", rail.connector, rail.ground_pins[0])) if rail.ground_pins else (red,)


def reading_place(
    pictures: Sequence[PictureRecord], family: FamilyRecord, rail: str | None, point: str | None
) -> Place | None:
    """Where a reading is taken: at the test point of that name, or at the pins of the rail's connector."""
    for name in (rail, point):
        if not name:
            continue
        found = part_place(pictures, name)
        if found:
            return found
        known = rail_of(family, name)
        if known and (there := probes_place(pictures, rail_probes(known))):
            return there
        for word in named_in(name)[1:]:
            if found := part_place(pictures, word):
                return found
    return None


def _place(spots: Sequence[tuple[_Spot, str]], title: str) -> Place:
    record = spots[0][0].picture
    view = shown(record)
    points = [(spot.point[0] * view.width, spot.point[1] * view.height) for spot, _ in spots]
    window = window_around(points, view.width, view.height)
    left, upper, right, lower = window.box(view.width, view.height)
    marks = tuple(
        Marked((x - left) / (right - left), (y - upper) / (lower - upper), spot.label, lead)
        for (spot, lead), (x, y) in zip(spots, points, strict=True)
    )
    across = None if record.mm_per_px is None else (right - left) * record.mm_per_px
    return Place(
        record.uid,
        record.side,
        view.tag,
        window,
        round(right - left),
        round(lower - upper),
        marks,
        title,
        across,
    )


def wanted_labels(
    family: FamilyRecord | None, names: Iterable[str], probes: Iterable[Probe] = ()
) -> set[str]:
    """All names of pins that `names` (parts, rails, test points) and `probes` may be shown by."""
    found: set[str] = set()
    for name in names:
        found.update(named_in(name))
        rail = rail_of(family, name) if family else None
        if rail and rail.connector:
            found.add(rail.connector)
    for probe in probes:
        found.update([probe.connector] if probe.connector else named_in(probe.place))
    return found


def same_place(record: PictureRecord, apart: float = 0.004) -> list[tuple[str, str]]:
    """Pairs of parts and test points that lie at one point, nearer than `apart` of the longer side."""
    view = shown(record)
    longer = max(view.width, view.height)
    spots = []
    for pin in record.pins:
        if pin.kind in ("part", "test point") and pin.x is not None and pin.y is not None:
            x, y = view.of_own(pin.x, pin.y)
            spots.append((x * view.width, y * view.height, pin.label))
    spots.sort()
    found = []
    for number, (x, y, label) in enumerate(spots):
        for x_other, y_other, other in spots[number + 1 :]:
            if x_other - x > apart * longer:
                break
            if math.hypot(x_other - x, y_other - y) < apart * longer:
                found.append((label, other))
    return found


def outside(record: PictureRecord) -> list[str]:
    """The names of pins that lie outside what is shown of a picture."""
    view = shown(record)
    found = []
    for pin in record.pins:
        places = [(pin.x, pin.y), (pin.to_x, pin.to_y)]
        points = [(x, y) for x, y in places if x is not None and y is not None]
        for x, y in points:
            x, y = view.of_own(x, y)
            if not (-1e-6 <= x <= 1 + 1e-6 and -1e-6 <= y <= 1 + 1e-6):
                found.append(pin.label)
                break
    return found


def moved(record: PictureRecord, by: Map, onto: PictureRecord) -> tuple[list[Pin], list[str]]:
    """(the pins of a picture as they lie on another, the names of those that fall outside it).

    `by` maps fractions of what is shown of the one to fractions of what is shown of the other.
    """
    old, new = shown(record), shown(onto)
    pins, lost = [], []
    for pin in record.pins:
        try:
            pins.append(_moved_pin(pin, old, by, new))
        except BadInput:
            lost.append(pin.label or "hot side")
    return pins, lost


def _moved_pin(pin: Pin, old: Shown, by: Map, new: Shown) -> Pin:
    def there(x: float, y: float, *, cut: bool = False) -> Point:
        at = plane.mapped(by, old.of_own(x, y))
        if cut:
            at = min(max(at[0], 0.0), 1.0), min(max(at[1], 0.0), 1.0)
        elif not (0 <= at[0] <= 1 and 0 <= at[1] <= 1):
            raise BadInput("The place lies outside the picture.", field="x", remedy="Place it by hand.")
        x, y = new.to_own(*at)
        return min(max(x, 0.0), 1.0), min(max(y, 0.0), 1.0)

    values: dict[str, object] = {}
    if pin.x is not None and pin.y is not None:
        values["x"], values["y"] = there(pin.x, pin.y)
    if pin.to_x is not None and pin.to_y is not None:
        values["to_x"], values["to_y"] = there(pin.to_x, pin.to_y)
    if pin.outline:
        values["outline"] = [list(there(x, y, cut=True)) for x, y in pin.outline]
    return pin.model_copy(update=values)
