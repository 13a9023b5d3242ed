"""No page and no API call looks through all cases: what each does hardly grows where the store grows tenfold.

What is counted is work and not time: steps of SQLite's machine and calls of Python functions, C functions
among them. The pages are those of every route, in a shop after years of work.
"""

from __future__ import annotations

import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from bench_pages import Asked, asked_of, known_of, make
from factories import TODAY, settings_in
from lived_in import live_in
from sqlalchemy import event
from sqlalchemy.pool import Pool
from web_client import HOST, Client

from kb.service import Shop

pytestmark = pytest.mark.once("counts the steps that SQLite takes")
SMALL, LARGE, FAMILIES = 200, 2_000, 16
MOST = 1.5
# So much more is nothing that anybody could notice: some hundredths of a millisecond.
FREE_STEPS, FREE_CALLS = 3_000, 1_500
# These may grow: figures over all cases, worked out once a change.
PER_CHANGE = {"/track-record", "/api/track-record"}


@dataclass
class Work:
    """What was done since `reset`."""

    steps: int = 0
    calls: int = 0
    counting: bool = False

    def step(self) -> None:
        # What catches up in the background is nobody's request.
        if self.counting and threading.current_thread().name.startswith(("MainThread", "AnyIO")):
            self.steps += 10

    def call(self, _frame: Any, kind: str, _argument: Any) -> None:
        if self.counting and kind in ("call", "c_call"):
            self.calls += 1

    def watch(self, connection: sqlite3.Connection, _record: object) -> None:
        connection.set_progress_handler(self.step, 10)

    def of(self, client: Client, one: Asked, headers: dict[str, str]) -> tuple[int, int]:
        """Steps and calls of the second of two requests: the first has something to keep for the next."""
        for self.counting in (False, True):
            self.steps = self.calls = 0
            answer = client.call(one.method, one.address, headers=headers, **one.options)
        self.counting = False
        assert answer.status_code < 500 or answer.status_code == 503, one.address
        return self.steps, self.calls


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[dict[str, tuple[int, int, str]]]]:
    """For a small and a large store the most (steps, calls) of each route, and at which address."""
    counted = Work()
    event.listen(Pool, "connect", counted.watch)
    try:
        yield [_walk(counted, size, tmp_path_factory.mktemp(f"store-{size}")) for size in (SMALL, LARGE)]
    finally:
        event.remove(Pool, "connect", counted.watch)


@contextmanager
def counting_calls(counted: Work) -> Iterator[None]:
    """Counts calls in this thread and in those that begin within the block."""
    before, before_in_threads = sys.getprofile(), threading.getprofile()
    threading.setprofile(counted.call)
    sys.setprofile(counted.call)
    try:
        yield
    finally:
        sys.setprofile(before)
        threading.setprofile(before_in_threads)


def _walk(counted: Work, size: int, folder: Path) -> dict[str, tuple[int, int, str]]:
    make(size, FAMILIES, folder / "data")
    shop = Shop.open(settings_in(folder / "data"), today=lambda: TODAY)
    known = known_of(shop)
    there = live_in(shop, share=False)
    shop.derived.warm()
    cookie = there.office.signed_in("administer")
    found: dict[str, tuple[int, int, str]] = {}
    with counting_calls(counted):
        # Clients whose threads begin here.
        bench, office = Client(shop), Client(shop, serving=there.office.app.state.serving)
        for one in asked_of(there, known, every=False):
            client, headers = (office, cookie) if one.signed_in else (bench, {"Origin": HOST})
            steps, calls = counted.of(client, one, headers)
            if (steps, calls) > found.get(one.route, (0, 0, ""))[:2]:
                found[one.route] = steps, calls, one.address
    there.close()
    for client in (bench, office):
        client.close()
    return found


@pytest.mark.parametrize(
    ("place", "what", "free"),
    [
        (0, "steps of SQLite", FREE_STEPS),
        # What the program works out in the background is counted with it, so this is for a machine at rest.
        pytest.param(1, "calls", FREE_CALLS, marks=pytest.mark.long),
    ],
)
def test_no_page_looks_through_all_cases(
    work: list[dict[str, tuple[int, int, str]]], place: int, what: str, free: int
) -> None:
    small, large = work
    assert len(large) > 90
    # It is counted at all: the start page asks the store, and not for nothing.
    assert all(500 < one["/"][0] < 20_000 and one["/"][1] > 5_000 for one in work)
    grown = []
    for route in sorted((small.keys() & large.keys()) - PER_CHANGE):
        before, after = int(small[route][place]), int(large[route][place])
        if after > MOST * before + free:
            grown.append(f"{route}: {before} {what}, then {after} at {large[route][2]}")
    assert not grown, "\n".join(grown)
