"""The dead checks of a bench sequence: everything that a meter can tell before mains goes on.

Limits and their origin: `kb.bench.limits`. Ranges by kind of part are common practice with no published source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from kb.bench.checks import number, ohms, volts
from kb.bench.connector import Probe
from kb.bench.limits import (
    FUSE_OHM,
    FUSE_OPEN_OHM,
    GOOD_ALIKE_FRACTION,
    GOOD_SHORT_FRACTION,
    GROUND_CLEAR_TIMES,
    GROUND_SHORT_SHARE,
    JUNCTION_HIGH_V,
    JUNCTION_LOW_V,
    JUNCTION_SHORT_V,
    METER_V,
    SHORT_OHM,
    UNRATED_CLEAR_OHM,
    UNRATED_SHORT_OHM,
)
from kb.bench.rail_types import RailSpec
from kb.bench.sequence_types import BenchFamily, Step, cautions_together

_NO_JUNCTION = ("bipolar transistor", "IGBT without diode")
# A resistance in the words for a fuse: "22R", "10 Ω", "fusible 4R7", "47 ohm". A current is followed by A.
_FUSIBLE = re.compile(
    r"(?<![\w.])(?:(\d{1,3})(?:R(\d{0,2})|(?:[.,](\d{1,2}))?\s*(?:Ω|Ohms?\b))|R(\d{1,3}))(?!\d)",
    re.IGNORECASE,
)


def fusible_ohm(fuse: str) -> float | None:
    """The resistance of a fusible resistor that stands in the place of a fuse, None for a fuse proper."""
    found = _FUSIBLE.search(fuse)
    if found is None:
        return None
    decimals = found[2] or found[3] or found[4] or ""
    value = float(f"{found[1] or '0'}.{decimals or '0'}")
    return value or None


def mains_checks(family: BenchFamily) -> list[Step]:
    """Bulk capacitor empty, fuse, rectifier and switch both ways; each must be right before mains.

    A board without mains has none of them but its fuse, where it has one. The parts that fail together with
    these follow as optional checks.
    """
    if not family.on_mains:
        return [_fuse(family)] if family.fuse else []
    return [
        _bulk_discharged(family),
        _fuse(family),
        _rectifier(forward=True),
        _rectifier(forward=False),
        _switch(family, forward=True),
        _switch(family, forward=False),
        *_further(family),
    ]


def _bulk_discharged(family: BenchFamily) -> Step:
    size = "" if family.bulk_uf is None else f" ({number(family.bulk_uf)} µF)"
    unplug = "Unplug" if not family.battery else "Unplug, disconnect the battery at its terminals"
    return Step(
        key="unpowered.bulk",
        stage="unpowered",
        kind="limit",
        title="Bulk capacitor discharged",
        instruction=(
            f"{unplug}, discharge the bulk capacitor{size} through a resistor, wait a moment, then measure across it."
        ),
        expected=f"{volts(METER_V)} or less, which the resistance checks need",
        if_right=f"Discharged ({volts(METER_V)} or less): the dead checks may begin.",
        if_wrong=(
            f"Still charged: discharge it through a resistor down to {volts(METER_V)} and measure again before you "
            "go on. The voltage comes back a little by itself."
        ),
        section="bulk and power factor stage",
        probes=(Probe("red", place="bulk capacitor +"), Probe("black", place="bulk capacitor −")),
        cautions=cautions_together("discharge", *(("battery",) if family.battery else ())),
        point="bulk capacitor",
        right_low=-METER_V,
        right_high=METER_V,
        wrong_below=-METER_V,
        wrong_above=METER_V,
        below="charged",
        above="charged",
        stops=True,
        minutes=2.0,
    )


def _fuse(family: BenchFamily) -> Step:
    named = f" {family.fuse}" if family.fuse else ""
    resistor = fusible_ohm(family.fuse)
    least, most = (0.0, FUSE_OHM) if resistor is None else (resistor * 0.7, resistor * 1.3)
    what = "fuse" if resistor is None else "fusible resistor"
    behind = "rectifier, switch" if family.on_mains else "a shorted part"
    return Step(
        key="unpowered.fuse",
        stage="unpowered",
        kind="limit",
        title=f"Fuse{named}",
        instruction=f"Measure the resistance of the {what}.",
        expected=f"{number(FUSE_OHM)} Ω or less" if resistor is None else f"{ohms(least)} to {ohms(most)}",
        if_right=f"The {what} is whole.",
        if_wrong=f"The {what} is open: find the short behind it ({behind}) before a new one goes in.",
        section="mains input" if family.on_mains else "protection",
        probes=(Probe("red", place="fuse, one end"), Probe("black", place="fuse, other end")),
        cautions=cautions_together("unpowered"),
        point="fuse",
        quantity="ohm",
        right_low=least,
        right_high=most,
        wrong_above=FUSE_OPEN_OHM if resistor is None else resistor * 3,
        stops=True,
    )


def _rectifier(*, forward: bool) -> Step:
    leads = ("an anode of each diode", "its cathode")
    what = "each of the four diodes; enter the lowest and the highest drop"
    return _junction("rectifier", "mains rectifier", "inrush and rectifier", leads, what, forward=forward)


def _switch(family: BenchFamily, *, forward: bool) -> Step:
    kind = family.switch
    leads = ("source (or emitter)", "drain (or collector)")
    after = "take the switch out and measure both it and the pads, then sense resistor, gate resistor and controller"
    if kind in _NO_JUNCTION:
        return _without_junction(kind, leads, after, forward=forward)
    if kind:
        what = "its built-in diode"
        after_right = " Then gate to source (or emitter): no short."
        return _junction(
            "switch",
            "main switch",
            "main converter",
            leads,
            what,
            forward=forward,
            after=after,
            more=after_right,
        )
    unsure = (
        "No reading: right for a bipolar transistor or an IGBT without a diode, and an open junction or no contact on "
        "a MOSFET. State the kind of switch in the family."
    )
    return _junction(
        "switch",
        "main switch",
        "main converter",
        leads,
        "its built-in diode (a bipolar transistor has none)",
        forward=forward,
        after=after,
        no_reading="doubtful",
        if_open=unsure,
    )


def _without_junction(kind: str, leads: tuple[str, str], after: str, *, forward: bool) -> Step:
    """A switch without a diode: no reading either way is what it should show."""
    first, second = leads if forward else leads[::-1]
    named = "IGBT" if kind.startswith("IGBT") else "bipolar transistor"
    follow = "base to emitter and base to collector" if named == "bipolar transistor" else "gate to emitter"
    return Step(
        key=f"unpowered.switch.{'forward' if forward else 'reverse'}",
        stage="unpowered",
        kind="open",
        title=f"Main switch, {'forward' if forward else 'reverse'}",
        instruction=f"Diode test across the main switch ({kind}), {'one way' if forward else 'the other way round'}.",
        expected="no reading (OL)",
        if_right=f"No reading, as it should be: a {named} of this kind shows no junction here. Then {follow}.",
        if_wrong=f"The main switch conducts: {after} before power.",
        section="main converter",
        probes=(Probe("red", place=first), Probe("black", place=second)),
        cautions=cautions_together("unpowered"),
        point="main switch",
        quantity="diode_v",
        right_low=JUNCTION_HIGH_V,
        wrong_below=JUNCTION_SHORT_V,
        no_reading="right",
        stops=True,
        minutes=2.0,
    )


def _junction(
    short: str,
    part: str,
    section: str,
    leads: tuple[str, str],
    what: str,
    *,
    forward: bool,
    after: str = "",
    more: str = "",
    no_reading: str = "wrong",
    if_open: str = "",
    optional: bool = False,
) -> Step:
    first, second = leads if forward else leads[::-1]
    follow = after or f"lift or remove the {part} and measure it alone"
    expected = f"{number(JUNCTION_LOW_V)} to {number(JUNCTION_HIGH_V)} V" if forward else "no reading (OL)"
    return Step(
        key=f"unpowered.{short}.{'forward' if forward else 'reverse'}",
        stage="unpowered",
        kind="limit" if forward else "open",
        title=f"{part[:1].upper()}{part[1:]}, {'forward' if forward else 'reverse'}",
        instruction=f"Diode test on the {part}: {what if forward else 'the same the other way round'}.",
        expected=expected,
        if_right=f"A junction as it should be this way.{more}"
        if forward
        else "It blocks this way, as it should.",
        if_wrong=(
            f"{number(JUNCTION_SHORT_V)} V or less (an ohm or less) is no junction: the {part} is shorted, or what is "
            f"across it. {follow[:1].upper()}{follow[1:]} before power."
        ),
        section=section,
        probes=(Probe("red", place=first), Probe("black", place=second)),
        cautions=cautions_together("unpowered"),
        point=part,
        quantity="diode_v",
        right_low=JUNCTION_LOW_V if forward else JUNCTION_HIGH_V,
        right_high=JUNCTION_HIGH_V if forward else None,
        wrong_below=JUNCTION_SHORT_V,
        extremes=short == "rectifier" and forward,
        no_reading=no_reading if forward else "right",
        if_open=if_open or f"No reading at all: an open junction, or no contact. Section: {section}.",
        stops=not optional,
        optional=optional,
        minutes=2.0,
    )


# Parts that fail with the fuse or the switch: key, title, section, ohms from, to, what open and shorted mean.
_FURTHER: tuple[tuple[str, str, str, float, float, str], ...] = (
    (
        "thermistor",
        "Inrush limiter",
        "inrush and rectifier",
        0.5,
        60.0,
        "cold, near the value printed on it",
    ),
    (
        "sense resistor",
        "Current sense resistor",
        "main converter",
        0.0,
        5.0,
        "in series with the main switch; zero the leads first",
    ),
    (
        "start-up resistor",
        "Start-up resistor",
        "standby converter",
        10e3,
        5e6,
        "from the bulk to the controller supply; in circuit never above its printed value",
    ),
)
_OPEN_MEANS = {
    "thermistor": "The inrush limiter is open: see what lies behind it before a new one goes in.",
    "sense resistor": (
        "The sense resistor is open: replace it with the switch and the gate resistor, and check the controller "
        "before power."
    ),
    "start-up resistor": "The start-up resistor is open: the controller never gets its first supply.",
}


def _further(family: BenchFamily) -> list[Step]:
    """Checks asked for where a dead check failed or a board stays dead."""
    made = [
        Step(
            key=f"unpowered.{key}",
            stage="unpowered",
            kind="limit",
            title=title,
            instruction=f"Measure its resistance in circuit: {how}.",
            expected=f"{ohms(low) if low else '0 Ω'} to {ohms(high)}, by its kind; its printed value decides",
            if_right=f"The {title[:1].lower()}{title[1:]} is whole.",
            if_wrong=_OPEN_MEANS[key],
            section=section,
            probes=(Probe("red", place="one end"), Probe("black", place="other end")),
            cautions=cautions_together("unpowered"),
            point=title[:1].lower() + title[1:],
            quantity="ohm",
            right_low=low,
            right_high=high,
            wrong_above=high * 10,
            optional=True,
        )
        for key, title, section, low, high, how in _FURTHER
    ]
    if family.bulk_v is not None and family.bulk_v > 340:
        section = "bulk and power factor stage"
        made += [
            _junction(
                "power factor switch",
                "power factor switch",
                section,
                ("source (or emitter)", "drain (or collector)"),
                "its built-in diode",
                forward=True,
                optional=True,
            ),
            _junction(
                "power factor diode",
                "power factor diode",
                section,
                ("anode", "cathode"),
                "forward",
                forward=True,
                optional=True,
            ),
        ]
    return made


def output_rectifier(spec: RailSpec, section: str) -> Step:
    """The rectifier of one output, in circuit; a Schottky diode drops 0.15 to 0.45 V (common practice)."""
    return Step(
        key=f"unpowered.rectifier of {spec.name}",
        stage="unpowered",
        kind="limit",
        title=f"Rectifier of {spec.name}",
        instruction=f"Diode test on the output rectifier of {spec.name}, forward.",
        expected="0.12 to 0.9 V (a Schottky diode low, silicon high)",
        if_right=f"The rectifier of {spec.name} is a junction, as it should be.",
        if_wrong=f"The rectifier of {spec.name} is shorted, or its output is: lift one leg and measure again.",
        section=section,
        probes=(Probe("red", place="anode"), Probe("black", place="cathode")),
        cautions=cautions_together("unpowered"),
        point=f"rectifier of {spec.name}",
        quantity="diode_v",
        right_low=0.12,
        right_high=JUNCTION_HIGH_V,
        wrong_below=0.05,
        if_open=f"No reading at all: the rectifier of {spec.name} is open, or no contact.",
        optional=True,
    )


def ground_limits(spec: RailSpec, good_ohm: Sequence[float]) -> tuple[float, float, str]:
    """(short below or at, clear from, where the limit comes from) for an output to its ground, in ohms.

    Two good boards or more are compared with; else the rated load decides; else one and ten ohms.
    """
    if len(good_ohm) >= 2:
        least, most = min(good_ohm), max(good_ohm)
        words = f"compared with good boards of the family ({ohms(least)} to {ohms(most)})"
        return least * GOOD_SHORT_FRACTION, least * GOOD_ALIKE_FRACTION, words
    if spec.rated_a is None:
        words = "its rated current is not stated, so the limit is a flat one"
        return UNRATED_SHORT_OHM, UNRATED_CLEAR_OHM, words
    rated = abs(spec.nominal_v) / spec.rated_a
    short = max(rated / GROUND_SHORT_SHARE, min(SHORT_OHM, rated / 2))
    words = f"its rated load is {ohms(rated)}, {volts(abs(spec.nominal_v))} over {number(spec.rated_a)} A"
    return short, rated * GROUND_CLEAR_TIMES, words
