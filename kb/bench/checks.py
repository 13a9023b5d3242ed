"""Refusal of numbers that cannot be meant, and numbers written the way a person reads them."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

from kb.errors import BadInput

_EXACT_DIGITS = 10


def exact(value: float) -> Decimal:
    """The decimal number a float stands for, freed of binary noise: ten significant digits."""
    return Decimal(f"{value:.{_EXACT_DIGITS}g}")


def finite(value: float, field: str, what: str) -> float:
    """Return `value` unless it is NaN or infinite.

    Raises:
        BadInput: naming `field`; `what` is the quantity in words, such as "the nominal voltage".
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BadInput(
            f"{sentence_start(what)} is not a number.",
            field=field,
            remedy="Type a plain number with its unit, or leave the field empty if it is not known.",
        )
    return float(value)


def positive(value: float, field: str, what: str, remedy: str) -> float:
    """Return `value` if it is a number above 0.

    Raises:
        BadInput: naming `field`, with `remedy`.
    """
    finite(value, field, what)
    if value <= 0:
        raise BadInput(f"{sentence_start(what)} must be more than 0.", field=field, remedy=remedy)
    return float(value)


def sentence_start(words: str) -> str:
    """The words with a capital first letter, the rest untouched (so that 5VSB stays 5VSB)."""
    return words[:1].upper() + words[1:]


def number(value: float, decimals: int = 2) -> str:
    """A number as printed on a bench sheet: half rounded up, no idle zeros, a true minus sign."""
    step = Decimal(1).scaleb(-decimals)
    rounded = exact(value).quantize(step, rounding=ROUND_HALF_UP)
    text = f"{rounded:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "0") else text.replace("-", "−")


def volts(value: float) -> str:
    """Volts with two decimals at most, millivolts below a tenth of a volt."""
    if value != 0 and abs(value) < 0.1:
        return f"{number(value * 1000, 1)} mV"
    return f"{number(value)} V"


def _scaled(value: float, unit: str, prefixes: tuple[tuple[float, str], ...]) -> str:
    if value == 0:
        return f"0 {unit}"
    for factor, prefix in prefixes:
        if abs(value) >= factor:
            shown = value / factor
            return f"{number(shown, 2 if abs(shown) < 10 else 1 if abs(shown) < 100 else 0)} {prefix}{unit}"
    factor, prefix = prefixes[-1]
    return f"{number(value / factor, 2)} {prefix}{unit}"


def ohms(value: float) -> str:
    """Ohms, kilo-ohms or mega-ohms with about three figures."""
    return _scaled(value, "Ω", ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m")))


def amps(value: float) -> str:
    """Amperes or milliamperes with about three figures."""
    return _scaled(value, "A", ((1.0, ""), (1e-3, "m"), (1e-6, "µ")))


def watts(value: float) -> str:
    """Watts or milliwatts with about three figures."""
    return _scaled(value, "W", ((1.0, ""), (1e-3, "m")))


def farads(value: float) -> str:
    """Microfarads above a microfarad, nano- and picofarads below."""
    return _scaled(value, "F", ((1e-6, "µ"), (1e-9, "n"), (1e-12, "p")))


def seconds(value: float) -> str:
    """Milliseconds, seconds or minutes."""
    if abs(value) >= 120:
        return f"{number(value / 60, 1)} min"
    return _scaled(value, "s", ((1.0, ""), (1e-3, "m"), (1e-6, "µ")))
