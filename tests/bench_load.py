"""Mixed load at a steady rate on a server process, counting errors and watching its memory.

    python tests/bench_load.py [--minutes 30] [--rate 20] [--cases 10000] [--seed 7] [--growth 1.1]

Searches, suggestions, pages, new cases, edits, small imports and the head of an export come in a fixed mix
over loopback, each at its moment whether or not earlier ones were answered. It fails where any answer is
not what was asked for, or where the server holds over a tenth more memory at the end than after the
warm-up. Times are from the moment a request was due to its whole answer, so a stall shows in all of them.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import commands
import httpx
from bench_spine import environment_of, make_cases, percentile, phrases, resident_mb, server, timed

GROWTH = 1.10
WORKERS = 16
# (address with the last slash, seconds until it answered, process) of a server while it runs.
Served = AbstractContextManager[tuple[str, float, Any]]
# Out of a hundred requests. Half an hour at 20 a second makes some 700 new cases: ten benches' day.
MIX = {
    "search": 34,
    "suggest": 20,
    "case page": 14,
    "family page": 10,
    "start page": 6,
    "edit": 8,
    "new case": 2,
    "import": 3,
    "export head": 3,
}


@dataclass
class Tally:
    """What came of the requests; filled from all threads."""

    times: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in MIX})
    errors: list[str] = field(default_factory=list)
    conflicts: int = 0
    memory_mb: list[tuple[float, float]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, name: str, seconds: float, error: str | None) -> None:
        with self.lock:
            self.times[name].append(seconds)
            if error:
                self.errors.append(f"{name}: {error}")


class Bench:
    """The people who use the program: each request is one thing that one of them does."""

    def __init__(self, url: str, cases: list[dict[str, object]], tally: Tally, seed: int) -> None:
        self.client = httpx.Client(base_url=url, timeout=60, limits=httpx.Limits(max_connections=WORKERS))
        self.cases = cases
        # Some phrases are all stop words; the others must find something to the end.
        self.queries = [query for query in phrases(cases) if self.total(query)]
        self.tally = tally
        self.seed = seed
        self.deeds: dict[str, Callable[[random.Random], None]] = {
            "search": self.search,
            "suggest": self.suggest,
            "case page": self.case_page,
            "family page": self.family_page,
            "start page": self.start_page,
            "edit": self.edit,
            "new case": self.new_case,
            "import": self.bring_in,
            "export head": self.export_head,
        }

    def total(self, query: str) -> int:
        return int(self.client.get("api/search", params={"q": query}).raise_for_status().json()["total"])

    def search(self, rng: random.Random) -> None:
        query = rng.choice(self.queries)
        if rng.random() < 0.5:
            self.client.get("search", params={"q": query}).raise_for_status()
        else:
            assert self.total(query) > 0, f"nothing was found for {query}"

    def suggest(self, rng: random.Random) -> None:
        case = rng.choice(self.cases)
        body = {name: case[name] for name in ("family", "symptoms", "readings") if name in case}
        found = self.client.post("api/suggestions", json=body).raise_for_status().json()
        total = sum(cause["probability"] for cause in found["causes"]) + found["unseen_probability"]
        assert abs(total - 1) < 1e-6, f"probabilities sum to {total}"

    def case_page(self, rng: random.Random) -> None:
        uid = str(rng.choice(self.cases)["uid"])
        assert uid[:8] in self.client.get(f"cases/{uid}").raise_for_status().text

    def family_page(self, rng: random.Random) -> None:
        code = str(rng.choice(self.cases)["family"])
        assert code in self.client.get(f"families/{code}").raise_for_status().text

    def start_page(self, _rng: random.Random) -> None:
        self.client.get("").raise_for_status()

    def edit(self, rng: random.Random) -> None:
        path = f"api/cases/{rng.choice(self.cases)['uid']}"
        found = self.client.get(path).raise_for_status().json()
        version = found.pop("version")
        found["notes"] = f"looked at again, {rng.randrange(10**9)}"
        answer = self.client.put(path, json=found, headers={"If-Match": f'"{version}"'})
        if answer.status_code == 412:  # somebody else was faster, as it should be told
            with self.tally.lock:
                self.tally.conflicts += 1
            return
        assert answer.raise_for_status().json()["version"] == version + 1

    def new_case(self, rng: random.Random) -> None:
        case = {name: value for name, value in rng.choice(self.cases).items() if name != "uid"}
        self.client.post("api/cases", json=case).raise_for_status()

    def bring_in(self, rng: random.Random) -> None:
        lines = "".join(json.dumps(case) + "\n" for case in rng.sample(self.cases, 3))
        answer = self.client.post(
            "api/import", content=lines.encode(), headers={"Content-Type": "application/x-ndjson"}
        )
        assert answer.raise_for_status().json()["refused"] == 0

    def export_head(self, _rng: random.Random) -> None:
        with self.client.stream("GET", "api/export") as answer:
            answer.raise_for_status()
            assert json.loads(next(answer.iter_lines()))["record"] == "symptom"

    def do(self, number: int, name: str, due: float) -> None:
        """One request, told to the tally whatever becomes of it."""
        error = None
        try:
            self.deeds[name](random.Random(f"{self.seed} {number}"))
        except httpx.HTTPStatusError as trouble:
            error = f"{trouble.response.status_code} {trouble.response.text[:300]}"
        except Exception as trouble:
            error = f"{type(trouble).__name__}: {trouble}"
        self.tally.note(name, time.perf_counter() - due, error)


def drive(bench: Bench, pid: int, seconds: float, rate: float) -> None:
    """Sends requests at their moments until the time is over, then waits for the last answers."""
    rng = random.Random(bench.seed)
    names = rng.choices(list(MIX), list(MIX.values()), k=int(seconds * rate))
    start = time.perf_counter()
    pending: set[Future[None]] = set()
    with ThreadPoolExecutor(WORKERS) as pool:
        for number, name in enumerate(names):
            due = start + number / rate
            time.sleep(max(0.0, due - time.perf_counter()))
            pending = {one for one in pending if not one.done()}
            pending.add(pool.submit(bench.do, number, name, due))
            if number % max(1, int(rate)) == 0:
                bench.tally.memory_mb.append((due - start, resident_mb(pid)))


def grown(memory_mb: list[tuple[float, float]], seconds: float) -> tuple[float, float]:
    """Memory after the warm-up and at the end, MB: medians over a tenth of the time each."""
    span = seconds / 10
    warm = min(120.0, seconds / 4)
    early = [mb for at, mb in memory_mb if warm <= at <= warm + span]
    late = [mb for at, mb in memory_mb if at >= seconds - span]
    return statistics.median(early), statistics.median(late)


def loaded(
    seconds: float, rate: float, size: int, seed: int, serve: Callable[[Path], Served] = server
) -> tuple[Tally, str, bool]:
    """(what came of the requests, what `kb check` says afterwards, whether it is content)."""
    with tempfile.TemporaryDirectory() as folder:
        data, file = Path(folder) / "data", Path(folder) / "cases.jsonl"
        cases = make_cases(size, file)
        brought = commands.run(["import", str(file)], environment_of(data))
        assert brought.returncode == 0, brought.stderr
        tally = Tally()
        with serve(data) as (url, _start, process):
            bench = Bench(url, cases, tally, seed)
            timed(lambda: bench.suggest(random.Random(seed)))  # the weights are chosen at the first one
            drive(bench, process.pid, seconds, rate)
            bench.client.close()
        checked = commands.run(["check"], environment_of(data))
    return tally, (checked.stdout or checked.stderr).decode().strip(), checked.returncode == 0


def run(minutes: float, rate: float, size: int, seed: int, growth: float) -> bool:
    """One run; prints what came of it and answers whether it passed."""
    seconds = minutes * 60
    tally, told, in_order = loaded(seconds, rate, size, seed)
    early, late = grown(tally.memory_mb, seconds)
    report(tally, seconds, early, late)
    print(f"kb check: {told}")
    return not tally.errors and late <= early * growth and in_order


def report(tally: Tally, seconds: float, early: float, late: float) -> None:
    """Prints the figures."""
    done = sum(len(times) for times in tally.times.values())
    print(
        f"{done:,} requests in {seconds / 60:g} minutes, {len(tally.errors)} errors, {tally.conflicts} conflicts told"
    )
    for name, times in tally.times.items():
        if times:
            middle, slow = statistics.median(times) * 1e3, percentile(times, 0.95) * 1e3
            print(
                f"  {name:12} {len(times):6,}  median {middle:.0f} ms, 95th {slow:.0f} ms, longest {max(times):.2f} s"
            )
    print(f"memory {early:.0f} MB after the warm-up, {late:.0f} MB at the end: {late / early - 1:+.1%}")
    for error, number in Counter(tally.errors).most_common(10):
        print(f"  {number} × {error}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=20.0)
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--growth", type=float, default=GROWTH, help="memory at the end over the warm-up")
    parsed = parser.parse_args()
    return 0 if run(parsed.minutes, parsed.rate, parsed.cases, parsed.seed, parsed.growth) else 1


if __name__ == "__main__":
    sys.exit(main())
