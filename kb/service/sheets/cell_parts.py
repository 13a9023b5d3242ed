"""Cells that hold several things."""

from __future__ import annotations

import re

_SYMPTOMS = re.compile(r"[;,/|\n\t]+|\s\+\s|\s&\s")
_READINGS = re.compile(r"[;\n|]+|,\s+(?=[+-]?[A-Za-z0-9]*[A-Za-z])")

# A sign that joins two numbers, not the minus of one; the unit may stand with both or with the last.
_ENDS = re.compile(
    r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*+([a-zA-ZΩµ°]{0,6})\s*+(?:-|–|—|\.\.\.?|…|~|to|bis|tot|à|a|und|and)\s*"
    r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([a-zA-ZΩµ°]{0,6})"
)

_AROUND = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*[(\[]([^()\[\]]{3,30})[)\]]")  # "0 (0 - 3)"


def two_ends(cell: str) -> tuple[str, str] | None:
    """The two ends of a range such as `9.4 - 11.5`, `0-3V`, `±31 to ±33` or `0 (0 - 3)`, each with its unit.

    None where it is none.
    """
    plain = cell.strip().replace("±", "")
    around = _AROUND.fullmatch(plain)
    found = _ENDS.fullmatch(around[2].strip() if around else plain)
    if around and found and around[1] not in (found[1], found[3]):
        return None
    if found is None:
        return None
    low, unit, high, last = found.groups()
    return f"{low} {unit or last}".strip(), f"{high} {last or unit}".strip()


def symptoms(cell: str) -> list[str]:
    """The symptoms of one cell as written."""
    return [part.strip(" .") for part in _SYMPTOMS.split(cell) if part.strip(" .")]


def readings(cell: str) -> list[str]:
    """The reading lines of one cell as written."""
    return [part.strip() for part in _READINGS.split(cell) if part.strip()]
