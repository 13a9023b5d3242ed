"""Judge readings against the rails of a board family.

Rules (common practice, no published source, except the ATX guide's ripple of 1 % of nominal): the window
is the family's tolerance, or ±10 % where none is stated; absent is under a tenth of nominal; pulsing is a
recorded swing of over a fifth of nominal; bounds belong to the window; negative rails go by magnitude. What a
rail shows with nothing connected proves it only where it is never loaded: `judgement` says so once for all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kb.bench.checks import exact
from kb.bench.circumstances import NOTHING_KNOWN, Circumstances
from kb.bench.gauge import Gauge, gauge
from kb.bench.limits import FAR_HIGH_FRACTION
from kb.bench.rail_judgement import judged_condition, judgement_of
from kb.bench.rail_types import (
    ASSESSED_QUANTITIES,
    MARGINAL_PCT,
    Assessment,
    Measured,
    RailReading,
    RailSpec,
    Typical,
    Window,
    measured,
    ripple_window,
    typical,
    voltage_window,
)
from kb.bench.rail_words import Finding, sentence_for
from kb.errors import BadInput

__all__ = [
    "ASSESSED_QUANTITIES",
    "Assessment",
    "Gauge",
    "RailReading",
    "RailSpec",
    "RailVerdict",
    "Typical",
    "assess",
    "gauge",
    "rail_verdict",
    "typical",
]

_MILLI = Decimal(1000)


@dataclass(frozen=True, slots=True)
class RailVerdict:
    """What all readings of one rail say together.

    `state` is `not measured`, `not proven` (nothing wrong seen, but not tested where it counts),
    `in order` (as far as measured) or `suspect`.
    """

    rail: str
    state: str
    sentence: str


def assess(spec: RailSpec, reading: RailReading, around: Circumstances = NOTHING_KNOWN) -> Assessment:
    """Judge one reading of `dc_v` or `ripple_v` (volts) against its rail and what is known around it.

    Where only a minimum and maximum were recorded their middle is judged, or under load the end that left the
    window; a minimum or maximum alone says nothing of the other end, and none is invented.

    Raises:
        BadInput: when the reading holds no value, belongs to another rail, or is of another quantity.
    """
    seen = _measured_on(spec, reading)
    if reading.quantity == "ripple_v":
        return _assess_ripple(spec, reading, seen)
    window = voltage_window(spec)
    condition = judged_condition(spec, reading, seen, window, around)
    expected_absent = reading.supply == "unpowered" or (reading.supply == "standby" and not spec.always_on)
    marginal = condition == "in tolerance" and _is_marginal(spec, seen, window)
    # What swings by thousands of volts may well be millivolts too, and then it does not swing.
    asks = condition in ("high", "pulsing") and _looks_like_milli(seen.largest, abs(exact(spec.nominal_v)))
    judgement = judgement_of(spec, reading, seen, condition, expected_absent, asks, around)
    finding = Finding(
        spec, reading, seen, window, condition, expected_absent, marginal, asks, judgement, around
    )
    return Assessment(
        rail=spec.name,
        condition=condition,
        low_v=float(window.low) * spec.sign,
        high_v=float(window.high) * spec.sign,
        assumed=window.assumed,
        marginal=marginal,
        sentence=sentence_for(finding),
        expected_absent=expected_absent,
        quantity=reading.quantity,
        supply=reading.supply,
        load=reading.load,
        reversed=seen.reversed,
        asks=asks,
        off_pct=float((seen.value / abs(exact(spec.nominal_v)) - 1) * 100),
        judgement=judgement,
    )


def condition_of(spec: RailSpec, reading: RailReading) -> str:
    """The condition alone that `assess` finds: what the statistics ask of very many readings.

    Raises:
        BadInput: as `assess` does.
    """
    seen = _measured_on(spec, reading)
    if reading.quantity == "ripple_v":
        return _ripple_condition(seen, ripple_window(spec))
    return judged_condition(spec, reading, seen, voltage_window(spec), NOTHING_KNOWN)


def is_marginal(spec: RailSpec, reading: RailReading) -> bool:
    """Whether a voltage says nothing for what makes it, though its steady value may be in tolerance: a recorded
    extreme lies outside the window, or the window is only assumed and the value off by more than ±5 %.

    Raises:
        BadInput: as `assess` does.
    """
    return _is_marginal(spec, _measured_on(spec, reading), voltage_window(spec))


def _is_marginal(spec: RailSpec, seen: Measured, window: Window) -> bool:
    return (
        _leaves_window(seen, window)
        or seen.reversed
        or (window.assumed and not voltage_window(spec, MARGINAL_PCT).holds(seen.value))
    )


def _measured_on(spec: RailSpec, reading: RailReading) -> Measured:
    if reading.rail != spec.name:
        raise BadInput(
            f"The reading is from {reading.rail} and not from {spec.name}.",
            field="rail",
            remedy="Choose the rail that was measured.",
        )
    if reading.quantity not in ASSESSED_QUANTITIES:
        raise BadInput(
            f"A reading of {reading.quantity} on {spec.name} is not judged against its window.",
            field="quantity",
            remedy="Give direct voltage (dc_v) or ripple (ripple_v).",
        )
    return measured(spec, reading)


def _ripple_condition(seen: Measured, window: Window) -> str:
    return "high" if window.above(seen.value) else "in tolerance"


def _leaves_window(seen: Measured, window: Window) -> bool:
    return any(not window.holds(extreme) for extreme in seen.extremes or ())


def _looks_like_milli(value: Decimal, expected: Decimal) -> bool:
    """4700 on a 5 V rail: a thousandth of it would be a believable reading."""
    return value >= 50 * expected and expected / 10 <= value / _MILLI <= 3 * expected


def _assess_ripple(spec: RailSpec, reading: RailReading, seen: Measured) -> Assessment:
    window = ripple_window(spec)
    condition = _ripple_condition(seen, window)
    asks = condition == "high" and seen.value >= abs(exact(spec.nominal_v)) * 2
    judgement = "unknown" if asks else "high" if condition == "high" else "good"
    if judgement == "good" and reading.load == "none":
        judgement = "not proven until loaded"
    finding = Finding(spec, reading, seen, window, condition, False, False, asks, judgement, NOTHING_KNOWN)
    return Assessment(
        rail=spec.name,
        condition=condition,
        low_v=0.0,
        high_v=float(window.high),
        assumed=window.assumed,
        marginal=False,
        sentence=sentence_for(finding),
        expected_absent=False,
        quantity=reading.quantity,
        supply=reading.supply,
        load=reading.load,
        asks=asks,
        judgement=judgement,
    )


def rail_verdict(assessments: Sequence[Assessment]) -> RailVerdict:
    """What all assessments of one rail say together; a later reading of the same kind replaces an earlier.

    Loaded readings outweigh unloaded ones, because cycling or a reading a little off unloaded may be nothing but
    the missing load (common practice, no published source).

    Raises:
        BadInput: when the assessments belong to different rails.
    """
    if not assessments:
        return RailVerdict("", "not measured", "Not measured yet.")
    name = assessments[0].rail
    if any(found.rail != name for found in assessments):
        raise BadInput(
            f"The readings of {name} are mixed with those of another rail.",
            field="rail",
            remedy="Judge one rail at a time.",
        )
    last = {(found.quantity, found.supply, found.load): found for found in assessments}
    direct = [found for found in last.values() if found.quantity == "dc_v"]
    doubted = [found for found in direct if found.judgement == "unknown"]
    doubted += [found for found in last.values() if found.asks and found not in doubted]
    if doubted:
        return RailVerdict(name, "not proven", doubted[-1].sentence)
    loaded = [found for found in direct if found.supply != "unpowered" and found.load != "none"]
    unloaded = [found for found in direct if found.supply != "unpowered" and found.load == "none"]
    wrong_loaded = _first_wrong(loaded)
    if wrong_loaded is not None:
        return _suspect_under_load(name, wrong_loaded, unloaded)
    ripple = next((f for f in last.values() if f.quantity == "ripple_v" and f.condition == "high"), None)
    if ripple is not None:
        return RailVerdict(name, "suspect", ripple.sentence)
    proven = [found for found in loaded if not found.expected_absent]
    if proven:
        return _in_order_under_load(name, proven, unloaded)
    return _unloaded_only(name, unloaded, direct)


def _first_wrong(found: Sequence[Assessment]) -> Assessment | None:
    severity = ("high", "absent", "pulsing", "low", "in tolerance")
    wrong = [one for one in found if not one.as_expected]
    return min(wrong, key=lambda one: severity.index(one.condition), default=None)


def _suspect_under_load(name: str, wrong: Assessment, unloaded: Sequence[Assessment]) -> RailVerdict:
    fine_unloaded = any(one.as_expected and not one.expected_absent for one in unloaded)
    if wrong.condition in ("low", "pulsing", "absent") and fine_unloaded:
        sentence = (
            f"{name} stands in its window unloaded but {_LOADED_FAILURES[wrong.condition]}: "
            "suspect its filter capacitors, rectifier and current limit, or too heavy a load."
        )
        return RailVerdict(name, "suspect", sentence)
    return RailVerdict(name, "suspect", wrong.sentence)


_LOADED_FAILURES = {
    "low": "sags under load",
    "pulsing": "cycles under load",
    "absent": "drops out under load",
}


def _in_order_under_load(
    name: str, proven: Sequence[Assessment], unloaded: Sequence[Assessment]
) -> RailVerdict:
    where = "in the set" if any(one.load == "in the set" for one in proven) else "under test load"
    wrong_unloaded = _first_wrong(unloaded)
    if wrong_unloaded is not None and wrong_unloaded.condition == "pulsing":
        sentence = f"{name} cycled only for want of a load: {where} it stands in its window."
    elif wrong_unloaded is not None and (wrong_unloaded.off_pct or 0.0) > FAR_HIGH_FRACTION * 100:
        sentence = f"{name} stands in its window {where}, but runs far too high unloaded: see its feedback."
        return RailVerdict(name, "suspect", sentence)
    elif wrong_unloaded is not None and not wrong_unloaded.expected_absent:
        sentence = (
            f"{name} stands in its window {where}; "
            f"the {_AS_NOUN[wrong_unloaded.condition]} unloaded is then of no weight."
        )
    elif wrong_unloaded is not None:
        sentence = (
            f"{name} stands in its window {where}, but was present where it should be off: see the enable."
        )
        return RailVerdict(name, "suspect", sentence)
    elif any(one.marginal for one in proven):
        sentence = f"{name} stands in its window {where}, but near its edge: note it in the report."
    else:
        sentence = f"{name} stands in its window {where}."
    return RailVerdict(name, "in order", sentence)


_AS_NOUN = {"high": "high reading", "low": "low reading", "absent": "missing voltage"}


def _unloaded_only(name: str, unloaded: Sequence[Assessment], direct: Sequence[Assessment]) -> RailVerdict:
    if not unloaded:
        if not direct:
            return RailVerdict(
                name, "not proven", f"Only the ripple of {name} was measured: measure its voltage."
            )
        return RailVerdict(name, "not measured", f"{name} was not measured under power.")
    wrong = _first_wrong(unloaded)
    if wrong is None:
        if all(one.expected_absent for one in unloaded):
            return RailVerdict(
                name, "not measured", f"{name} is off in standby, as it should be; not measured running yet."
            )
        if all(one.judgement == "good" for one in unloaded):
            return RailVerdict(name, "not proven", f"{name} stands as it should, as far as it was measured.")
        return RailVerdict(
            name, "not proven", f"{name} stands in its window unloaded; not tested under load yet."
        )
    if wrong.condition == "pulsing" or wrong.judgement == "not proven until loaded":
        return RailVerdict(name, "not proven", wrong.sentence)
    return RailVerdict(name, "suspect", wrong.sentence)
