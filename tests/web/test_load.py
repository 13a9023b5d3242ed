"""Mixed load on a server process: no answer is wrong, and memory does not pile up."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import bench_load
import commands
import pytest
from processes import served

pytestmark = pytest.mark.once("the server of the benchmark keeps its store in a file")


@contextmanager
def forked(data: Path) -> Iterator[tuple[str, float, commands.Process]]:
    """A server that starts from one that has loaded the program; what is measured of its memory is not looked at."""
    with served(data) as (url, process):
        yield f"{url}/", 0.0, process


def test_forty_mixed_requests_at_once_are_all_answered_rightly() -> None:
    tally, told, in_order = bench_load.loaded(seconds=0.004, rate=10_000, size=100, seed=7, serve=forked)
    assert tally.errors == []
    assert sum(len(times) for times in tally.times.values()) == 40
    assert in_order, told


@pytest.mark.long
def test_half_an_hour_of_load_brings_no_error_and_no_tenth_more_memory() -> None:
    assert bench_load.run(minutes=30, rate=20, size=10_000, seed=7, growth=bench_load.GROWTH)
