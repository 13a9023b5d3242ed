"""Cases of another shop in a world whose truth is known: they help where its boards are alike, and never harm.

What the ranking says of boards it has not seen is judged by the true probabilities, not by another program.
The weight is chosen on the own cases alone; "pooled" takes every case for an own one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from known_world import Sample, World, cases_of
from numpy.typing import NDArray

from kb.suggest import CaseFacts, Evidence, Ledger, choose_strength
from kb.suggest.posterior import posterior
from kb.suggest.scores import LEAST
from kb.suggest.settings import Settings

OURS = World(7)
TEST = OURS.sample(400, seed=999)


@dataclass(frozen=True)
class Figures:
    weight: float
    first: float
    losses: NDArray[np.float64]

    def __str__(self) -> str:
        return f"weight {self.weight:.2f}, first {self.first:.3f}, log loss {self.losses.mean():.4f}"


def shared(cases: list[CaseFacts]) -> list[CaseFacts]:
    return [replace(case, others=True) for case in cases]


def judged(cases: list[CaseFacts], test: Sample = TEST) -> Figures:
    ledger = Ledger()
    for case in cases:
        ledger.add(case)
    settings = choose_strength(ledger, max_cases=400).settings
    place = {fault: number for number, fault in enumerate(OURS.faults)}
    right, losses = [], []
    for fault, case in zip(test.fault.tolist(), cases_of(OURS, test, "test"), strict=True):
        found = posterior(ledger, Evidence(case.family, case.kind, case.symptoms, case.rails), settings)
        # A fault the store has never seen shares what is left for such faults with the rest of them.
        numbers = [place[ledger.faults.values[number]] for number in found.faults]
        said = np.full(len(OURS.faults), found.unseen / max(1, len(OURS.faults) - len(numbers)))
        said[numbers] = found.probability
        right.append(int(said.argmax()) == fault)
        losses.append(-np.log(max(said[fault], LEAST)))
    return Figures(settings.others_weight, float(np.mean(right)), np.array(losses))


def report(title: str, **lines: Figures) -> None:
    print(f"\n{title}")
    for name, line in lines.items():
        print(f"  {name:8} {line}")


@pytest.mark.parametrize(
    ("own", "shops"), [(60, 1), *(pytest.param(own, 3, marks=pytest.mark.long) for own in (60, 200, 600))]
)
def test_another_shop_with_the_same_boards_counts_much_and_helps(own: int, shops: int) -> None:
    """Few own cases choose roughly, so in full the weight is looked at over three shops."""
    theirs = shared(cases_of(OURS, OURS.sample(2_000, seed=5), "other"))
    weights = []
    for shop in range(shops):
        mine = cases_of(OURS, OURS.sample(own, seed=1_000 * own + shop), "own")
        alone, both = judged(mine), judged(mine + theirs)
        report(f"same boards, {own} own cases, 2000 of others", alone=alone, both=both)
        gain = alone.losses - both.losses
        assert gain.mean() > 5 * gain.std() / np.sqrt(len(gain))
        assert both.first > alone.first
        weights.append(both.weight)
    assert np.mean(weights) >= 0.5


@pytest.mark.parametrize("own", [60, *(pytest.param(own, marks=pytest.mark.long) for own in (200, 600))])
def test_another_shop_with_other_faults_counts_little_and_does_no_harm(own: int) -> None:
    """World 8 has the same names with other frequencies, symptoms and readings throughout."""
    theirs = World(8)
    mine = cases_of(OURS, OURS.sample(own, seed=own), "own")
    others = shared(cases_of(theirs, theirs.sample(2_000, seed=5), "other"))
    alone, both = judged(mine), judged(mine + others)
    pooled = judged(mine + [replace(case, others=False) for case in others])
    report(f"other boards, {own} own cases, 2000 of others", alone=alone, both=both, pooled=pooled)
    assert both.weight <= 0.1
    harm = both.losses - alone.losses
    assert harm.mean() < 2 * harm.std() / np.sqrt(len(harm)) + 0.02
    assert both.losses.mean() < pooled.losses.mean()


def test_below_the_fewest_cases_others_count_half() -> None:
    ledger = Ledger()
    for case in shared(cases_of(OURS, OURS.sample(50, seed=1), "other")):
        ledger.add(case)
    assert choose_strength(ledger).settings == Settings()
    assert Settings().others_weight == 0.5
