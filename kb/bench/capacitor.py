"""Judge an electrolytic capacitor by what the meter shows.

ESR = tan δ / (2πfC). The tan δ limits are one maker's general-purpose series at 120 Hz and 20 °C (a public
reprint of its data sheet; which one stands with the test data); another maker's series differs by up to a quarter, so
every limit is *typical, makers differ*.

Most bench meters measure ESR near 100 kHz, where it is lower than at 120 Hz. For that the ranges of `_NEW_AT_100_KHZ`
are what new parts of common series read: from memory, common practice, no published source, and marked so.
A frequency that was not stated is not known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kb.bench.checks import exact, finite, number, positive
from kb.bench.checks import farads as farads_text
from kb.bench.checks import ohms as ohms_text
from kb.errors import BadInput

LIMIT_HZ = 120.0
DEFAULT_TOLERANCE_PCT = 20.0
MAKERS_DIFFER_FRACTION = 0.25
NOTE = (
    "Typical, makers differ: the limit is one general-purpose series at 120 Hz and 20 °C. The range near 100 kHz is "
    "common practice, from memory."
)

# (rated volts, tan δ); a rating between two entries takes the larger limit of the two: the table falls up to
# 100 V and rises beyond, and neither neighbour's limit condemns a part that the other lets pass.
_TAN_DELTA = (
    (6.3, 0.22),
    (10.0, 0.19),
    (16.0, 0.16),
    (25.0, 0.14),
    (35.0, 0.12),
    (50.0, 0.10),
    (63.0, 0.09),
    (100.0, 0.08),
    (160.0, 0.15),
    (200.0, 0.15),
    (250.0, 0.15),
    (315.0, 0.20),
    (350.0, 0.20),
    (400.0, 0.25),
)
_MORE_PER_1000_UF = 0.02
# (µF, Ω from, Ω to) of new parts near 100 kHz, 16 to 63 V, general-purpose to low-impedance: from memory.
_NEW_AT_100_KHZ = (
    (1.0, 1.0, 8.0),
    (4.7, 0.8, 5.0),
    (10.0, 0.5, 3.0),
    (22.0, 0.3, 2.0),
    (47.0, 0.15, 1.2),
    (100.0, 0.08, 0.7),
    (220.0, 0.05, 0.35),
    (470.0, 0.03, 0.2),
    (1000.0, 0.02, 0.12),
    (2200.0, 0.015, 0.08),
    (4700.0, 0.01, 0.05),
)
NEAR_100_KHZ = (30e3, 300e3)
NEAR_120_HZ = (80.0, 200.0)
# So many times what a new part reads at most is bad at whatever frequency; up to thrice asks for a new one beside it.
_FAR_OVER, _OVER = 10.0, 3.0


@dataclass(frozen=True, slots=True)
class CapacitorVerdict:
    """What was measured against what is typical.

    `low_f` and `high_f` bound the capacitance (F); `esr_limit_ohm` is the typical limit at 120 Hz,
    `new_ohm` what new parts read near 100 kHz. The two
    conditions are `not measured`, `good`, `doubtful` or `bad`; capacitance may also be `high`.
    """

    low_f: float
    high_f: float
    tan_delta_limit: float
    esr_limit_ohm: float
    capacitance: str
    esr: str
    sentences: tuple[str, ...]
    note: str
    new_ohm: tuple[float, float]


def tan_delta_limit(farads: float, rated_v: float) -> float:
    """Typical greatest tan δ at 120 Hz; 0.02 more for every started 1000 µF above the first.

    Raises:
        BadInput: when a value is not above 0.
    """
    positive(farads, "farads", "the rated capacitance", "Type it as printed on the can, such as 1000 µF.")
    positive(rated_v, "rated_v", "the rated voltage", "Type the volts printed on the can.")
    below = [limit for volts, limit in _TAN_DELTA if volts <= rated_v][-1:]
    above = [limit for volts, limit in _TAN_DELTA if volts >= rated_v][:1]
    limit = max(below + above)
    thousands_uf = float(exact(farads)) * 1e3
    started = max(0, math.ceil(round(thousands_uf, 9)) - 1)
    return limit + _MORE_PER_1000_UF * started


def esr_from_tan_delta(tan_delta: float, farads: float, hertz: float = LIMIT_HZ) -> float:
    """ESR in ohms of a capacitor (F) with loss factor `tan_delta` at `hertz`.

    Raises:
        BadInput: when a value is not above 0.
    """
    positive(tan_delta, "tan_delta", "the loss factor", "Type tan δ, such as 0.12.")
    positive(farads, "farads", "the capacitance", "Type it as printed on the can.")
    positive(hertz, "hertz", "the frequency", "Type the meter's test frequency, such as 120 Hz.")
    return tan_delta / (2 * math.pi * hertz * farads)


def judge_capacitor(
    rated_f: float,
    rated_v: float,
    measured_f: float | None = None,
    measured_esr_ohm: float | None = None,
    tolerance_pct: float = DEFAULT_TOLERANCE_PCT,
    hertz: float | None = None,
) -> CapacitorVerdict:
    """Judge capacitance (F) against its tolerance and ESR (Ω at `hertz`) against what is typical there.

    `hertz` None means that the meter's frequency is not known; then only what is far out is called bad.

    Raises:
        BadInput: for values that cannot be, naming the field.
    """
    limit = tan_delta_limit(rated_f, rated_v)
    limit_ohm = esr_from_tan_delta(limit, rated_f)
    positive(tolerance_pct, "tolerance_pct", "the tolerance", "Type per cent, such as 20.")
    if tolerance_pct > 100:
        raise BadInput(
            "The tolerance is over 100 %.", field="tolerance_pct", remedy="Type per cent, such as 20."
        )
    share = exact(tolerance_pct) / 100
    low, high = exact(rated_f) * (1 - share), exact(rated_f) * (1 + share)
    sentences: list[str] = []
    capacitance = "not measured"
    if measured_f is not None:
        capacitance = _capacitance(measured_f, rated_f, float(low), float(high), sentences)
    esr = "not measured"
    if measured_esr_ohm is not None:
        esr = _esr(measured_esr_ohm, limit_ohm, new_at_100_khz(rated_f), hertz, sentences)
    return CapacitorVerdict(
        float(low),
        float(high),
        limit,
        limit_ohm,
        capacitance,
        esr,
        tuple(sentences),
        NOTE,
        new_at_100_khz(rated_f),
    )


def _capacitance(measured_f: float, rated_f: float, low: float, high: float, sentences: list[str]) -> str:
    finite(measured_f, "measured_f", "the measured capacitance")
    if measured_f < 0:
        raise BadInput(
            "The measured capacitance is below 0.",
            field="measured_f",
            remedy="Discharge the capacitor, zero the meter and measure again.",
        )
    window = f"{farads_text(low)} to {farads_text(high)}"
    share = f"{number(measured_f / rated_f * 100, 0)} % of {farads_text(rated_f)}"
    lead = f"{farads_text(measured_f)} is {share}"
    if exact(measured_f) < exact(low):
        sentences.append(f"{lead}, below {window}: it has lost capacitance; replace it.")
        return "bad"
    if exact(measured_f) > exact(high):
        sentences.append(
            f"{lead}, above {window}: a leaky capacitor or one measured in circuit reads high; lift a leg."
        )
        return "high"
    sentences.append(f"{lead}, within {window}.")
    return "good"


def new_at_100_khz(farads: float) -> tuple[float, float]:
    """(least, most) ohms of ESR that new parts of this capacitance read near 100 kHz; typical, from memory.

    Between two entries the next smaller capacitance counts, which allows more.

    Raises:
        BadInput: when the capacitance is not above 0.
    """
    positive(farads, "farads", "the rated capacitance", "Type it as printed on the can, such as 1000 µF.")
    microfarads = float(exact(farads * 1e6))
    fitting = [(low, high) for size, low, high in _NEW_AT_100_KHZ if size <= microfarads]
    return fitting[-1] if fitting else _NEW_AT_100_KHZ[0][1:]


def _esr(
    esr_ohm: float, limit_ohm: float, new_ohm: tuple[float, float], hertz: float | None, sentences: list[str]
) -> str:
    finite(esr_ohm, "measured_esr_ohm", "the measured ESR")
    if hertz is not None:
        positive(
            hertz, "hertz", "the meter's frequency", "Type it in hertz, such as 100 kHz, or leave it empty."
        )
    if esr_ohm < 0:
        raise BadInput(
            "The measured ESR is below 0.",
            field="measured_esr_ohm",
            remedy="Short the probes, zero the meter and measure again.",
        )
    shown = ohms_text(esr_ohm)
    typical = f"{ohms_text(new_ohm[0])} to {ohms_text(new_ohm[1])} near 100 kHz (typical, makers differ)"
    if esr_ohm > max(new_ohm[1] * _FAR_OVER, limit_ohm * (1 + MAKERS_DIFFER_FRACTION)):
        sentences.append(
            f"An ESR of {shown} is {number(esr_ohm / new_ohm[1], 0)} times what a new part reads at most, {typical}, "
            "whatever the meter's frequency: replace it with a low-impedance 105 °C part."
        )
        return "bad"
    if hertz is not None and NEAR_120_HZ[0] <= hertz <= NEAR_120_HZ[1]:
        return _esr_at_120_hz(esr_ohm, limit_ohm, sentences)
    if hertz is not None and NEAR_100_KHZ[0] <= hertz <= NEAR_100_KHZ[1]:
        return _esr_at_100_khz(esr_ohm, new_ohm, typical, sentences)
    known = (
        "It is not known what frequency the meter uses" if hertz is None else "No table is for that frequency"
    )
    sentences.append(
        f"{known}: compare the {shown} with a new part of the same kind on the same meter, and say what frequency it "
        f"uses. New parts read {typical}."
    )
    return "doubtful"


def _esr_at_100_khz(esr_ohm: float, new_ohm: tuple[float, float], typical: str, sentences: list[str]) -> str:
    shown = ohms_text(esr_ohm)
    if esr_ohm <= new_ohm[1]:
        sentences.append(f"An ESR of {shown} is what new parts read, {typical}.")
        return "good"
    if esr_ohm <= new_ohm[1] * _OVER:
        sentences.append(
            f"An ESR of {shown} is over what new parts read, {typical}: compare with a new part."
        )
        return "doubtful"
    sentences.append(
        f"An ESR of {shown} is far over what new parts read, {typical}: replace it with a low-impedance 105 °C part."
    )
    return "bad"


def _esr_at_120_hz(esr_ohm: float, limit_ohm: float, sentences: list[str]) -> str:
    shown, limit = ohms_text(esr_ohm), ohms_text(limit_ohm)
    if esr_ohm > limit_ohm * (1 + MAKERS_DIFFER_FRACTION):
        sentences.append(
            f"An ESR of {shown} is well over the typical limit of {limit} at 120 Hz: replace it."
        )
        return "bad"
    if esr_ohm > limit_ohm * (1 + 1e-9):
        sentences.append(
            f"An ESR of {shown} is over the typical limit of {limit} at 120 Hz, by less than makers differ: "
            "compare with a new one."
        )
        return "doubtful"
    sentences.append(f"An ESR of {shown} at 120 Hz is within the typical limit of {limit}.")
    return "good"
