"""What good boards of a family measure, and a board beside them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

import numpy as np
from sqlmodel import Session

from kb.facts.designators import rail_key
from kb.facts.quantities import format_quantity
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.facts.vocabulary import QUANTITIES, SUPPLY_STATES, values
from kb.model import FamilyRecord, PinValue, Reading
from kb.model.fields import PIN_FIELDS
from kb.service.shop.shop import Shop
from kb.service.shop.translate import find_rail
from kb.store.records import families, good_readings
from kb.suggest.normals import FEWEST_BOARDS, Beside, Floats, Normal, Place, alone, beside, leaned, normals

__all__ = [
    "FEWEST_BOARDS",
    "BesideLine",
    "GoodBoards",
    "Learned",
    "Normal",
    "NormalLine",
    "Place",
    "Strip",
    "beside_good",
    "known",
    "learned_of",
    "of_family",
]

MOST_BOARDS = 1_000
_DOTS = 40
_KNOWN_GOOD = -1  # the board of the family's own pin table, which is no case
_ROOM = 1.8  # of the interval's half width, to each side of the normal value
_SUPPLIES, _QUANTITIES = values(SUPPLY_STATES), values(QUANTITIES)


@dataclass(frozen=True, slots=True)
class Strip:
    """A place drawn: where things lie on its scale, 0 to 1; `reading` is the board beside the good ones. What lies
    beyond an end is not drawn, the reading as an arrowhead there.

    `dots` are the newest good boards as one path, in hundredths of the scale at the height 17.
    """

    low: float
    high: float
    band: tuple[float, float] | None
    middle: float
    dots: str
    reading: float | None
    beyond: str = ""


@dataclass(frozen=True, slots=True)
class NormalLine:
    """One place with its name as people write it, and what good boards measured there, in words and drawn.

    `usual` is the normal value; `within` where the next good board lies, "" where that is not known; `measured`
    from the least to the most that was measured.
    """

    name: str
    normal: Normal
    usual: str
    within: str
    measured: str
    strip: Strip


@dataclass(frozen=True, slots=True)
class BesideLine:
    """A reading of the board on the bench beside the good ones; `line` None where no good board was measured."""

    name: str
    reading: Reading
    found: Beside
    line: NormalLine | None


@dataclass(frozen=True, slots=True)
class GoodBoards:
    """What good boards of a family measured.

    `measured` has for each place the boards (numbers) and their values, one each; `board_of` the number of a
    case's board. `others` of the boards are other shops'. `lines` has every place: unpowered ones first, rails in the
    family's order, then test points by name.
    """

    boards: int
    others: int
    names: Mapping[Place, str]
    measured: Mapping[Place, tuple[Floats, Floats]]
    normals: Mapping[Place, Normal]
    board_of: Mapping[str, int]
    lines: tuple[NormalLine, ...] = ()

    def without(self, uid: str, places: Iterable[Place]) -> Mapping[Place, Normal]:
        """The normals of some places, learned without the board of this case where it is among them."""
        asked = [place for place in places if place in self.measured]
        board = self.board_of.get(uid)
        if board is None:
            return {place: self.normals[place] for place in asked}
        found = {place: (one.boards, one.location, one.own_spread) for place, one in self.normals.items()}
        for place in asked:
            boards, values = self.measured[place]
            others = values[boards != board]
            if len(others) == len(values):
                continue
            del found[place]
            if len(others):
                found[place] = alone(others)
        return leaned(found, [place for place in asked if place in found])


def of_family(shop: Shop, number: str) -> tuple[FamilyRecord, GoodBoards]:
    """A family and what its good boards measured. Raises NotFound."""
    with shop.read() as session:
        stored = families.get(session, number)
        return stored.record, known(shop, session, stored.id, stored.record)


def known(shop: Shop, session: Session, family_id: int, family: FamilyRecord) -> GoodBoards:
    """The same in a transaction; worked out again when a case or family has changed."""
    name = f"good boards of {family_id}"
    return shop.kept.get(session, name, ("case", "family"), lambda session: _read(session, family_id, family))


def _read(session: Session, family_id: int, family: FamilyRecord) -> GoodBoards:
    cases = good_readings.good_cases(session, family_id, MOST_BOARDS)
    rows = good_readings.of_good_cases(session, cases) if cases else []
    numbers: dict[str, int] = {}
    # A board that came in twice is one board, known by its serial number.
    board_of_id = {
        row.id: numbers.setdefault(f"serial {row.serial}" if row.serial else f"case {row.id}", len(numbers))
        for row in cases
    }
    names: dict[Place, str] = {}
    places: dict[tuple[Any, ...], Place] = {}
    by_board: dict[Place, dict[int, list[float]]] = {}
    for case_id, rail, point, quantity, supply, load, value in rows:
        key = (rail, point, quantity, supply, load)
        place = places.get(key)
        if place is None:
            place, name = place_of(family, rail or point, quantity, supply, load)
            places[key] = place
            names.setdefault(place, name)
        by_board.setdefault(place, {}).setdefault(board_of_id[case_id], []).append(value)
    pins: list[tuple[int, PinValue]] = [(_KNOWN_GOOD, one) for one in family.pin_values]
    for row in cases:
        # Pins are measured as a board comes in: those of a repaired one may show its fault.
        if row.pin_values and row.verdict == "no fault found":
            pins += [(board_of_id[row.id], PinValue.model_construct(**one)) for one in row.pin_values]
    for board, pin in pins:
        for reading in pin_readings(pin):
            where, value = str(reading.point), reading.value
            place, name = place_of(family, where, reading.quantity, reading.supply, reading.load)
            names.setdefault(place, name)
            if value is not None:
                by_board.setdefault(place, {}).setdefault(board, []).append(value)
    measured = {
        place: (
            np.array(list(found), dtype=np.float64),
            np.array([one[0] if len(one) == 1 else median(one) for one in found.values()]),
        )
        for place, found in by_board.items()
    }
    good = GoodBoards(
        len(numbers),
        len({board_of_id[row.id] for row in cases if row.origin_id is not None}),
        names,
        measured,
        normals({place: found for place, (_, found) in measured.items()}),
        {row.uid: board_of_id[row.id] for row in cases},
    )
    return replace(good, lines=_lines_of(family, good))


def pin_readings(pin: PinValue) -> list[Reading]:
    """What one pin measured, as readings of an unplugged board at a point for each polarity."""
    found = []
    for name in PIN_FIELDS:
        quantity, _, colour = name.rpartition("_")
        value = getattr(pin, name)
        if value is not None:
            point = f"{pin.connector} pin {pin.pin}, {colour} on the pin"
            found.append(Reading(point=point[-80:], quantity=quantity, supply="unpowered", value=value))
    return found


def place_of(family: FamilyRecord, where: str, quantity: str, supply: str, load: str) -> tuple[Place, str]:
    """(place, its name as people write it): a rail by the family's own name, a test point whatever its spelling."""
    rail = find_rail(family, where)
    name = rail.name if rail else where
    return Place(rail_key(name), quantity, supply, load), name


def _lines_of(family: FamilyRecord, good: GoodBoards) -> tuple[NormalLine, ...]:
    order = {rail_key(rail.name): number for number, rail in enumerate(family.rails)}

    def key(place: Place) -> tuple[Any, ...]:
        return (
            _SUPPLIES.index(place.supply),
            _QUANTITIES.index(place.quantity),
            order.get(place.where, len(order)),
            place.where,
            place.load,
        )

    # What the known good board alone measured stands in its own table.
    shown = [place for place in good.normals if good.measured[place][0].tolist() != [_KNOWN_GOOD]]
    return tuple(_line(good, place, good.normals[place]) for place in sorted(shown, key=key))


def _line(good: GoodBoards, place: Place, normal: Normal, reading: float | None = None) -> NormalLine:
    found = good.measured[place][1]
    digits, unit = _digits(normal), UNIT_OF_QUANTITY[place.quantity]

    def said(value: float) -> str:
        return format_quantity(value, unit, digits).replace("-", "\N{MINUS SIGN}")

    def span(low: float, high: float) -> str:
        return said(low) if said(low) == said(high) else f"{said(low)} to {said(high)}"

    within = "" if normal.low is None or normal.high is None else span(normal.low, normal.high)
    measured = span(float(found.min()), float(found.max()))
    drawn = _strip(normal, found, reading)
    return NormalLine(good.names[place], normal, said(normal.location), within, measured, drawn)


def _digits(normal: Normal) -> int:
    """Figures that show the spread of the value, from three as everywhere to five."""
    if not (normal.spread > 0.0 and normal.location):
        return 3
    return min(
        5, max(3, 1 + math.floor(math.log10(abs(normal.location))) - math.floor(math.log10(normal.spread)))
    )


def _strip(normal: Normal, found: Floats, reading: float | None) -> Strip:
    if normal.low is not None and normal.high is not None:
        reach = _ROOM * (normal.high - normal.location)
        low, high = normal.location - reach, normal.location + reach
    else:
        ends = [*found.tolist(), *([] if reading is None else [reading])]
        reach = max(max(ends) - min(ends), 0.02 * abs(normal.location), 1e-12)
        low, high = min(ends) - 0.2 * reach, max(ends) + 0.2 * reach

    def at(value: float) -> float:
        return (value - low) / (high - low)

    dots = [at(value) for value in found[:_DOTS].tolist()]
    band = None if normal.low is None or normal.high is None else (at(normal.low), at(normal.high))
    beyond = "" if reading is None or low <= reading <= high else "low" if reading < low else "high"
    return Strip(
        low,
        high,
        band,
        at(normal.location),
        "".join([f"M{100 * dot:.2f} 17h0" for dot in dots if 0.0 <= dot <= 1.0]),
        None if reading is None or beyond else at(reading),
        beyond,
    )


@dataclass(frozen=True, slots=True)
class Learned:
    """What enough good boards say of a reading: `sentence` in words, `unlike` where it lies outside their interval."""

    sentence: str
    unlike: bool
    above: bool
    boards: int


def learned_of(
    good: GoodBoards, family: FamilyRecord, uid: str, readings: Sequence[Reading]
) -> list[Learned | None]:
    """For each reading what good boards say of it, the case's own board left out; None where too few were measured
    there, or the reading was taken after the repair."""
    places = [
        place_of(family, str(one.rail or one.point), one.quantity, one.supply, one.load)[0]
        if one.value is not None and not one.after_repair
        else None
        for one in readings
    ]
    normals_there = good.without(uid, {place for place in places if place is not None})
    return [
        _learned(good, normals_there.get(place), family, reading.value)
        if place and reading.value is not None
        else None
        for place, reading in zip(places, readings, strict=True)
    ]


def _learned(good: GoodBoards, normal: Normal | None, family: FamilyRecord, value: float) -> Learned | None:
    if normal is None or not normal.judges:
        return None
    off = normal.off(value) or 0.0
    unlike = not normal.holds(value)
    within = _line(good, normal.place, normal).within
    side = f"this one is {abs(off):.1f} spreads {'above' if off > 0 else 'below'} their normal value"
    said = (
        f"By {normal.boards} good boards of {family.code} {within} is usual here; "
        f"{side if unlike else 'this one lies within'}."
    )
    return Learned(said, unlike, off > 0, normal.boards)


def beside_good(
    good: GoodBoards, family: FamilyRecord, uid: str, readings: Iterable[Reading]
) -> tuple[BesideLine, ...]:
    """A board's readings beside the good boards, the board itself left out: what is off most first."""
    named: dict[tuple[Place, float], tuple[str, Reading]] = {}
    for reading in readings:
        if reading.value is None:
            continue
        where = str(reading.rail or reading.point)
        place, name = place_of(family, where, reading.quantity, reading.supply, reading.load)
        named.setdefault((place, reading.value), (name, reading))
    learned = good.without(uid, {place for place, _ in named})
    return tuple(
        BesideLine(
            *named[one.place, one.value],
            one,
            _line(good, one.place, one.normal, one.value) if one.normal else None,
        )
        for one in beside(list(named), learned)
    )
