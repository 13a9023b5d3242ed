"""Benchmark of the whole program through HTTP at several sizes of the store.

    python tests/bench_spine.py [--postgresql] [SIZE ...]        sizes default to 1000 10000 100000

`--postgresql` keeps the records on a server of its own that waits for its disk as a real one does; the size
of its database is part of the figure for the disk. The lines after each size hold the figures against what is
to be reached at 1,000,000 cases.

For each size it makes invented cases, imports them with the command line, starts the server, and asks
searches and suggestions over loopback. Search is measured beside SQLite's FTS5 (bm25, porter unicode61)
on the same texts and queries in the same run, because a ratio says more than a time on one machine.
Pairs are median and 95th percentile; of saves, the first and the slowest of the next five.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path

import httpx
from databases import PLACES, Server
from demo_town.generator import generate, lines

from kb.facts.parts import PART_CLASSES
from kb.service.find.case_search import COMPLETED

SEED = 7
QUERIES = 60
CLASSES = [entry.name for entry in PART_CLASSES]
KB = [sys.executable, "-m", "kb"]


def percentile(times: list[float], share: float) -> float:
    return sorted(times)[min(len(times) - 1, int(share * len(times)))]


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]


def disk_mb(data: Path) -> float:
    """What a store and its derived copies take up."""
    size = sum(entry.stat().st_size for entry in data.rglob("*") if entry.is_file())
    if PLACES.server is not None:
        name = PLACES.of(data).partition("@/")[2].partition("?")[0]
        size += PLACES.server.ask("SELECT pg_database_size(current_database())", name)[0][0]
    return size / 1e6


def environment_of(data: Path) -> dict[str, str]:
    """The environment of a process that keeps its records in `data`, whatever ours says."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    return {**kept, "KB_DATA": str(data), "KB_DATABASE_URL": PLACES.of(data)}


@contextmanager
def server(data: Path) -> Iterator[tuple[str, float, subprocess.Popen[str]]]:
    """(address, seconds from start to the first page, process) of a server on a store."""
    start = time.perf_counter()
    process = subprocess.Popen(
        [*KB, "serve", "--no-browser", "--port", "0"],
        env=environment_of(data),
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        url = process.stdout.readline().split()[-1]
        httpx.get(url, timeout=600).raise_for_status()
        yield url, time.perf_counter() - start, process
    finally:
        process.terminate()
        process.wait(60)
        assert process.stdout is not None
        process.stdout.close()


def phrases(cases: list[dict[str, object]]) -> list[str]:
    """Queries of two to five words as a person might type them: pieces of complaints and symptoms."""
    rng = random.Random(SEED)
    found = []
    while len(found) < QUERIES:
        case = rng.choice(cases)
        names = [str(entry["name"]) for entry in case.get("symptoms", [])]  # type: ignore[union-attr, index]
        words = re.findall(r"[a-z]{3,}", " ".join([str(case.get("complaint", "")).lower(), *names]))
        if len(words) >= 2:
            start = rng.randrange(len(words) - 1)
            found.append(" ".join(words[start : start + rng.randint(2, 5)]))
    return found


def text_of(case: dict[str, object]) -> str:
    parts = [str(case.get("complaint", "")), str(case.get("notes", "")), str(case["family"])]
    parts += [str(entry["name"]) for entry in case.get("symptoms", [])]  # type: ignore[union-attr, index]
    for attempt in case.get("attempts", []):  # type: ignore[union-attr]
        parts += [str(value) for value in attempt.values()]  # type: ignore[union-attr]
    return " ".join(parts)


def fts5_times(cases: list[dict[str, object]], queries: list[str]) -> list[float]:
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE VIRTUAL TABLE t USING fts5(body, tokenize='porter unicode61')")
    connection.executemany("INSERT INTO t VALUES (?)", ((text_of(case),) for case in cases))
    times = []
    for query in queries:
        match = " OR ".join(f'"{word}"' for word in query.split())
        ask = "SELECT rowid FROM t WHERE t MATCH ? ORDER BY bm25(t) LIMIT 20"
        times.append(timed(lambda m=match, a=ask: connection.execute(a, (m,)).fetchall()))  # type: ignore[misc]
    return times


def varied(record: dict[str, object]) -> dict[str, object]:
    """The record with its family's own part classes: the demo's 55 faults become some 200."""
    shift = sum(map(ord, str(record.get("family")))) % 4
    for attempt in record.get("attempts", ()):  # type: ignore[attr-defined]
        at = CLASSES.index(attempt["part_class"])
        attempt["part_class"] = CLASSES[(at + shift) % len(CLASSES)]
    return record


def make_cases(size: int, file: Path) -> list[dict[str, object]]:
    """Writes invented records to a file; answers the cases among them."""
    made = generate(SEED, size, min(500, 14 + size // 200), date(2026, 10, 31))
    with file.open("w", encoding="utf-8") as out:
        out.writelines(lines(varied(record) for record in made))
    with file.open(encoding="utf-8") as again:
        return [json.loads(line) for line in again if '"record":"case"' in line]


def asked_of(cases: list[dict[str, object]]) -> list[dict[str, object]]:
    rng = random.Random(SEED)
    names = ("family", "symptoms", "readings")
    return [{name: case[name] for name in names if name in case} for case in rng.sample(cases, QUERIES)]


def posting(client: httpx.Client, calls: Sequence[str], bodies: list[dict[str, object]]) -> list[float]:
    """Seconds that all calls with one body take together, for each body."""

    def post(body: dict[str, object]) -> None:
        for call in calls:
            client.post(f"api/{call}", json=body).raise_for_status()

    return [timed(partial(post, body)) for body in bodies]


def save_and_find(client: httpx.Client, case: dict[str, object], number: int) -> None:
    new = {name: value for name, value in case.items() if name != "uid"}
    client.post("api/cases", json=new | {"complaint": f"zqzqfresh{'x' * number} dark"}).raise_for_status()
    assert client.get("api/search", params={"q": f"zqzqfresh{'x' * number}"}).json()["total"] == 1


def completing(client: httpx.Client, queries: Sequence[str]) -> list[float]:
    """Seconds of one completion after the first letters of each query, by turns in each list."""

    def complete(at: int, query: str) -> None:
        what = COMPLETED[at % len(COMPLETED)]
        client.get(f"complete/{what}", params={"q": query[: 2 + at % 3]}).raise_for_status()

    return [timed(partial(complete, at, query)) for at, query in enumerate(queries)]


def ms(times: list[float]) -> str:
    return f"{statistics.median(times) * 1e3:.1f} / {percentile(times, 0.95) * 1e3:.1f}"


def ratio(times: list[float], reference: list[float]) -> str:
    middle = statistics.median(times) / statistics.median(reference)
    return f"{middle:.2f} / {percentile(times, 0.95) / percentile(reference, 0.95):.2f}"


def verdicts(start_s: float, suggest_ms: float, save_ms: float, memory_mb: float) -> Iterator[str]:
    """Each figure beside what is to be reached at 1,000,000 cases on two cores."""
    for name, found, most, unit in (
        ("start to first answer", start_s, 10, "s"),
        ("suggestion", suggest_ms, 50, "ms"),
        ("save to findable", save_ms, 1_000, "ms"),
        ("serving memory", memory_mb, 2_000, "MB"),
    ):
        yield f"{'reached' if found < most else 'MISSED':<8} {name}: {found:.4g} {unit}, under {most:,} {unit}"


def measure(size: int) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as folder:
        data, file = Path(folder) / "data", Path(folder) / "cases.jsonl"
        cases = make_cases(size, file)
        queries, bodies = phrases(cases), asked_of(cases)
        environment = environment_of(data)
        importing = timed(
            lambda: subprocess.run(
                [*KB, "import", str(file)], env=environment, check=True, stdout=subprocess.DEVNULL
            )
        )
        with server(data) as (_, first_start, _process):
            pass
        with server(data) as (url, start, process), httpx.Client(base_url=url, timeout=600) as client:
            posting(client, ["suggestions"], bodies[:1])  # the weights are chosen at the first one
            searching = [
                timed(lambda q=query: client.get("api/search", params={"q": q}).raise_for_status())  # type: ignore[misc]
                for query in queries
            ]
            suggesting = posting(client, ["suggestions"], bodies)
            both = posting(client, ["suggestions", "next-measurements"], bodies)
            completed = completing(client, queries)
            saving = [timed(partial(save_and_find, client, cases[0], number)) for number in range(6)]
            memory = resident_mb(process.pid)
        disk = disk_mb(data)
        reference = fts5_times(cases, queries)
    for line in verdicts(start, statistics.median(suggesting) * 1e3, max(saving) * 1e3, memory):
        print(f"{size:,} cases: {line}", flush=True)
    return {
        "cases": f"{size:,}",
        "import, cases/s": f"{size / importing:,.0f}",
        "first start, s": f"{first_start:.1f}",
        "start, s": f"{start:.1f}",
        "search ms": ms(searching),
        "search × FTS5": ratio(searching, reference),
        "suggest ms": ms(suggesting),
        "suggest and next ms": ms(both),
        "complete ms": ms(completed),
        "save to found, ms": f"{saving[0] * 1e3:.0f} / {max(saving[1:]) * 1e3:.0f}",
        "memory, MB": f"{memory:.0f}",
        "disk, MB": f"{disk:.0f}",
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("sizes", metavar="SIZE", nargs="*", type=int, default=[1_000, 10_000, 100_000])
    parser.add_argument("--postgresql", action="store_true")
    parsed = parser.parse_args()
    rows = []
    if parsed.postgresql:
        PLACES.server = Server(fsync="on", synchronous_commit="on", full_page_writes="on", autovacuum="on")
    try:
        for size in parsed.sizes:
            rows.append(measure(size))
            print(" | ".join(f"{name}: {value}" for name, value in rows[-1].items()), flush=True)
    finally:
        if PLACES.server is not None:
            PLACES.server.stop()
    print("\n| " + " | ".join(rows[0]) + " |\n|" + "---|" * len(rows[0]))
    for row in rows:
        print("| " + " | ".join(str(value) for value in row.values()) + " |")


if __name__ == "__main__":
    main()
