"""Cells that hold several things."""

from __future__ import annotations

import re

_SYMPTOMS = re.compile(r"[;,/|\n\t]+|\s\+\s|\s&\s")
_READINGS = re.compile(r"[;\n|]+|,\s+(?=[+-]?[A-Za-z0-9]*[A-Za-z])")


def symptoms(cell: str) -> list[str]:
    """The symptoms of one cell as written."""
    return [part.strip(" .") for part in _SYMPTOMS.split(cell) if part.strip(" .")]


def readings(cell: str) -> list[str]:
    """The reading lines of one cell as written."""
    return [part.strip() for part in _READINGS.split(cell) if part.strip()]
