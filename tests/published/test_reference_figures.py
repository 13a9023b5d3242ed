"""The reference figures in the data files are those that the script beside them computes, and say whence they are."""

from __future__ import annotations

import itertools
import json
import tomllib
from pathlib import Path

import pytest
import reference_figures
from reference_figures import DATA, PARTS


@pytest.mark.parametrize("part", PARTS)
def test_the_figures_of_a_data_file_are_those_that_the_script_computes(part: str) -> None:
    figures = list(PARTS[part]())
    assert figures
    for name, ours, written in figures:
        assert ours == pytest.approx(written, abs=1e-6), name


def origin_of(file: Path) -> str:
    """What a data file says of where it is from: in the comment it begins with, or under "source"."""
    text = file.read_text(encoding="utf-8")
    head = "".join(itertools.takewhile(lambda line: line.startswith("#"), text.splitlines(keepends=True)))
    if file.suffix == ".csv":
        return head
    told = json.dumps(tomllib.loads(text) if file.suffix == ".toml" else json.loads(text))
    return head or (told if '"source"' in told else "")


@pytest.mark.parametrize("file", sorted(DATA.iterdir()), ids=lambda file: file.name)
def test_every_data_file_names_its_source(file: Path) -> None:
    told = origin_of(file)
    assert told, "say where it is from"
    if file.suffix == ".csv":  # a whole table that somebody else collected
        assert "licence" in told


def test_the_script_knows_nothing_of_the_program() -> None:
    text = Path(reference_figures.__file__).read_text(encoding="utf-8")
    assert "import kb" not in text
    assert "from kb" not in text
