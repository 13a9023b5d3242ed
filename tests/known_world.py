"""A made-up world of supplies whose faults, symptoms and readings follow known probabilities.

Blocks lie in a chain from the mains to the outputs. A fault in a block leaves rails before it alone and
upsets those behind it; causes within a section share most of their picture; one hidden severity per case
drives all its symptoms and readings, so they are not independent given the fault; and only some of them
are noted. Because everything is known, the best possible ranking can be computed exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from kb.suggest import CaseFacts, FixTry, RailFact

BLOCKS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("mains input", ("fuse", "varistor", "connector")),
    ("inrush and rectifier", ("inrush limiter", "bridge rectifier")),
    ("bulk and power factor stage", ("bulk capacitor", "power factor MOSFET", "power factor controller IC")),
    ("standby converter", ("integrated switcher", "start-up resistor", "electrolytic capacitor")),
    ("standby output", ("electrolytic capacitor", "Schottky rectifier", "linear regulator")),
    ("enable and relay", ("relay", "bipolar transistor", "optocoupler")),
    ("main converter", ("MOSFET", "controller IC", "current sense resistor", "electrolytic capacitor")),
    ("feedback", ("optocoupler", "shunt reference", "resistor")),
    ("logic output", ("electrolytic capacitor", "buck regulator", "ceramic capacitor")),
    ("intermediate output", ("electrolytic capacitor", "Schottky rectifier")),
    ("backlight output", ("backlight driver IC", "light-emitting diode", "electrolytic capacitor")),
    ("board and joints", ("solder joint", "connector", "circuit board")),
)
FAULTS = tuple((section, part) for section, parts in BLOCKS for part in parts)
# Each rail hangs on the blocks up to and including the one named by its place in BLOCKS.
RAILS: tuple[tuple[str, str, str, int], ...] = (
    ("bulk", "standby", "none", 2),
    ("standby", "standby", "none", 4),
    ("controller supply", "running", "none", 6),
    ("logic", "running", "none", 8),
    ("intermediate", "running", "none", 9),
    ("backlight", "running", "none", 10),
)
CONDITIONS = ("absent", "low", "pulsing", "in tolerance", "high")
SYMPTOMS = (
    "dead",
    "no standby light",
    "standby light blinks",
    "starts then shuts down",
    "restarts by itself",
    "relay clicks repeatedly",
    "relay does not click",
    "trips the mains breaker",
    "works unloaded but not in the set",
    "intermittent",
    "no picture",
    "sound but no picture",
    "backlight flickers",
    "display shows garbage",
    "high-pitched whine",
    "bang heard",
    "burnt smell",
    "fails when warm",
    "starts only when warm",
    "bulging capacitor",
    "burnt part seen",
    "fuse blown",
    "main switch shorted",
    "high ESR found",
)
UNPOWERED = frozenset(SYMPTOMS[19:])
SEVERITY = np.array([0.35, 0.4, 0.25])
FAMILIES = 24
KINDS = 3


@dataclass(frozen=True)
class Sample:
    """n cases: fault (n,), family (n,), symptoms (n, J) and rails (n, R) with -1 where not noted."""

    fault: NDArray[np.int64]
    family: NDArray[np.int64]
    symptom: NDArray[np.int64]  # 0 present, 1 not present
    rail: NDArray[np.int64]  # place in CONDITIONS


class World:
    """The probabilities: `present` (faults, severities, J), `condition` (faults, severities, R, 5)."""

    def __init__(self, seed: int = 7, parts_per_block: int | None = None) -> None:
        """`parts_per_block` numbered part classes in each block make a world with many rare faults."""
        rng = np.random.default_rng(seed)
        self.faults: tuple[tuple[str, str], ...] = FAULTS
        if parts_per_block:
            self.faults = tuple(
                (name, f"part class {n}") for name, _ in BLOCKS for n in range(parts_per_block)
            )
        faults, severities = len(self.faults), len(SEVERITY)
        names = [name for name, _ in BLOCKS]
        self.section = np.array([names.index(section) for section, _ in self.faults])
        if parts_per_block:
            common = rng.permutation(1.0 / np.arange(1.0, faults + 1.0))
            common /= common.sum()
        else:
            common = rng.dirichlet(np.full(faults, 0.7))
        of_kind = np.array([rng.dirichlet(40 * common + 0.02) for _ in range(KINDS)])
        self.kind_of_family = np.arange(FAMILIES) % KINDS
        self.prior = np.array([rng.dirichlet(25 * of_kind[kind] + 1e-3) for kind in self.kind_of_family])
        self.family_share = rng.dirichlet(np.full(FAMILIES, 1.5))
        self.present = self._symptoms(rng, severities)
        self.condition = self._rails(rng, severities)

    def _symptoms(self, rng: np.random.Generator, severities: int) -> NDArray[np.float64]:
        typical = rng.random((len(BLOCKS), len(SYMPTOMS))) < 0.22
        base = np.where(typical, rng.normal(0.6, 0.7, typical.shape), rng.normal(-2.8, 0.5, typical.shape))
        own = rng.normal(0.0, 0.5, (len(self.faults), len(SYMPTOMS)))
        marked = rng.random(own.shape) < 0.06
        logit = base[self.section] + own + np.where(marked, 2.5, 0.0)
        upset = 1.4 * (np.arange(severities) - 1.0)
        shifted = logit[:, None, :] + upset[None, :, None] * (typical[self.section] | marked)[:, None, :]
        return 1.0 / (1.0 + np.exp(-shifted))

    def _rails(self, rng: np.random.Generator, severities: int) -> NDArray[np.float64]:
        table = np.zeros((len(self.faults), severities, len(RAILS), len(CONDITIONS)))
        by_severity = np.array(
            [[0.05, 0.35, 0.15, 0.42, 0.03], [0.3, 0.3, 0.2, 0.15, 0.05], [0.8, 0.06, 0.08, 0.03, 0.03]]
        )
        good = np.array([0.01, 0.03, 0.01, 0.93, 0.02])
        taste = rng.dirichlet(np.full(len(CONDITIONS), 1.2), size=(len(BLOCKS), len(RAILS)))
        for fault, block in enumerate(self.section):
            for rail, (*_, reach) in enumerate(RAILS):
                hit = block <= reach and not (block == 5 and rail < 2) and rng.random() < 0.9
                for severity in range(severities):
                    mean = good
                    if hit:
                        mean = 0.6 * by_severity[severity] + 0.4 * taste[block, rail]
                    table[fault, severity, rail] = rng.dirichlet(60 * mean + 0.05)
        return table

    def sample(self, cases: int, seed: int, noted_symptoms: float = 0.25, noted_rails: float = 0.4) -> Sample:
        """Cases drawn from the world; each symptom and reading is noted with the given probability."""
        rng = np.random.default_rng(seed)
        family = rng.choice(FAMILIES, cases, p=self.family_share)
        fault = np.array([rng.choice(len(self.faults), p=self.prior[one]) for one in family])
        severity = rng.choice(len(SEVERITY), cases, p=SEVERITY)
        present = rng.random((cases, len(SYMPTOMS))) < self.present[fault, severity]
        symptom = np.where(rng.random(present.shape) < noted_symptoms, np.where(present, 0, 1), -1)
        edges = self.condition[fault, severity].cumsum(axis=2)
        drawn = (rng.random((cases, len(RAILS), 1)) > edges).sum(axis=2).clip(0, len(CONDITIONS) - 1)
        rail = np.where(rng.random(drawn.shape) < noted_rails, drawn, -1)
        return Sample(fault, family, symptom, rail)

    def best(self, sample: Sample) -> NDArray[np.float64]:
        """The exact posterior (n, faults): what nobody who knows only the evidence can beat."""
        given = np.ones((len(sample.fault), len(self.faults), len(SEVERITY)))
        for place in range(len(SYMPTOMS)):
            noted = sample.symptom[:, place]
            chance = np.stack([self.present[:, :, place], 1.0 - self.present[:, :, place]])
            given *= np.where((noted >= 0)[:, None, None], chance[np.maximum(noted, 0)], 1.0)
        for place in range(len(RAILS)):
            noted = sample.rail[:, place]
            chance = np.moveaxis(self.condition[:, :, place, :], 2, 0)
            given *= np.where((noted >= 0)[:, None, None], chance[np.maximum(noted, 0)], 1.0)
        joint = self.prior[sample.family] * (given @ SEVERITY)
        return joint / joint.sum(axis=1, keepdims=True)


def family_name(family: int) -> str:
    return f"HX-{200 + 10 * int(family)}"


def kind_name(world: World, family: int) -> str:
    return f"kind {world.kind_of_family[family]}"


def noted_symptoms(line: Sequence[int]) -> tuple[tuple[str, bool], ...]:
    return tuple((SYMPTOMS[place], value == 0) for place, value in enumerate(line) if value >= 0)


def noted_rails(line: Sequence[int]) -> tuple[RailFact, ...]:
    return tuple(
        RailFact(*RAILS[place][:3], CONDITIONS[value]) for place, value in enumerate(line) if value >= 0
    )


def cases_of(world: World, sample: Sample, prefix: str = "case") -> list[CaseFacts]:
    """The sample as cases of a store, each cured at the first try, closed a day apart."""
    return [
        CaseFacts(
            uid=f"{prefix}-{number:06d}",
            family=family_name(family),
            kind=kind_name(world, family),
            verdict="repaired",
            closed=date(2015, 1, 1) + timedelta(days=number % 3650),
            symptoms=noted_symptoms(symptom),
            rails=noted_rails(rail),
            tries=(
                FixTry(
                    world.faults[fault][0],
                    world.faults[fault][1],
                    "C1",
                    "open",
                    "replace",
                    "cured",
                    2.0,
                    20.0,
                ),
            ),
        )
        for number, (fault, family, symptom, rail) in enumerate(
            zip(
                sample.fault.tolist(),
                sample.family.tolist(),
                sample.symptom.tolist(),
                sample.rail.tolist(),
                strict=True,
            )
        )
    ]


def whole_numbers(sample: Sample) -> NDArray[np.int64]:
    """Whole-number columns for other learners: family, symptoms and rails, a missing value as level 0."""
    return np.column_stack([sample.family, sample.symptom + 1, sample.rail + 1])
