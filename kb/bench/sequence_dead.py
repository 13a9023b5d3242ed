"""The dead checks of a bench sequence: everything that a meter can tell before mains goes on.

Junction drops from hand-held meters' manuals (0.4 to 0.9 V for a good silicon junction, up to 0.1 V for a
short); the other limits are common practice with no published source.
"""

from __future__ import annotations

from kb.bench.checks import number, volts
from kb.bench.connector import Probe
from kb.bench.sequence_types import BenchFamily, Step, cautions_together

DISCHARGED_V = 5.0
FUSE_OHM = 1.0
JUNCTION_LOW_V, JUNCTION_HIGH_V, JUNCTION_SHORT_V = 0.4, 0.9, 0.1


def mains_checks(family: BenchFamily) -> list[Step]:
    """Bulk capacitor empty, fuse, rectifier and switch both ways; each must be right before mains.

    A board without mains has none of them but its fuse, where it has one.
    """
    if not family.on_mains:
        return [_fuse(family)] if family.fuse else []
    return [
        _bulk_discharged(family),
        _fuse(family),
        _junction("rectifier", "mains rectifier", "inrush and rectifier", forward=True),
        _junction("rectifier", "mains rectifier", "inrush and rectifier", forward=False),
        _junction("switch", "main switch", "main converter", forward=True),
        _junction("switch", "main switch", "main converter", forward=False),
    ]


def _bulk_discharged(family: BenchFamily) -> Step:
    size = "" if family.bulk_uf is None else f" ({number(family.bulk_uf)} µF)"
    return Step(
        key="unpowered.bulk",
        stage="unpowered",
        kind="limit",
        title="Bulk capacitor discharged",
        instruction=f"Unplug, discharge the bulk capacitor{size} through a resistor, then measure across it.",
        expected=f"{volts(DISCHARGED_V)} or less",
        if_right="Discharged: the dead checks may begin.",
        if_wrong="Still charged: discharge it through a resistor and measure again before touching anything.",
        section="bulk and power factor stage",
        probes=(Probe("red", place="bulk capacitor +"), Probe("black", place="bulk capacitor −")),
        cautions=cautions_together("discharge"),
        point="bulk capacitor",
        right_low=-DISCHARGED_V,
        right_high=DISCHARGED_V,
        wrong_below=-DISCHARGED_V,
        wrong_above=DISCHARGED_V,
        stops=True,
        minutes=2.0,
    )


def _fuse(family: BenchFamily) -> Step:
    named = f" {family.fuse}" if family.fuse else ""
    return Step(
        key="unpowered.fuse",
        stage="unpowered",
        kind="limit",
        title=f"Fuse{named}",
        instruction="Measure the resistance of the fuse.",
        expected=f"{number(FUSE_OHM)} Ω or less",
        if_right="The fuse is whole.",
        if_wrong=(
            f"The fuse is open: find what blew it ({'rectifier, switch' if family.on_mains else 'a shorted part'}) "
            "before putting in another."
        ),
        section="mains input" if family.on_mains else "protection",
        probes=(Probe("red", place="fuse, one end"), Probe("black", place="fuse, other end")),
        cautions=cautions_together("unpowered"),
        point="fuse",
        quantity="ohm",
        right_low=0.0,
        right_high=FUSE_OHM,
        wrong_above=10.0,
        stops=True,
    )


def _junction(short: str, part: str, section: str, *, forward: bool) -> Step:
    if short == "rectifier":
        leads = ("an anode of each diode", "its cathode")
        what = "each of the four diodes; enter the lowest and the highest drop"
    else:
        leads = ("source (or emitter)", "drain (or collector)")
        what = "its body diode"
    if not forward:
        leads = (leads[1], leads[0])
        what = "the same the other way round"
    return Step(
        key=f"unpowered.{short}.{'forward' if forward else 'reverse'}",
        stage="unpowered",
        kind="limit" if forward else "open",
        title=f"{part.capitalize()}, {'forward' if forward else 'reverse'}",
        instruction=f"Diode test on the {part}: {what}.",
        expected=f"{number(JUNCTION_LOW_V)} to {number(JUNCTION_HIGH_V)} V" if forward else "no reading (OL)",
        if_right=f"The {part} is not shorted this way.",
        if_wrong=(
            f"A drop of {number(JUNCTION_SHORT_V)} V or less is a short: "
            f"lift or remove the {part} and measure it alone."
        ),
        section=section,
        probes=(Probe("red", place=leads[0]), Probe("black", place=leads[1])),
        cautions=cautions_together("unpowered"),
        point=part,
        quantity="diode_v",
        right_low=JUNCTION_LOW_V if forward else JUNCTION_HIGH_V,
        right_high=JUNCTION_HIGH_V if forward else None,
        wrong_below=JUNCTION_SHORT_V,
        extremes=short == "rectifier" and forward,
        stops=True,
        minutes=2.0,
    )
