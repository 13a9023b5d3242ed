"""Letter-and-digit marking codes against published examples and an independent library."""

from __future__ import annotations

import math
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from quantiphy import Quantity  # type: ignore[import-untyped]
from rkm_codes import from_rkm, to_rkm  # type: ignore[import-untyped]

from kb.bench.sequence_dead import fusible_ohm
from kb.errors import BadInput
from kb.facts.preferred import SERIES
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


@pytest.mark.parametrize("decade", range(10))
def test_every_resistor_that_the_library_marks_is_read_as_it_meant(decade: int) -> None:
    for preferred in SERIES["E24"]:
        ohms = float(f"{preferred}e{decade - 2}")
        code = to_rkm(Quantity(ohms, "Ω"))
        assert math.isclose(float(parse_quantity(code, "ohm")), ohms, rel_tol=1e-12), code


@pytest.mark.parametrize("decade", range(-12, -5))
def test_every_capacitor_that_the_library_marks_is_read_as_it_meant(decade: int) -> None:
    for preferred in SERIES["E24"]:
        farads = float(f"{preferred}e{decade - 2}")
        code = to_rkm(Quantity(farads, "F"))
        assert math.isclose(float(parse_quantity(code, "F")), farads, rel_tol=1e-12), code


# The letters of the standard's tolerances, from memory; what counts is that none of them changes a value.
@pytest.mark.parametrize("letter", "BCDFGHJKMN")
@pytest.mark.parametrize(
    "code", [code for code in CODES if code["unit"] in ("ohm", "F")], ids=lambda code: code["text"]
)
def test_a_tolerance_letter_behind_a_code_is_never_taken_for_a_part_of_it(
    code: dict[str, Any], letter: str
) -> None:
    if letter == "F" and code["unit"] == "F":
        return  # the unit itself
    with pytest.raises(BadInput) as refused:
        parse_quantity(code["text"] + letter, code["unit"])
    assert "tolerance letter" in refused.value.message
    assert refused.value.remedy == f"Write {parse_back(code['text'])}."


def parse_back(text: str) -> str:
    """The code as the refusal repeats it: one sign for micro."""
    return text.replace("µ", "μ")


@pytest.mark.parametrize("text", ["R47", "4R7", "470R"])
def test_a_fusible_resistor_in_the_fuse_s_place_is_read_by_its_code(text: str) -> None:
    assert fusible_ohm(f"fusible {text}") == float(from_rkm(text))


@pytest.mark.parametrize("letter", "RkM")
@pytest.mark.parametrize("digits", ["1", "47", "402"])
def test_the_letter_stands_where_the_decimal_mark_would(letter: str, digits: str) -> None:
    factor = {"R": 1, "k": 1000, "M": 1_000_000}[letter]
    assert parse_quantity(f"3{letter}{digits}", "ohm") == Decimal(f"3.{digits}") * factor
