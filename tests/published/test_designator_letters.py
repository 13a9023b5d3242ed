"""Class letters of designators against the published list."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from kb.facts.designators import (
    CLASS_LETTERS,
    COMMON_PRACTICE,
    IEEE_315,
    kinds_for_letters,
    kinds_of_designator,
)

PUBLISHED = tomllib.loads((Path(__file__).parent / "data" / "designator_letters.toml").read_text("utf-8"))
SOURCES = {entry.letters: entry.source for entry in CLASS_LETTERS}


@pytest.mark.parametrize(("letters", "kind"), PUBLISHED["standard"].items())
def test_the_likeliest_kind_is_the_standard_one(letters: str, kind: str) -> None:
    assert kind in kinds_for_letters(letters)[0]
    assert kinds_of_designator(f"{letters}12") == kinds_for_letters(letters)
    assert SOURCES[letters] == IEEE_315


@pytest.mark.parametrize("row", PUBLISHED["nonconforming"], ids=lambda row: row["printed"])
def test_what_boards_print_is_read_as_the_same_kind_of_part(row: dict[str, str]) -> None:
    assert kinds_for_letters(row["printed"])[0] == row["kind"]
    assert row["kind"] in kinds_for_letters(row["standard"])
    assert SOURCES[row["printed"]] == COMMON_PRACTICE
