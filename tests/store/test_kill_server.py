"""A server that is killed at any moment loses no case that it acknowledged, and keeps none by halves."""

from __future__ import annotations

from pathlib import Path

import pytest
from kill_server import rounds_of

pytestmark = pytest.mark.once("about the file that SQLite keeps")
ROUNDS, WRITERS = 12, 4


@pytest.mark.slow
def test_no_acknowledged_case_is_lost_or_half_kept_when_the_server_is_killed(tmp_path: Path) -> None:
    done = list(rounds_of(tmp_path / "data", ROUNDS, WRITERS, seed=3))
    assert [one.wrong for one in done if one.wrong] == []
    # Writers have a second or less a round, and a busy machine may do little in it; it must not do nothing.
    assert sum(one.acknowledged for one in done) >= ROUNDS
    assert done[-1].in_store >= WRITERS
