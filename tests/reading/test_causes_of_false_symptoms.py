"""What makes English symptoms false, cause by cause: twenty wordings of each and twenty that look alike and are said.

The wordings are our own (`judged/causes_en.toml`), written before the rules; common practice, no published source.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from kb.facts.symptoms import SYMPTOMS
from kb.reading import read

FILE = Path(__file__).parent / "judged" / "causes_en.toml"
CAUSES: list[dict[str, Any]] = tomllib.loads(FILE.read_text("utf-8"))["cause"]


def _present(line: str) -> tuple[str, str, bool]:
    name, _, text = line.partition(" | ")
    return name, text, name in {one.name for one in read(text).symptoms if one.present}


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause["name"])
def test_what_is_not_said_is_not_taken_and_what_looks_alike_is(cause: dict[str, Any]) -> None:
    taken = [text for _, text, there in map(_present, cause["not_said"]) if there]
    missed = [f"{name}: {text}" for name, text, there in map(_present, cause["said"]) if not there]
    assert len(taken) <= 2, taken
    assert len(missed) <= 2, missed


def test_every_line_names_a_symptom_of_the_list_and_each_cause_has_enough_of_both() -> None:
    names = {one.name for one in SYMPTOMS}
    for cause in CAUSES:
        assert {line.partition(" | ")[0] for line in (*cause["not_said"], *cause["said"])} <= names
        assert len(cause["not_said"]) >= 20 <= len(cause["said"])
