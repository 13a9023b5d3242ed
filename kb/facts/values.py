"""Values people type, in one place to import from: quantities, readings, tolerances, money, dates, minutes."""

from __future__ import annotations

from kb.facts.quantities import (
    OVER_RANGE,
    UNITS,
    MeterState,
    OverRange,
    format_quantity,
    format_si_plain,
    parse_quantity,
    parse_reading,
)
from kb.facts.reading_lines import ReadingLine, parse_reading_line
from kb.facts.typed_entries import parse_iso_date, parse_minutes, parse_money, parse_share, parse_tolerance

__all__ = [
    "OVER_RANGE",
    "UNITS",
    "MeterState",
    "OverRange",
    "ReadingLine",
    "format_quantity",
    "format_si_plain",
    "parse_iso_date",
    "parse_minutes",
    "parse_money",
    "parse_quantity",
    "parse_reading",
    "parse_reading_line",
    "parse_share",
    "parse_tolerance",
]
