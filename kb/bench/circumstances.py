"""What is known around a reading: the load's nature, what helped, what its neighbours and the dead checks say."""

from __future__ import annotations

from dataclasses import dataclass

LOAD_KINDS = ("resistor", "lamp", "electronic", "mixed")


@dataclass(frozen=True, slots=True)
class BenchHelp:
    """A bench supply that holds a rail up: volts and current limit (A, None where not noted), through a diode.

    `state` is `held` while it is on, `removed` for what was read after it was taken off.
    """

    state: str
    volts: float | None = None
    limit_a: float | None = None
    diode: bool = False

    @property
    def words(self) -> str:
        """The help in words: "5.1 V, 0.5 A, through a diode"."""
        parts = [
            f"{value:g} {unit}"
            for value, unit in ((self.volts, "V"), (self.limit_a, "A"))
            if value is not None
        ]
        return ", ".join([*parts, *(["through a diode"] if self.diode else [])])


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Everything beside the value itself that decides what a reading means; nothing is assumed.

    `load_kind` is one of `LOAD_KINDS` or "" where it is not known; `cold_load` says that it was connected
    before the start. `unloaded_v` is what the rail read with nothing connected, `cycled_unloaded` that it
    came and went then. `steady` and `cycling` name other rails that were in order, or came and went, in the
    same supply state; `idle` those that are switched, rated and carry no load; `loaded` those that still
    carry a test load. `fuse_whole` is None where the fuse was not measured; `bulk_v` what the bulk showed
    under power. `series_lamp` says that a lamp limits the current of the mains, `starved` that the loads
    want more watts than it lets through. `drift` is by how many volts a log fell (below 0) or rose steadily.
    `feed` is what is switched to take the power away.
    `came_back` says that the capacitor had been discharged before, `battery` that one feeds the board.
    """

    load_kind: str = ""
    cold_load: bool = False
    help: BenchHelp | None = None
    unloaded_v: float | None = None
    cycled_unloaded: bool = False
    steady: tuple[str, ...] = ()
    cycling: tuple[str, ...] = ()
    idle: tuple[str, ...] = ()
    loaded: tuple[str, ...] = ()
    fuse_whole: bool | None = None
    bulk_v: float | None = None
    mains_v: float | None = None
    series_lamp: bool = False
    starved: bool = False
    drift: float | None = None
    came_back: bool = False
    battery: bool = False
    on_mains_reference: bool = False
    wet: bool = False
    feed: str = "Mains"


NOTHING_KNOWN = Circumstances()
