"""Prints the figures of the ranking on made-up worlds and public tables, beside other learners and the model before.

    python tests/bench_ranking.py                    the dependent world at 100 to 10,000 cases
    python tests/bench_ranking.py --world nearly     `known_world`, whose evidence is nearly independent
    python tests/bench_ranking.py --sets             the public tables, three splits of two thirds to one third
    python tests/bench_ranking.py --sets --folds 10  the smaller public tables, every row asked once
    python tests/bench_ranking.py --sizes 100,300 --seeds 21

First / first three / log loss (nats) / calibration error; 3,000 boards are asked. `BEFORE` are the figures of the
model that this one took the place of (evidence independent given the fault, one strength for all of it), measured
with the same cases and boards.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from dependent_world import DependentWorld
from known_world import World, cases_of, whole_numbers
from numpy.typing import NDArray
from ranking_figures import Figures, figures, said_by_others, said_by_product
from real_sets import RealSet, real_set

from kb.suggest import Ledger, choose_strength

SIZES = (100, 300, 1_000, 3_000, 10_000)
ASKED = 3_000
SCORED = 2_000
# (seed, cases) of the dependent world: figures of the model before.
BEFORE = {
    (21, 100): Figures(0.407, 0.641, 2.159, 0.017),
    (21, 300): Figures(0.559, 0.810, 1.469, 0.040),
    (21, 1_000): Figures(0.637, 0.880, 1.142, 0.020),
    (21, 3_000): Figures(0.673, 0.906, 1.001, 0.021),
    (21, 10_000): Figures(0.699, 0.918, 0.912, 0.026),
    (22, 100): Figures(0.532, 0.765, 1.655, 0.026),
    (22, 300): Figures(0.646, 0.850, 1.212, 0.013),
    (22, 1_000): Figures(0.698, 0.894, 0.969, 0.020),
    (22, 3_000): Figures(0.749, 0.927, 0.800, 0.021),
    (22, 10_000): Figures(0.754, 0.941, 0.724, 0.018),
    (23, 100): Figures(0.506, 0.725, 1.862, 0.026),
    (23, 300): Figures(0.665, 0.857, 1.239, 0.083),
    (23, 1_000): Figures(0.731, 0.916, 0.866, 0.004),
}
# Public tables, mean of three splits: figures of the model before.
SETS_BEFORE = {
    "soybean": Figures(0.937, 0.990, 0.246, 0.033),
    "house_votes_84": Figures(0.906, 1.000, 0.199, 0.065),
    "vehicle": Figures(0.616, 0.963, 0.902, 0.069),
    "dna": Figures(0.945, 1.000, 0.166, 0.020),
    "vowel": Figures(0.492, 0.834, 1.413, 0.064),
}


def of_world(world: DependentWorld | World, cases: int, asked: int = ASKED) -> dict[str, Figures]:
    """The product at so many cases, the limit and the other learners, on boards that none of them has seen."""
    sample, test = world.sample(cases, 1_000 + cases), world.sample(asked, 999)
    ledger = Ledger()
    for case in cases_of(world, sample):  # type: ignore[arg-type]  # both worlds name their cases alike
        ledger.add(case)
    settings = choose_strength(ledger, max_cases=SCORED).settings
    boards = cases_of(world, test, "asked")  # type: ignore[arg-type]
    said = {
        "limit": world.best(test),
        "product": said_by_product(ledger, settings, boards, world.faults, complete=False),
        **said_by_others(whole_numbers(sample), sample.fault, whole_numbers(test), len(world.faults)),
    }
    return {name: figures(answer, test.fault) for name, answer in said.items()}


def of_set(name: str, splits: int = 3, asked: int = 1_200) -> dict[str, Figures]:
    """Means over splits of two thirds to one third."""
    table = real_set(name)
    found: dict[str, list[Figures]] = {}
    for split in range(splits):
        order = np.random.default_rng(split).permutation(len(table.cases))
        cut = len(order) * 2 // 3
        train, test = order[:cut], order[cut:][:asked]
        for learner, answer in _said_of_set(table, train, test).items():
            found.setdefault(learner, []).append(figures(answer, table.truth[test]))
    return {learner: _mean(many) for learner, many in found.items()}


def of_set_in_folds(name: str, folds: int) -> dict[str, Figures]:
    """Every row is asked once, of what was learned from the rows of the other folds."""
    table = real_set(name)
    order = np.random.default_rng(100).permutation(len(table.cases))
    parts = np.array_split(order, folds)
    said: dict[str, list[NDArray[np.float64]]] = {}
    for part in parts:
        others = order[~np.isin(order, part)]
        for learner, answer in _said_of_set(table, others, part).items():
            said.setdefault(learner, []).append(answer)
    truth = table.truth[np.concatenate(parts)]
    return {learner: figures(np.vstack(many), truth) for learner, many in said.items()}


def _said_of_set(
    table: RealSet, train: NDArray[np.int64], test: NDArray[np.int64]
) -> dict[str, NDArray[np.float64]]:
    """Probabilities (n, classes) of every learner for the rows `test`, learned from `train`."""
    ledger = Ledger(conditions=table.conditions)
    for place in train.tolist():
        ledger.add(table.cases[place])
    settings = choose_strength(ledger, max_cases=SCORED).settings
    boards = [table.cases[place] for place in test.tolist()]
    faults = [("other", label) for label in table.classes]
    return {
        "product": said_by_product(ledger, settings, boards, faults, complete=True),
        **said_by_others(table.numbers[train], table.truth[train], table.numbers[test], len(faults)),
    }


def _mean(many: list[Figures]) -> Figures:
    names = ("first", "first_three", "log_loss", "calibration_error")
    return Figures(*(float(np.mean([getattr(one, name) for one in many])) for name in names))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    parser.add_argument("--seeds", default="21,22,23")
    parser.add_argument("--world", choices=("dependent", "nearly"), default="dependent")
    parser.add_argument("--sets", action="store_true")
    parser.add_argument("--folds", type=int, default=0)
    chosen = parser.parse_args()
    if chosen.sets and chosen.folds:
        for name in ("soybean", "house_votes_84", "zoo", "vehicle"):
            _print(name, of_set_in_folds(name, chosen.folds), None)
        return 0
    if chosen.sets:
        for name in ("soybean", "house_votes_84", "zoo", "vehicle", "dna", "letter", "vowel"):
            _print(name, of_set(name), SETS_BEFORE.get(name))
        return 0
    for seed in map(int, chosen.seeds.split(",")):
        world = DependentWorld(seed) if chosen.world == "dependent" else World(seed)
        for cases in map(int, chosen.sizes.split(",")):
            before = BEFORE.get((seed, cases)) if chosen.world == "dependent" else None
            start = time.process_time()
            _print(f"world {seed}, {cases} cases", of_world(world, cases), before)
            print(f"  {time.process_time() - start:.0f} s of processor time", flush=True)
    return 0


def _print(title: str, lines: dict[str, Figures], before: Figures | None) -> None:
    print(title)
    for name, line in {**lines, **({"before": before} if before else {})}.items():
        print(f"  {name:9} {line}", flush=True)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    sys.exit(main())
