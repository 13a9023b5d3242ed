"""Benchmark of what good boards measure: 40 places over 1,000 boards, and a board beside them.

    python tests/bench_good_boards.py

Processor time, and its ratio to sorting the same 40,000 readings one place after another in plain Python.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from kb.suggest.normals import Place, beside, normals

PLACES, BOARDS, TIMES = 40, 1_000, 15


def median_ms(work: Callable[[], object]) -> float:
    """Median processor time of some runs."""
    spent = []
    for _ in range(TIMES):
        before = time.process_time_ns()
        work()
        spent.append((time.process_time_ns() - before) / 1e6)
    return statistics.median(spent)


def main() -> None:
    rng = np.random.default_rng(12)
    nominal = rng.uniform(3.0, 60.0, PLACES)
    measured = {
        Place(f"TP{number}", "dc_v", "running", "test load"): rng.normal(
            nominal[number], 0.01 * nominal[number], BOARDS
        )
        for number in range(PLACES)
    }
    lists = [values.tolist() for values in measured.values()]
    readings = [(place, float(values[0])) for place, values in measured.items()]
    known = normals(measured)
    sorting = median_ms(lambda: [sorted(values) for values in lists])
    learning = median_ms(lambda: normals(measured))
    comparing = median_ms(lambda: beside(readings, known))
    print(f"sorting {PLACES} x {BOARDS:,} readings {sorting:.1f} ms")
    print(f"learning the normals {learning:.1f} ms, {learning / sorting:.2f} of sorting")
    print(f"a board beside them {comparing:.2f} ms, {comparing / sorting:.3f} of sorting")


if __name__ == "__main__":
    main()
