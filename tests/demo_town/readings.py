"""How a reading looks on a bench meter, and how people write it down."""

from __future__ import annotations

from demo_town.dice import Dice

# quantity -> (unit, smaller steps as (factor, prefix)) in the way bench people write them
_UNITS = {
    "dc_v": "V",
    "ac_v": "V",
    "diode_v": "V",
    "ripple_v": "Vpp",
    "ohm": "Ω",
    "esr_ohm": "Ω",
    "farad": "F",
    "amp": "A",
    "hz": "Hz",
    "celsius": "°C",
}
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))


def shown(value: float, counts: int) -> float:
    """The value as a meter of so many counts shows it (`counts` 2000 to 6000)."""
    size = abs(value)
    for power in range(-9, 9):
        full = counts * 10.0**power if power >= 0 else counts / 10.0**-power
        if size < full:
            return round(value, -power) + 0.0
    return value


def volts_shown(value: float, counts: int) -> float:
    """Volts as a meter shows them, never finer than a millivolt."""
    return round(shown(value, counts), 3) + 0.0


def _scaled(value: float) -> tuple[str, str]:
    """Digits and prefix of a value in the range people write: 0.12 -> ("120", "m")."""
    size = abs(value)
    for factor, prefix in _PREFIXES:
        if size >= factor:
            return _digits(round(value / factor, 6)), prefix
    return _digits(value), ""


def _digits(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return text or "0"


def written(quantity: str, value: float, dice: Dice) -> str:
    """The value as the person wrote it; it always means exactly the same number."""
    unit = _UNITS[quantity]
    small = quantity in ("ripple_v", "farad") or abs(value) >= 1000 or 0 < abs(value) < 0.1
    digits, prefix = _scaled(value) if small else (_digits(value), "")
    if quantity == "celsius":
        return f"{digits} °C"
    whole, _, rest = digits.partition(".")
    style = dice.unit()
    letter = prefix or ("V" if unit == "V" else "R" if unit == "Ω" else "")
    if style < 0.3 and len(rest) in (1, 2) and letter in ("V", "R", "k", "M"):
        return f"{whole}{letter}{rest}"
    if style < 0.5 and len(rest) in (1, 2):
        return f"{whole},{rest} {prefix}{unit}"
    return f"{digits}{prefix}{unit}" if style < 0.72 else f"{digits} {prefix}{unit}"
