"""Geometry of a connector picture: every pin counted, the probes placed, for whatever draws it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kb.errors import BadInput

NUMBERINGS = ("across", "along")
PITCH = 28.0
MARGIN = 22.0
PIN_SIDE = 16.0
LABEL_HEIGHT = 18.0
_MOST_PINS = 200


@dataclass(frozen=True, slots=True)
class Probe:
    """One lead of the meter: `lead` is `red` or `black` (or `clip`), on a pin of a connector or at a place.

    `place` is used where there is no pin, such as the legs of a fuse.
    """

    lead: str
    connector: str = ""
    pin: int | None = None
    place: str = ""

    @property
    def where(self) -> str:
        """The place in words."""
        if self.pin is not None and self.connector:
            return f"{self.connector} pin {self.pin}"
        return self.place or self.connector or "place not known"


@dataclass(frozen=True, slots=True)
class PinMark:
    """One pin: its centre, where its number stands, and the lead that goes on it ('' for none)."""

    number: int
    x: float
    y: float
    label_x: float
    label_y: float
    lead: str
    net: str


@dataclass(frozen=True, slots=True)
class ConnectorPicture:
    """Everything in one unit, for an SVG view box of `width` by `height`; `description` says it in words."""

    name: str
    width: float
    height: float
    pin_side: float
    outline: tuple[float, float, float, float]
    pins: tuple[PinMark, ...]
    pin_one: tuple[float, float]
    description: str


def connector_picture(
    name: str,
    pins: int,
    rows: int = 1,
    probes: tuple[Probe, ...] = (),
    nets: Mapping[int, str] | None = None,
    numbering: str = "across",
) -> ConnectorPicture:
    """Place `pins` in `rows` with pin 1 at the upper left, seen from the side the probes come from.

    `across` counts from row to row before moving on (1 3 5 above 2 4 6), as pin headers do; `along` counts
    the first row to its end, then the next. `nets` names what a pin carries.

    Raises:
        BadInput: when the pins do not fit the rows, or a probe goes on a pin that does not exist.
    """
    _check(name, pins, rows, numbering)
    columns = -(-pins // rows)
    leads: dict[int, str] = {}
    for probe in probes:
        if probe.connector != name or probe.pin is None:
            continue
        if not 1 <= probe.pin <= pins:
            raise BadInput(
                f"{name} has {pins} pins, so there is no pin {probe.pin}.",
                field="pin",
                remedy="Count the pins again from pin 1, or correct the family.",
            )
        leads[probe.pin] = probe.lead
    top = MARGIN + LABEL_HEIGHT
    width = 2 * MARGIN + columns * PITCH
    height = 2 * top + rows * PITCH
    marks = []
    for number in range(1, pins + 1):
        column, row = _cell(number, rows, columns, numbering)
        x = MARGIN + (column + 0.5) * PITCH
        y = top + (row + 0.5) * PITCH
        # Numbers of inner rows stand inside the pin's own cell, those of outer rows clear of the body.
        label_y = top - 6.0 if row == 0 and rows > 1 else top + rows * PITCH + 14.0
        if 0 < row < rows - 1:
            label_y = y + PIN_SIDE / 2 + 5.0
        marks.append(PinMark(number, x, y, x, label_y, leads.get(number, ""), (nets or {}).get(number, "")))
    return ConnectorPicture(
        name=name,
        width=width,
        height=height,
        pin_side=PIN_SIDE,
        outline=(MARGIN, top, columns * PITCH, rows * PITCH),
        pins=tuple(marks),
        pin_one=(marks[0].x, marks[0].y),
        description=_described(name, pins, rows, leads),
    )


def _check(name: str, pins: int, rows: int, numbering: str) -> None:
    if not 1 <= pins <= _MOST_PINS:
        raise BadInput(
            f"{name} cannot have {pins} pins.", field="pins", remedy=f"Count them: 1 to {_MOST_PINS}."
        )
    if not 1 <= rows <= pins:
        raise BadInput(
            f"{name} cannot have {rows} rows with {pins} pins.", field="rows", remedy="Count the rows again."
        )
    if numbering not in NUMBERINGS:
        raise BadInput(
            f"The pins of {name} cannot be counted “{numbering}”.",
            field="numbering",
            remedy=f"Choose one of: {', '.join(NUMBERINGS)}.",
        )


def _cell(number: int, rows: int, columns: int, numbering: str) -> tuple[int, int]:
    """(column, row) of a pin, from 0."""
    place = number - 1
    if numbering == "across":
        return place // rows, place % rows
    return place % columns, place // columns


def _described(name: str, pins: int, rows: int, leads: Mapping[int, str]) -> str:
    shape = f"{pins} pin{'s' if pins > 1 else ''} in {rows} row{'s' if rows > 1 else ''}"
    put = "; ".join(f"{lead} lead on pin {pin} of {pins}" for pin, lead in sorted(leads.items()))
    return f"Connector {name}, {shape}, pin 1 at the upper left" + (f"; {put}." if put else ".")
