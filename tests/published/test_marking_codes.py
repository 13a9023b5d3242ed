"""Letter-and-digit marking codes against published examples and an independent library."""

from __future__ import annotations

import math
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from rkm_codes import from_rkm  # type: ignore[import-untyped]

from kb.facts.values import parse_quantity

CODES = tomllib.loads((Path(__file__).parent / "data" / "marking_codes.toml").read_text("utf-8"))["code"]


@pytest.mark.parametrize("code", CODES, ids=lambda code: code["text"])
def test_a_published_code_is_read_exactly(code: dict[str, Any]) -> None:
    assert parse_quantity(code["text"], code["unit"]) == Decimal(code["value"])


@pytest.mark.parametrize("code", [code for code in CODES if code["library"]], ids=lambda code: code["text"])
def test_the_independent_library_agrees(code: dict[str, Any]) -> None:
    ours = parse_quantity(code["text"], code["unit"])
    assert math.isclose(float(from_rkm(code["text"])), float(ours), rel_tol=1e-12)


@pytest.mark.parametrize(
    "code", [code for code in CODES if not code["library"]], ids=lambda code: code["text"]
)
def test_where_the_library_is_wrong_it_still_is(code: dict[str, Any]) -> None:
    ours = parse_quantity(code["text"], code["unit"])
    assert not math.isclose(float(from_rkm(code["text"])), float(ours), rel_tol=1e-3)


@pytest.mark.parametrize("letter", "RkM")
@pytest.mark.parametrize("digits", ["1", "47", "402"])
def test_the_letter_stands_where_the_decimal_mark_would(letter: str, digits: str) -> None:
    factor = {"R": 1, "k": 1000, "M": 1_000_000}[letter]
    assert parse_quantity(f"3{letter}{digits}", "ohm") == Decimal(f"3.{digits}") * factor
