"""One hostile input must not stop everybody: pages, search and health answer while each of them is worked on.

The inputs and the measuring are in `hostile_inputs.py`; figures of all of them stand in FIGURES.md.
"""

from __future__ import annotations

from pathlib import Path

import hostile_inputs
import pytest
from processes import served

pytestmark = pytest.mark.once("decoding and parsing touch no database")
# Allowed on top of what the 99th percentile is in quiet, on a machine with nothing else to do.
MOST_S = 0.25


@pytest.mark.long  # making them all is most of it
def test_there_are_two_hundred_inputs_each_under_a_megabyte() -> None:
    inputs = hostile_inputs.hostile()
    assert len(inputs) >= 200
    assert len({one.name for one in inputs}) >= 200
    for one in inputs:
        assert hostile_inputs.size_of(one) <= hostile_inputs.MOST_BYTES + 1_000, one.name


@pytest.mark.parametrize("most", [6, pytest.param(None, marks=pytest.mark.long)])
def test_everybody_is_answered_while_hostile_inputs_are_worked_on(tmp_path: Path, most: int | None) -> None:
    inputs = hostile_inputs.hostile(most)
    with served(tmp_path, "--demo") as (url, _):
        found = hostile_inputs.measured(url, inputs, at_once=2, quiet_s=0.2 if most else 10.0)
    assert found.refused == []
    assert len(found.statuses) == len(inputs)
    # Each is answered: done, refused with a sentence, or asked to come again; the program itself never fails.
    failed = [
        (one.name, status) for one, status, _ in found.statuses if status[:1] not in "234" and status != "503"
    ]
    assert failed == []
    if most is None:
        for path in hostile_inputs.ASKED:
            quiet, attacked = (
                hostile_inputs.percentile(of[path], 0.99) for of in (found.quiet, found.attacked)
            )
            assert attacked <= quiet + MOST_S, path
