"""A server that is killed at any moment loses no case that it acknowledged, and keeps none by halves."""

from __future__ import annotations

from pathlib import Path

import pytest
from kill_server import rounds_of

pytestmark = pytest.mark.once("about the file that SQLite keeps")
WRITERS = 4


@pytest.mark.parametrize("rounds", [4, pytest.param(60, marks=pytest.mark.long)])
def test_no_acknowledged_case_is_lost_or_half_kept_when_the_server_is_killed(
    rounds: int, tmp_path: Path
) -> None:
    done = list(rounds_of(tmp_path / "data", rounds, WRITERS, seed=3))
    assert [one.wrong for one in done if one.wrong] == []
    # Most rounds end after a number of acknowledged writes, so the kills fell among writes.
    assert sum(one.acknowledged for one in done) >= 5 * rounds
    assert done[-1].in_store >= WRITERS
