"""The plain types of a bench sequence: what is known of a family, a step, what was entered, the outcome."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from kb.bench.checks import finite
from kb.bench.connector import ConnectorPicture, Probe
from kb.bench.enable import EnableLine, EnablePlan
from kb.bench.rail_types import Assessment, RailReading, RailSpec
from kb.errors import BadInput
from kb.facts.cautions import Caution, cautions_for

STAGES = ("unpowered", "standby", "enable", "unloaded", "loaded", "ripple", "cold starts", "soak")
OUTCOMES = ("right", "doubtful", "wrong")
PRIMARY_ROLES = ("bulk", "controller supply")
# Kinds of board that another supply feeds unless a mains side is stated; of any other kind, and of one that
# is not known, not stating it proves nothing, so the mains checks stay.
FED_KINDS = ("backlight driver", "control board", "display board")
_INPUT = re.compile(r"V[ _-]?IN$|^(?:V?IN|INPUT)\b", re.IGNORECASE)


def is_input(name: str) -> bool:
    """True for the name of a rail that comes in rather than out, such as 24VIN."""
    return _INPUT.search(name) is not None


@dataclass(frozen=True, slots=True)
class BenchRail:
    """A rail and where it comes out: connector name, its pins and its ground pins."""

    spec: RailSpec
    connector: str = ""
    pins: tuple[int, ...] = ()
    ground_pins: tuple[int, ...] = ()

    @property
    def on_primary(self) -> bool:
        """True when the rail is at mains potential."""
        return self.spec.role in PRIMARY_ROLES

    @property
    def is_input(self) -> bool:
        """True when its name says that it feeds the board (24VIN, VIN): it is measured and never loaded."""
        return is_input(self.spec.name)


@dataclass(frozen=True, slots=True)
class BenchConnector:
    """A connector that can be drawn: how many pins in how many rows."""

    name: str
    pins: int
    rows: int = 1


@dataclass(frozen=True, slots=True)
class BenchFamily:
    """What a bench sequence is made from; anything unknown may be left out."""

    code: str
    rails: tuple[BenchRail, ...] = ()
    connectors: tuple[BenchConnector, ...] = ()
    enable: EnableLine | None = None
    mains_v: float | None = None
    bulk_v: float | None = None
    bulk_uf: float | None = None
    fuse: str = ""
    kind: str = ""

    @property
    def on_mains(self) -> bool:
        """False for a board that a rail of another feeds, so that there is no mains section to check."""
        stated = (self.mains_v, self.bulk_v, self.bulk_uf)
        return (
            self.kind not in FED_KINDS
            or any(one is not None for one in stated)
            or any(rail.on_primary for rail in self.rails)
        )


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do and to enter.

    `kind` is `rail` (judged against the rail's window), `limit` (against `right_low` to `right_high`, and
    wrong outright beyond `wrong_below` or `wrong_above`, in the unit of `quantity`), `open` (the meter must
    show no reading) or `confirm` (nothing is measured). `repeats` is how often it is entered, `hold_s` how
    long to watch. `stops` means that the board is not energised while this is wrong. `section` is
    suspected when it is wrong.
    """

    key: str
    stage: str
    kind: str
    title: str
    instruction: str
    expected: str
    if_right: str
    if_wrong: str
    section: str
    probes: tuple[Probe, ...] = ()
    picture: ConnectorPicture | None = None
    cautions: tuple[Caution, ...] = ()
    rail: str | None = None
    point: str | None = None
    quantity: str = "dc_v"
    supply: str = "unpowered"
    load: str = "none"
    right_low: float | None = None
    right_high: float | None = None
    wrong_below: float | None = None
    wrong_above: float | None = None
    extremes: bool = False
    repeats: int = 1
    hold_s: float | None = None
    stops: bool = False
    minutes: float = 1.0

    @property
    def powered(self) -> bool:
        """True when mains is on during the step."""
        return self.supply != "unpowered"


@dataclass(frozen=True, slots=True)
class BenchSequence:
    """The steps of one family in order, all cautions once, the enable plan, and what was left out and why.

    `on_mains` is False where another supply feeds the board and no mains section is checked.
    """

    family: str
    steps: tuple[Step, ...]
    cautions: tuple[Caution, ...]
    rails: tuple[RailSpec, ...]
    enable: EnablePlan | None
    left_out: tuple[str, ...]
    on_mains: bool = True

    @property
    def switched_on(self) -> str:
        """What is on during a powered step."""
        return "mains on" if self.on_mains else "supply on"

    def step(self, key: str) -> Step:
        """The step with this key.

        Raises:
            BadInput: when there is none.
        """
        found = next((step for step in self.steps if step.key == key), None)
        if found is None:
            raise BadInput(
                f"This sequence has no step “{key}”.",
                field="step",
                remedy="Open the sequence again and go on.",
            )
        return found


@dataclass(frozen=True, slots=True)
class Entry:
    """What was entered at a step: a value with its recorded extremes, or that the meter showed no reading
    (`open`), or that a step without a measurement was done."""

    value: float | None = None
    min: float | None = None
    max: float | None = None
    open: bool = False
    done: bool = False

    def __post_init__(self) -> None:
        for field in ("value", "min", "max"):
            given = getattr(self, field)
            if given is not None:
                finite(given, field, "what was entered")

    @property
    def numbers(self) -> tuple[float, ...]:
        """The values that were entered."""
        return tuple(given for given in (self.value, self.min, self.max) if given is not None)


@dataclass(frozen=True, slots=True)
class StepResult:
    """How a step came out: `right`, `doubtful` (go on, a later step decides) or `wrong`, and why."""

    step: str
    outcome: str
    sentence: str
    entry: Entry
    reading: RailReading | None = None
    assessment: Assessment | None = None


@dataclass(frozen=True, slots=True)
class SequenceVerdict:
    """Where the board stands: `passed`, `failed` or `not finished`.

    `failed` names the rails and steps that are wrong, `sections` what is suspected (most often first),
    `fractions` the highest share of rated load that was applied to each rail, None where it is not known.
    """

    state: str
    sentence: str
    failed: tuple[str, ...]
    sections: tuple[str, ...]
    fractions: tuple[tuple[str, float | None], ...]
    rail_sentences: tuple[tuple[str, str], ...]
    remaining: int


def cautions_together(*kinds: str) -> tuple[Caution, ...]:
    """The cautions of several kinds of step, each once, in the order in which they come."""
    return tuple(dict.fromkeys(caution for kind in kinds for caution in cautions_for(kind)))


def probes_of(rail: BenchRail) -> tuple[Probe, ...]:
    """Red on the rail's first pin and black on its first ground pin, or the places in words."""
    return (
        _probe("red", rail.connector, rail.pins, f"output of {rail.spec.name}"),
        _probe("black", rail.connector, rail.ground_pins, "ground of the outputs"),
    )


def _probe(lead: str, connector: str, pins: Sequence[int], place: str) -> Probe:
    return Probe(lead, connector, pins[0]) if connector and pins else Probe(lead, place=place)
