"""The shape of a board family in the demo: rails, connectors, enable line, and who owns it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rail:
    """One supply of a family; `tolerance_pct` None means that nobody ever found a limit written down."""

    name: str
    role: str
    nominal_v: float
    tolerance_pct: float | None = None
    rated_a: float | None = None
    ripple_mv: float | None = None
    connector: str = ""
    pins: tuple[int, ...] = ()
    ground_pins: tuple[int, ...] = ()
    always_on: bool = False
    standby_v: float | None = None  # where the rail sits before the board is enabled, if not at zero


@dataclass(frozen=True, slots=True)
class Enable:
    """How the main converter is switched on at the bench."""

    connector: str
    pin: int
    from_rail: str
    active: str
    resistor_ohm: float


@dataclass(frozen=True, slots=True)
class Family:
    """A board family, and what the demo needs to know to tell stories about it.

    `missing` and `unsteady` are the symptoms of the set when its supply fails wholly or half;
    `hunts` names rails that pump when nothing is connected although the board is in order; `says` is how
    its owners put a symptom where the usual phrases do not suit; `archetype` is the hand-written family
    that an invented one was varied from.
    """

    code: str
    kind: str
    things: tuple[str, ...]
    customers: tuple[str, ...]
    rails: tuple[Rail, ...]
    connectors: tuple[tuple[str, int, int], ...]
    missing: str
    unsteady: str
    aliases: tuple[str, ...] = ()
    mains_v: float | None = 230
    bulk_v: float | None = None
    bulk_uf: float | None = None
    fuse: str = ""
    isolated: bool | None = None
    switch: str = ""
    enable: Enable | None = None
    notes: str = ""
    revisions: tuple[str, ...] = ("A", "B")
    share: float = 1.0
    hunts: tuple[str, ...] = ()
    says: tuple[tuple[str, tuple[str, ...]], ...] = ()
    archetype: str = ""


def bulk(nominal_v: float, boosted: bool) -> Rail:
    """Rectified mains; `boosted` where a power factor stage lifts it once the board is enabled."""
    return Rail("BULK", "bulk", nominal_v, standby_v=324.0 if boosted else nominal_v, always_on=not boosted)


def controller_supply(nominal_v: float, switched: bool = False) -> Rail:
    """The supply of the control circuit; `switched` where it comes with the enable line only."""
    return Rail("VCC", "controller supply", nominal_v, always_on=not switched)
