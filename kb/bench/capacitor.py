"""Judge an electrolytic capacitor by what the meter shows.

ESR = tan δ / (2πfC). The tan δ limits are one maker's general-purpose series at 120 Hz and 20 °C (Nichicon
UPW data sheet as reprinted in public); another maker's series differs by up to a quarter, so every limit
is *typical, makers differ*. Limits at 120 Hz say nothing exact about ESR at 100 kHz, which is lower.
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
NOTE = "Typical, makers differ: the limit is one general-purpose series at 120 Hz and 20 °C."

# (rated volts, tan δ); a rating between two entries takes the lower one, which allows more.
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
    (315.0, 0.20),
    (400.0, 0.25),
)
_MORE_PER_1000_UF = 0.02


@dataclass(frozen=True, slots=True)
class CapacitorVerdict:
    """What was measured against what is typical.

    `low_f` and `high_f` bound the capacitance (F); `esr_limit_ohm` is the typical limit at 120 Hz. The two
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


def tan_delta_limit(farads: float, rated_v: float) -> float:
    """Typical greatest tan δ at 120 Hz; 0.02 more for every started 1000 µF above the first.

    Raises:
        BadInput: when a value is not above 0.
    """
    positive(farads, "farads", "the rated capacitance", "Type it as printed on the can, such as 1000 µF.")
    positive(rated_v, "rated_v", "the rated voltage", "Type the volts printed on the can.")
    table = [limit for volts, limit in _TAN_DELTA if volts <= rated_v] or [_TAN_DELTA[0][1]]
    thousands_uf = float(exact(farads)) * 1e3
    started = max(0, math.ceil(round(thousands_uf, 9)) - 1)
    return table[-1] + _MORE_PER_1000_UF * started


def esr_limit(farads: float, rated_v: float, hertz: float = LIMIT_HZ) -> float:
    """Typical greatest ESR in ohms at 120 Hz: tan δ / (2πfC). Errors as for `tan_delta_limit`."""
    return esr_from_tan_delta(tan_delta_limit(farads, rated_v), farads, hertz)


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
    hertz: float = LIMIT_HZ,
) -> CapacitorVerdict:
    """Judge capacitance (F) against its tolerance and ESR (Ω at `hertz`) against the typical limit.

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
        esr = _esr(measured_esr_ohm, limit_ohm, hertz, sentences)
    return CapacitorVerdict(
        float(low), float(high), limit, limit_ohm, capacitance, esr, tuple(sentences), NOTE
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


def _esr(esr_ohm: float, limit_ohm: float, hertz: float, sentences: list[str]) -> str:
    finite(esr_ohm, "measured_esr_ohm", "the measured ESR")
    positive(hertz, "hertz", "the meter's frequency", "Type it in hertz, such as 120.")
    if esr_ohm < 0:
        raise BadInput(
            "The measured ESR is below 0.",
            field="measured_esr_ohm",
            remedy="Short the probes, zero the meter and measure again.",
        )
    shown, limit = ohms_text(esr_ohm), ohms_text(limit_ohm)
    if esr_ohm > limit_ohm * (1 + MAKERS_DIFFER_FRACTION):
        sentences.append(f"An ESR of {shown} is well over the typical limit of {limit}: replace it.")
        return "bad"
    if esr_ohm > limit_ohm * (1 + 1e-9):
        sentences.append(
            f"An ESR of {shown} is over the typical limit of {limit}, by less than makers differ: "
            "compare with a new one."
        )
        return "doubtful"
    if hertz > 10 * LIMIT_HZ:
        sentences.append(
            f"An ESR of {shown} at {number(hertz / 1000, 1)} kHz is under the limit at 120 Hz ({limit}), which "
            "proves little at this frequency: compare with a new one."
        )
        return "doubtful"
    sentences.append(f"An ESR of {shown} is within the typical limit of {limit}.")
    return "good"
