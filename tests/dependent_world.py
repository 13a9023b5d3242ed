"""A second made-up world, in which the signs of one fault depend on one another through a hidden sub-pattern.

A fault shows itself in one of three ways, such as cold or warm, weak or dead, now and then or always; how often
in which way is the fault's own. What a sub-pattern does to symptoms and rails is in the main the same within a
section, and it is strong: a weak converter and a dead one hardly have a sign in common. A symptom is noted more
readily where it is there than where it is not. The exact posterior sums over the sub-patterns.
"""

from __future__ import annotations

import numpy as np
from known_world import BLOCKS, CONDITIONS, FAMILIES, FAULTS, KINDS, RAILS, SYMPTOMS, Sample
from numpy.typing import NDArray

PATTERNS = 3
NOTED_PRESENT, NOTED_ABSENT, NOTED_RAIL = 0.75, 0.2, 0.55


class DependentWorld:
    """Probabilities: `present` (faults, patterns, J), `condition` (faults, patterns, R, 5), `share` (faults, patterns)
    of each sub-pattern."""

    def __init__(self, seed: int = 21) -> None:
        rng = np.random.default_rng([20261128, seed])
        self.faults = FAULTS
        names = [name for name, _ in BLOCKS]
        self.section = np.array([names.index(section) for section, _ in FAULTS])
        common = rng.dirichlet(np.full(len(FAULTS), 0.8))
        self.kind_of_family = np.arange(FAMILIES) % KINDS
        of_kind = np.array([rng.dirichlet(40 * common + 0.02) for _ in range(KINDS)])
        self.prior = np.array([rng.dirichlet(25 * of_kind[kind] + 1e-3) for kind in self.kind_of_family])
        self.family_share = rng.dirichlet(np.full(FAMILIES, 1.5))
        of_section = rng.dirichlet(np.full(PATTERNS, 3.0), len(BLOCKS))
        self.share = np.array([rng.dirichlet(6.0 * of_section[one] + 0.3) for one in self.section])
        self.present = self._symptoms(rng)
        self.condition = self._rails(rng)

    def _symptoms(self, rng: np.random.Generator) -> NDArray[np.float64]:
        shape = (len(BLOCKS), PATTERNS, len(SYMPTOMS))
        base = rng.normal(-2.2, 1.0, (len(BLOCKS), 1, len(SYMPTOMS)))
        by_pattern = np.where(
            rng.random(shape) < 0.25, rng.normal(3.2, 1.0, shape), rng.normal(-0.4, 0.5, shape)
        )
        own = rng.normal(0.0, 1.0, (len(self.faults), 1, len(SYMPTOMS)))
        own_by_pattern = rng.normal(0.0, 0.5, (len(self.faults), PATTERNS, len(SYMPTOMS)))
        logit = (base + by_pattern)[self.section] + own + own_by_pattern
        return 1.0 / (1.0 + np.exp(-logit))

    def _rails(self, rng: np.random.Generator) -> NDArray[np.float64]:
        good = np.array([0.01, 0.03, 0.01, 0.93, 0.02])
        table = np.tile(good, (len(self.faults), PATTERNS, len(RAILS), 1))
        typical = rng.dirichlet(np.full(len(CONDITIONS), 0.35), (len(BLOCKS), PATTERNS, len(RAILS)))
        for fault, block in enumerate(self.section):
            for rail, (*_, reach) in enumerate(RAILS):
                if block > reach or rng.random() < 0.1:
                    continue
                for pattern in range(PATTERNS):
                    table[fault, pattern, rail] = rng.dirichlet(14 * typical[block, pattern, rail] + 0.15)
        return table

    def sample(self, cases: int, seed: int) -> Sample:
        """Cases drawn from the world."""
        rng = np.random.default_rng(seed)
        family = rng.choice(FAMILIES, cases, p=self.family_share)
        fault = np.array([rng.choice(len(self.faults), p=self.prior[one]) for one in family])
        pattern = (
            (rng.random((cases, 1)) > self.share[fault].cumsum(axis=1)).sum(axis=1).clip(0, PATTERNS - 1)
        )
        present = rng.random((cases, len(SYMPTOMS))) < self.present[fault, pattern]
        noted = rng.random(present.shape) < np.where(present, NOTED_PRESENT, NOTED_ABSENT)
        edges = self.condition[fault, pattern].cumsum(axis=2)
        drawn = (rng.random((cases, len(RAILS), 1)) > edges).sum(axis=2).clip(0, len(CONDITIONS) - 1)
        measured = rng.random(drawn.shape) < NOTED_RAIL
        return Sample(
            fault, family, np.where(noted, np.where(present, 0, 1), -1), np.where(measured, drawn, -1)
        )

    def best(self, sample: Sample) -> NDArray[np.float64]:
        """The exact posterior (n, faults): the sum over the sub-patterns of all that was and was not noted."""
        said = NOTED_PRESENT * self.present
        denied = NOTED_ABSENT * (1.0 - self.present)
        by_symptom = np.log(np.stack([said, denied, 1.0 - said - denied]))
        logs = np.zeros((len(sample.fault), len(self.faults), PATTERNS))
        for place in range(len(SYMPTOMS)):
            logs += by_symptom[sample.symptom[:, place], :, :, place]
        for place in range(len(RAILS)):
            noted = sample.rail[:, place]
            chance = np.log(np.moveaxis(self.condition[:, :, place, :], 2, 0) + 1e-300)
            logs += np.where((noted >= 0)[:, None, None], chance[np.maximum(noted, 0)], 0.0)
        joint = self.prior[sample.family] * (np.exp(logs) * self.share).sum(axis=2)
        return joint / joint.sum(axis=1, keepdims=True)

    def with_two_faults(self, boards: int, seed: int) -> tuple[Sample, NDArray[np.int64]]:
        """Boards with two different faults each, and the second one (n,): a symptom that either shows, and the worse
        condition of a rail, from absent over pulsing, high and low to in tolerance."""
        rng = np.random.default_rng(seed)
        family = rng.choice(FAMILIES, boards, p=self.family_share)
        pairs = np.array(
            [rng.choice(len(self.faults), 2, replace=False, p=_positive(self.prior[one])) for one in family]
        )
        present = np.zeros((boards, len(SYMPTOMS)), dtype=bool)
        worst = np.full((boards, len(RAILS)), len(CONDITIONS))
        badness = np.array([0, 3, 1, 4, 2])  # by place in CONDITIONS
        for fault in pairs.T:
            pattern = (
                (rng.random((boards, 1)) > self.share[fault].cumsum(axis=1)).sum(axis=1).clip(0, PATTERNS - 1)
            )
            present |= rng.random(present.shape) < self.present[fault, pattern]
            edges = self.condition[fault, pattern].cumsum(axis=2)
            drawn = (rng.random((boards, len(RAILS), 1)) > edges).sum(axis=2).clip(0, len(CONDITIONS) - 1)
            worst = np.minimum(worst, badness[drawn])
        noted = rng.random(present.shape) < np.where(present, NOTED_PRESENT, NOTED_ABSENT)
        measured = rng.random(worst.shape) < NOTED_RAIL
        rail = np.argsort(badness)[worst]
        sample = Sample(
            pairs[:, 0], family, np.where(noted, np.where(present, 0, 1), -1), np.where(measured, rail, -1)
        )
        return sample, pairs[:, 1]


def _positive(prior: NDArray[np.float64]) -> NDArray[np.float64]:
    raised = prior + 1e-6
    return raised / raised.sum()
