"""Search times against SQLite FTS5 (bm25, porter unicode61) on the same cases and queries, one run.

    python tests/search/bench_search.py [count ...]

Both sides return the 20 best cases with their stored text. Ours also corrects spelling, counts facets and
cuts snippets; FTS5 only ranks and fetches. Ratios are ours over FTS5, below 1 is faster. Last come the slowest
of the queries that nobody should type (best of three, in processor time) and how busy the machine was: with
more than its cores waiting, times on the clock say little.
"""

from __future__ import annotations

import os
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from search_cases import HOSTILE, generated_cases, generated_queries

from kb.search import CaseDocument, SearchIndex
from kb.search.case_terms import ZONE_WEIGHTS

QUERIES = 60
_SERVE = """
import sys
from pathlib import Path
from kb.search import SearchIndex
index = SearchIndex.open(Path(sys.argv[1]))
for query in ("relay ticks no picture", "C9 fuse", "capaciter", '"salt crust"', ""):
    index.search(query)
index.complete("rel")
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(int(peak.split()[1]) / 1024)
"""
_TEXT_COLUMNS = tuple(ZONE_WEIGHTS)


def _timed(work: Callable[[str], object], queries: list[str]) -> tuple[float, float]:
    """Median and 95th percentile in ms of one warm round."""
    for query in queries:
        work(query)
    times = []
    for query in queries:
        start = time.perf_counter()
        work(query)
        times.append((time.perf_counter() - start) * 1e3)
    times.sort()
    return statistics.median(times), times[int(len(times) * 0.95) - 1]


def _slowest_bad_input(index: SearchIndex) -> float:
    """Milliseconds of processor time."""

    def once(query: str) -> float:
        start = time.process_time()
        index.search(query, limit=50)
        index.complete(query)
        return time.process_time() - start

    return max(min(once(query) for _ in range(3)) for query in HOSTILE) * 1e3


def _fts5(path: Path, cases: list[CaseDocument]) -> tuple[Callable[[str], object], float]:
    store = sqlite3.connect(path)
    columns = ", ".join(_TEXT_COLUMNS)
    store.execute(
        f"CREATE VIRTUAL TABLE cases USING fts5(uid UNINDEXED, {columns}, tokenize='porter unicode61')"
    )
    start = time.perf_counter()

    def row(case: CaseDocument) -> tuple[str, ...]:
        values = (getattr(case, name) for name in _TEXT_COLUMNS)
        return (case.uid, *(value if isinstance(value, str) else ", ".join(value) for value in values))

    marks = ", ".join("?" * (len(_TEXT_COLUMNS) + 1))
    with store:
        store.executemany(f"INSERT INTO cases VALUES ({marks})", map(row, cases))
    taken = time.perf_counter() - start

    def search(query: str) -> object:
        words = " OR ".join(f'"{word}"' for word in re.findall(r"[\w'-]+", query))
        sql = "SELECT * FROM cases WHERE cases MATCH ? ORDER BY bm25(cases) LIMIT 20"
        return store.execute(sql, (words,)).fetchall()

    return search, taken


def measure(count: int, folder: Path) -> None:
    """Print one row of the table for `count` cases."""
    cases = list(generated_cases(count))
    queries = generated_queries(QUERIES)
    reference, fts_taken = _fts5(folder / "fts5.db", cases)
    fts = _timed(reference, queries)
    index = SearchIndex.open(folder / "index")
    start = time.perf_counter()
    index.rebuild(cases, (1, "bench"), processes=2)
    taken = time.perf_counter() - start
    start = time.perf_counter()
    index = SearchIndex.open(folder / "index")
    opened = time.perf_counter() - start
    serving = subprocess.run(
        [sys.executable, "-c", _SERVE, str(folder / "index")], capture_output=True, text=True, check=True
    )
    ours = _timed(index.search, queries)
    ranked = _timed(lambda query: index.search(query, limit=0), queries)
    bad_input = _slowest_bad_input(index)
    completed = _timed(index.complete, [query[:3] for query in queries])
    changed = list(generated_cases(1_000, seed=9))
    start = time.perf_counter()
    index.apply(changed, (), (2, "bench"))
    caught_up = time.perf_counter() - start
    start = time.perf_counter()
    index.apply(changed[:1], (), (3, "bench"))
    saved = time.perf_counter() - start
    index.close()
    print(
        f"{count:>9,} | {ours[0]:6.2f} / {ours[1]:6.2f} | {ranked[0]:6.2f} | {fts[0]:6.2f} / {fts[1]:6.2f} | "
        f"{ours[0] / fts[0]:5.2f} / {ours[1] / fts[1]:5.2f} | {completed[1]:5.2f} | {count / taken:7,.0f} | "
        f"{count / fts_taken:8,.0f} | {opened:5.2f} | {caught_up:5.2f} | {saved * 1e3:5.0f} | "
        f"{float(serving.stdout):6,.0f} | {bad_input:5.1f} | {os.getloadavg()[0]:4.1f}"
    )


def main(counts: list[int]) -> None:
    """Print the table."""
    print(
        "    cases | ours p50/p95 ms |  no hits | FTS5 p50/p95 ms | ratio p50/p95 | complete p95 ms | cases/s |"
    )
    print("          FTS5 rows/s | open s | 1,000 changed s | one saved ms | MB of a process that serves |")
    print("          slowest bad input, CPU ms | waiting processes")
    for count in counts:
        with tempfile.TemporaryDirectory() as folder:
            measure(count, Path(folder))


if __name__ == "__main__":
    main([int(argument) for argument in sys.argv[1:]] or [1_000, 10_000, 100_000])
