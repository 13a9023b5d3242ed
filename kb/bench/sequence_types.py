"""The plain types of a bench sequence: what is known of a family, a step, what was entered, the outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from kb.bench.checks import finite
from kb.bench.circumstances import BenchHelp
from kb.bench.connector import ConnectorPicture, Probe
from kb.bench.enable import EnableLine, EnablePlan
from kb.bench.rail_types import Assessment, RailReading, RailSpec
from kb.errors import BadInput
from kb.facts.cautions import Caution, cautions_for

STAGES = (
    "unpowered",
    "first power",
    "standby",
    "enable",
    "unloaded",
    "loaded",
    "ripple",
    "cold starts",
    "soak",
)
LAMPS = ("lamp", "mixed")  # natures of a load that is cold and hungry when it is switched on
WARM_RIPPLE = "warm ripple."  # key of the ripple steps at the end of a soak, before the rail
# Kinds of board that another supply feeds unless a mains side is stated; of any other kind, and of one that
# is not known, not stating it proves nothing, so the mains checks stay.
FED_KINDS = ("backlight driver", "control board", "display board")
BATTERY_KINDS = ("inverter", "battery charger")


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
        return self.spec.on_primary

    @property
    def is_input(self) -> bool:
        """True when its name says that it feeds the board (24VIN, VIN): it is measured and never loaded."""
        return self.spec.is_input

    @property
    def outgoing(self) -> bool:
        """True for an output that a test load may go on."""
        return not self.spec.never_loaded


@dataclass(frozen=True, slots=True)
class BenchConnector:
    """A connector that can be drawn: how many pins in how many rows."""

    name: str
    pins: int
    rows: int = 1


@dataclass(frozen=True, slots=True)
class BenchFamily:
    """What a bench sequence is made from; anything unknown may be left out.

    `isolated` None means that nobody knows, which is treated as not isolated. `good_ohm` holds for each rail
    what good boards of the family read to ground, in ohms.
    """

    code: str
    rails: tuple[BenchRail, ...] = ()
    connectors: tuple[BenchConnector, ...] = ()
    enable: EnableLine | None = None
    mains_v: float | None = None
    bulk_v: float | None = None
    bulk_uf: float | None = None
    fuse: str = ""
    kind: str = ""
    isolated: bool | None = None
    switch: str = ""
    good_ohm: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    @property
    def mains_reference(self) -> bool:
        """True where the outputs may be at mains potential: not isolated, or not known to be."""
        return self.on_mains and self.isolated is not True

    @property
    def battery(self) -> bool:
        """True for a kind of board that a battery keeps alive when the plug is out."""
        return self.kind in BATTERY_KINDS

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
class Choice:
    """One answer to a step that asks what was seen, how it is judged, and what it means."""

    key: str
    label: str
    outcome: str
    judgement: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do and to enter.

    `kind` is `rail` (judged against the rail's window), `limit` (against `right_low` to `right_high`, and
    wrong outright beyond `wrong_below` or `wrong_above`, in the unit of `quantity`), `open` (the meter must
    show no reading), `choice` (one of `choices`) or `confirm` (nothing is measured). `repeats` is how often it
    is entered, `hold_s` how long to watch. `stops` means that nothing goes on while this is wrong. `section`
    is suspected when it is wrong. `no_reading` is how a meter that shows nothing is judged; `below` and `above`
    name what lies beyond the wrong bounds. An `optional` step is asked only where another one failed, or where the
    one named by `asked_after` left its rail to the load.
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
    choices: tuple[Choice, ...] = ()
    no_reading: str = "wrong"
    if_open: str = ""
    below: str = "shorted"
    above: str = "open"
    optional: bool = False
    asked_after: str = ""

    @property
    def powered(self) -> bool:
        """True when mains is on during the step."""
        return self.supply != "unpowered"

    @property
    def takes_load(self) -> bool:
        """True where a load is connected for the step, so that it notes how much."""
        return self.kind == "rail" and self.load == "test load" and self.stage in ("standby", "loaded")


@dataclass(frozen=True, slots=True)
class BenchSequence:
    """The steps of one family in order, all cautions once, the enable plan, and what was left out and why.

    `on_mains` is False where another supply feeds the board and no mains section is checked. `refused` says why
    no powered step may be done, "" where they may; `reference` where the outputs' ground lies.
    """

    family: str
    steps: tuple[Step, ...]
    cautions: tuple[Caution, ...]
    rails: tuple[RailSpec, ...]
    enable: EnablePlan | None
    left_out: tuple[str, ...]
    on_mains: bool = True
    refused: str = ""
    reference: str = ""
    battery: bool = False
    mains_v: float | None = None
    load_kinds: Mapping[str, str] = field(default_factory=dict)
    load_watts: float = 0.0
    wet: bool = False

    def spec(self, rail: str | None) -> RailSpec | None:
        """The rail of that name, None where there is none."""
        return next((spec for spec in self.rails if spec.name == rail), None)

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
    (`open`), or that a step without a measurement was done, or which `answer` was chosen.

    `in_ohm` says that a resistance was measured where a junction drop is usual. `held_s` is how long it ran,
    `drift` by how many volts it fell (below 0) or rose steadily, `help` what held the rail up, `lamp_w` the
    watts of a lamp in the mains lead; each None where it was not noted.
    """

    value: float | None = None
    min: float | None = None
    max: float | None = None
    open: bool = False
    done: bool = False
    answer: str = ""
    in_ohm: bool = False
    held_s: float | None = None
    drift: float | None = None
    help: BenchHelp | None = None
    lamp_w: float | None = None

    def __post_init__(self) -> None:
        for name in ("value", "min", "max", "held_s", "drift", "lamp_w"):
            given = getattr(self, name)
            if given is not None:
                finite(given, name, "what was entered")

    @property
    def numbers(self) -> tuple[float, ...]:
        """The values that were entered."""
        return tuple(given for given in (self.value, self.min, self.max) if given is not None)


@dataclass(frozen=True, slots=True)
class StepResult:
    """How a step came out: `right`, `doubtful` (go on, a later step decides) or `wrong`, and why.

    `judgement` is one of `kb.bench.rail_types.JUDGEMENTS`.
    """

    step: str
    outcome: str
    sentence: str
    entry: Entry
    reading: RailReading | None = None
    assessment: Assessment | None = None
    judgement: str = "unknown"


@dataclass(frozen=True, slots=True)
class SequenceVerdict:
    """Where the board stands: `passed`, `failed` or `not finished`.

    `failed` names the rails and steps that are wrong, `sections` what is suspected (most often first),
    `fractions` the highest share of rated load that was applied to each rail, None where it is not known, `across`
    what the rails say together.
    """

    state: str
    sentence: str
    failed: tuple[str, ...]
    sections: tuple[str, ...]
    fractions: tuple[tuple[str, float | None], ...]
    rail_sentences: tuple[tuple[str, str], ...]
    remaining: int
    across: str = ""


def cautions_together(*kinds: str) -> tuple[Caution, ...]:
    """The cautions of several kinds of step, each once, in the order in which they come."""
    return tuple(dict.fromkeys(caution for kind in kinds for caution in cautions_for(kind)))


def probes_of(rail: BenchRail) -> tuple[Probe, ...]:
    """Red on the rail's first pin and black on its first ground pin, or the places in words.

    A pin that the family states as both is neither: both leads on it would read nothing.
    """
    pins = [pin for pin in rail.pins if pin not in rail.ground_pins]
    grounds = [pin for pin in rail.ground_pins if pin not in rail.pins]
    return (
        _probe("red", rail.connector, pins, f"output of {rail.spec.name}"),
        _probe("black", rail.connector, grounds, "ground of the outputs"),
    )


def _probe(lead: str, connector: str, pins: Sequence[int], place: str) -> Probe:
    return Probe(lead, connector, pins[0]) if connector and pins else Probe(lead, place=place)
