"""No page and no API call looks through all cases: what each does hardly grows where the store grows sixfold.

What is counted is work and not time: steps of SQLite's machine and calls of Python functions, C functions
among them. The pages are those of every route, in a shop after years of work.
"""

from __future__ import annotations

import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from bench_pages import SEED, Asked, asked_of, known_of, make
from demo_town.generator import generate, lines
from factories import TODAY, settings_in
from lived_in import LivedIn, live_in
from signed_in import Office
from sqlalchemy import event
from sqlalchemy.pool import Pool
from web_client import HOST, Client

from kb.service import Shop
from kb.service.transfer import json_lines

pytestmark = pytest.mark.once("counts the steps that SQLite takes")
SMALL, LARGE, FAMILIES = 200, 1_200, 16
MOST = 1.5
STEPS_A_CALL = 50  # SQLite says so often where it is; more often would take longer than what is counted
# So much more is nothing that anybody could notice: some hundredths of a millisecond.
FREE_STEPS, FREE_CALLS = 3_000, 1_500
# What people wait for most, and what has grown with the store before: looked at in every run, all in the long tier.
MAIN = {
    "/",
    "/cases",
    "/cases/{uid}",
    "/cases/new",
    "/families",
    "/families/{code}",
    "/diagnose",
    "/bench",
    "/bench/new",
    "/search",
    "/data",
    "/data/changes",
    "/api/health",
    "POST /api/suggestions",
    "POST /api/next-measurements",
    "POST /api/cases",
}
# These may grow: figures over all cases, worked out once a change.
PER_CHANGE = {"/track-record", "/api/track-record"}


def answers_requests() -> bool:
    """Whether this is one of the threads that do; what catches up in the background is nobody's request."""
    return threading.current_thread().name.startswith(("MainThread", "AnyIO"))


@dataclass
class Work:
    """What was done since `reset`."""

    steps: int = 0
    calls: int = 0
    counting: bool = False

    def step(self) -> None:
        if self.counting and answers_requests():
            self.steps += STEPS_A_CALL

    def call(self, _frame: Any, kind: str, _argument: Any) -> None:
        if self.counting and kind in ("call", "c_call"):
            self.calls += 1

    def begin(self, _frame: Any, _kind: str, _argument: Any) -> None:
        """The first thing that a new thread does."""
        sys.setprofile(self.call if answers_requests() else None)

    def watch(self, connection: sqlite3.Connection, _record: object) -> None:
        connection.set_progress_handler(self.step, STEPS_A_CALL)

    def of(self, client: Client, one: Asked, headers: dict[str, str]) -> tuple[int, int]:
        """Steps and calls of the second of two requests: the first has something to keep for the next."""
        for self.counting in (False, True):
            self.steps = self.calls = 0
            answer = client.call(one.method, one.address, headers=headers, **one.options)
        self.counting = False
        assert answer.status_code < 500 or answer.status_code == 503, one.address
        return self.steps, self.calls


def walked(folder: Path, *, calls: bool, main: bool) -> list[dict[str, tuple[int, str]]]:
    """For one store, small and then grown, the most steps, or calls, of each route, and at which address."""
    counted = Work()
    event.listen(Pool, "connect", counted.watch)
    try:
        make(SMALL, FAMILIES, folder / "data")
        shop = Shop.open(settings_in(folder / "data"), today=lambda: TODAY)
        there = _nobody_there(shop) if main else live_in(shop, share=False)
        found = [_walk(counted, there, calls=calls, main=main)]
        more = lines(generate(SEED + 1, LARGE - SMALL, FAMILIES, date(2026, 10, 31)))
        assert json_lines.bring_in(shop, [line.encode() for line in more]).saved
        shop.refresh(lambda done: None)
        found.append(_walk(counted, there, calls=calls, main=main))
        there.close()
        return found
    finally:
        event.remove(Pool, "connect", counted.watch)


@contextmanager
def counting_calls(counted: Work) -> Iterator[None]:
    """Counts calls in this thread and in those that begin within the block."""
    before, before_in_threads = sys.getprofile(), threading.getprofile()
    threading.setprofile(counted.begin)
    sys.setprofile(counted.call)
    try:
        yield
    finally:
        sys.setprofile(before)
        threading.setprofile(before_in_threads)


def _nobody_there(shop: Shop) -> LivedIn:
    """The shop as it is, without what years of work add: the main pages need none of it."""
    office = Office(shop=shop, bare=True)
    return LivedIn(office, Client(shop), [])


def _walk(counted: Work, there: LivedIn, *, calls: bool, main: bool) -> dict[str, tuple[int, str]]:
    shop = there.office.shop
    known = known_of(shop)
    with shop.derived.counts():  # chosen before the first question, as in a server
        pass
    cookie = there.office.signed_in("administer")
    found: dict[str, tuple[int, str]] = {}
    # Counting calls makes everything some times slower, so it is done only where they are looked at.
    with counting_calls(counted) if calls else nullcontext():
        # Clients whose threads begin here.
        bench, office = Client(shop), Client(shop, serving=there.office.app.state.serving)
        for one in asked_of(there, known, every=False):
            if main and one.route not in MAIN:
                continue
            client, headers = (office, cookie) if one.signed_in else (bench, {"Origin": HOST})
            many = counted.of(client, one, headers)[calls]
            found[one.route] = max(found.get(one.route, (0, "")), (many, one.address))
    for client in (bench, office):
        client.leave()
    return found


@pytest.mark.parametrize(
    ("what", "free", "main"),
    [
        ("steps of SQLite", FREE_STEPS, True),
        pytest.param("steps of SQLite", FREE_STEPS, False, marks=pytest.mark.long),
        pytest.param("calls", FREE_CALLS, False, marks=pytest.mark.long),
    ],
)
def test_no_page_looks_through_all_cases(tmp_path: Path, what: str, free: int, main: bool) -> None:
    small, large = walked(tmp_path, calls=what == "calls", main=main)
    assert large.keys() == MAIN if main else len(large) > 90
    # It is counted at all: the start page asks the store, and not for nothing.
    least, most = (5_000, 1_000_000) if what == "calls" else (500, 20_000)
    assert all(least < one["/"][0] < most for one in (small, large))
    grown = []
    for route in sorted((small.keys() & large.keys()) - PER_CHANGE):
        before, after = small[route][0], large[route][0]
        if after > MOST * before + free:
            grown.append(f"{route}: {before} {what}, then {after} at {large[route][1]}")
    assert not grown, "\n".join(grown)
