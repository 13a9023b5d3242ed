"""A connector with every pin counted and the probes on them; the pages draw it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kb.errors import BadInput

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
    """One pin: the lead that goes on it and what it carries ("" for none)."""

    number: int
    lead: str
    net: str


@dataclass(frozen=True, slots=True)
class ConnectorPicture:
    """A connector and all its pins, from pin 1."""

    name: str
    pins: tuple[PinMark, ...]


def connector_picture(
    name: str, pins: int, rows: int = 1, probes: tuple[Probe, ...] = (), nets: Mapping[int, str] | None = None
) -> ConnectorPicture:
    """`pins` in `rows` with the probes that go on this connector; `nets` names what a pin carries.

    Raises:
        BadInput: when the pins do not fit the rows, or a probe goes on a pin that does not exist.
    """
    if not 1 <= pins <= _MOST_PINS:
        raise BadInput(
            f"{name} cannot have {pins} pins.", field="pins", remedy=f"Count them: 1 to {_MOST_PINS}."
        )
    if not 1 <= rows <= pins:
        raise BadInput(
            f"{name} cannot have {rows} rows with {pins} pins.", field="rows", remedy="Count the rows again."
        )
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
    carried = nets or {}
    numbers = range(1, pins + 1)
    return ConnectorPicture(
        name, tuple(PinMark(pin, leads.get(pin, ""), carried.get(pin, "")) for pin in numbers)
    )
