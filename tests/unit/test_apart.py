"""The process that opens what was sent: it is stopped at its limits, and the next call does not know of it."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator

import apart_calls
import pytest
from commands import STUCK_S

from kb.apart import Limits, Pool
from kb.errors import BadInput, TooSoon

pytestmark = pytest.mark.once("no store is touched")


@pytest.fixture
def pool() -> Iterator[Pool]:
    made = Pool("This file", "Save it again.", Limits(cpu_s=1, wall_s=60, memory_bytes=600_000_000))
    yield made
    made.close()


def test_a_call_is_answered_by_another_process_which_serves_the_next_one_too(pool: Pool) -> None:
    first, second = pool.run(apart_calls.own_id), pool.run(apart_calls.own_id)
    assert first == second != os.getpid()


def test_a_call_that_takes_for_ever_is_stopped_with_a_sentence_and_the_next_one_is_answered(
    pool: Pool,
) -> None:
    before = pool.run(apart_calls.own_id)
    with pytest.raises(BadInput, match=r"This file takes longer than 1 s to open") as caught:
        pool.run(apart_calls.never_done)
    assert caught.value.remedy == "Save it again."
    assert pool.run(apart_calls.own_id) != before


def test_a_call_that_sleeps_for_ever_is_stopped_by_the_clock() -> None:
    pool = Pool("This file", "Save it again.", Limits(cpu_s=1, wall_s=0.3))
    try:
        with pytest.raises(BadInput, match="takes longer"):
            pool.run(apart_calls.asleep)
    finally:
        pool.close()


@pytest.mark.parametrize(
    "function", [apart_calls.fills_the_memory, apart_calls.falls_over, apart_calls.fails]
)
def test_what_fills_the_memory_or_falls_over_costs_its_own_call_only(pool: Pool, function: object) -> None:
    with pytest.raises(BadInput, match="This file"):
        pool.run(function)  # type: ignore[arg-type]
    assert pool.run(apart_calls.twice, 4) == 8


def test_a_refusal_arrives_as_it_was_said(pool: Pool) -> None:
    with pytest.raises(BadInput, match=r"^It is empty\.$") as caught:
        pool.run(apart_calls.refuses)
    assert (caught.value.field, caught.value.remedy) == ("file", "Send another.")


def test_an_answer_that_would_run_something_is_not_taken(pool: Pool) -> None:
    with pytest.raises(BadInput, match="cannot be opened"):
        pool.run(apart_calls.answers_with_a_trap)


def test_progress_is_said_here_too(pool: Pool) -> None:
    said: list[int] = []
    assert pool.run_reporting(apart_calls.counts, 3, progress=said.append, cpu_s=5) == "counted"
    assert said == [1, 2, 3]


def test_more_than_the_queue_takes_are_asked_to_come_again() -> None:
    pool = Pool("This file", "Save it again.", Limits(cpu_s=5, wall_s=60), most_waiting=1)
    begun, over = threading.Event(), threading.Event()

    def hold(_: int) -> None:
        begun.set()
        over.wait(STUCK_S)

    holder = threading.Thread(
        target=lambda: pool.run_reporting(apart_calls.counts, 1, progress=hold, cpu_s=5)
    )
    holder.start()
    try:
        assert begun.wait(STUCK_S)
        with pytest.raises(TooSoon, match="has to wait"):
            pool.run(apart_calls.own_id)
    finally:
        over.set()
        holder.join()
        pool.close()


def test_a_process_that_was_killed_from_outside_is_replaced(pool: Pool) -> None:
    os.kill(pool.run(apart_calls.own_id), signal.SIGTERM)
    with pytest.raises(BadInput):
        pool.run(apart_calls.own_id)
    assert pool.run(apart_calls.twice, 2) == 4


def test_an_idle_process_ends_and_the_next_call_starts_another() -> None:
    pool = Pool("This file", "Save it again.", Limits(cpu_s=5, wall_s=60), idle_s=0.0)
    try:
        assert pool.run(apart_calls.own_id) != 0
        assert pool.run(apart_calls.twice, 3) == 6
    finally:
        pool.close()
