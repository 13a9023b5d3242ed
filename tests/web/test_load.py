"""Mixed load on a server process: no answer is wrong, and memory does not pile up."""

from __future__ import annotations

import bench_load
import pytest

pytestmark = pytest.mark.once("the server of the benchmark keeps its store in a file")


def test_forty_mixed_requests_at_once_are_all_answered_rightly() -> None:
    tally, told, in_order = bench_load.loaded(seconds=0.004, rate=10_000, size=100, seed=7)
    assert tally.errors == []
    assert sum(len(times) for times in tally.times.values()) == 40
    assert in_order, told


@pytest.mark.long
def test_half_an_hour_of_load_brings_no_error_and_no_tenth_more_memory() -> None:
    assert bench_load.run(minutes=30, rate=20, size=10_000, seed=7, growth=bench_load.GROWTH)
