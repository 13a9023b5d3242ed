"""How likely is a cause that no recorded case ever had: the Good-Turing estimate and its smoothing.

I. J. Good, The population frequencies of species, Biometrika 40 (1953) 237-264: the share of what was
never seen is about the share of cases whose fault was seen only once. The smoothed counts follow
W. A. Gale and G. Sampson, Good-Turing frequency estimation without tears, Journal of Quantitative
Linguistics 2 (1995) 217-237.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings


def missing_mass(cases: int, singles: int) -> float:
    """Plain Good-Turing N1 / N: share of new faults to expect next. 1 when there are no cases."""
    if not 0 <= singles <= cases:
        raise ValueError(f"singles must be from 0 to the number of cases, not {singles} of {cases}")
    return singles / cases if cases else 1.0


def missing_mass_error(cases: int, singles: int, doubles: int) -> float:
    """Standard error of `missing_mass`: sqrt(N1 (1 - N1/N) + 2 N2) / N (Good 1953, large samples)."""
    if cases == 0:
        return 0.0
    return math.sqrt(singles * (1.0 - singles / cases) + 2.0 * doubles) / cases


def cautious_missing_mass(cases: int, singles: int) -> float:
    """(N1 + 1/2) / (N + 1), and 1 with no cases: never quite 0 nor, with any case, 1.

    Whether a case is the only one of its fault is a yes or no; this is the mean of Jeffreys' posterior
    for the share of yes.
    """
    if cases == 0:
        return 1.0
    return (singles + 0.5) / (cases + 1.0)


@dataclass(frozen=True, slots=True)
class SimpleGoodTuring:
    """Smoothed frequencies. `probability[r]` is that of one species seen r times; with `unseen` for all
    species never seen together, the total over the sample's species is 1."""

    unseen: float
    slope: float
    intercept: float
    adjusted: dict[int, float]
    probability: dict[int, float]


def simple_good_turing(frequencies: Mapping[int, int]) -> SimpleGoodTuring:
    """Gale and Sampson's estimate from {times seen: number of species seen that often}.

    A straight line is fitted to log Z against log r, Z being the counts averaged over the gaps between
    them; Turing's estimate is used until it differs from the line's by less than 1.96 standard errors.
    Raises ValueError with fewer than two different frequencies.
    """
    times = sorted(r for r, species in frequencies.items() if species > 0)
    if len(times) < 2:
        raise ValueError("smoothing needs species of at least two different frequencies")
    total = sum(r * frequencies[r] for r in times)
    logs = [(math.log(r), math.log(z)) for r, z in zip(times, _averaged(times, frequencies), strict=True)]
    mean_x = sum(x for x, _ in logs) / len(logs)
    mean_y = sum(y for _, y in logs) / len(logs)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in logs) / sum((x - mean_x) ** 2 for x, _ in logs)
    intercept = mean_y - slope * mean_x
    unseen = frequencies.get(1, 0) / total
    adjusted: dict[int, float] = {}
    on_the_line = False
    for r in times:
        smooth = (r + 1) * math.exp(slope * (math.log(r + 1) - math.log(r)))
        above = frequencies.get(r + 1, 0)
        if not on_the_line and above:
            here = frequencies[r]
            turing = (r + 1) * above / here
            error = math.sqrt((r + 1) ** 2 * above / here**2 * (1.0 + above / here))
            on_the_line = abs(smooth - turing) <= 1.96 * error
        else:
            on_the_line = True
        adjusted[r] = smooth if on_the_line else turing
    scale = (1.0 - unseen) / sum(frequencies[r] * adjusted[r] for r in times)
    probability = {r: adjusted[r] * scale for r in times}
    return SimpleGoodTuring(unseen, slope, intercept, adjusted, probability)


def _averaged(times: list[int], frequencies: Mapping[int, int]) -> list[float]:
    """Z_r = N_r / ((t - q) / 2), q and t the neighbouring frequencies that occur."""
    averaged = []
    for place, r in enumerate(times):
        before = times[place - 1] if place else 0
        after = times[place + 1] if place + 1 < len(times) else 2 * r - before
        averaged.append(2.0 * frequencies[r] / (after - before))
    return averaged


def unseen_share(ledger: Ledger, family: int, kind: int, settings: Settings) -> float:
    """Probability, before any evidence, that a board's fault is new to the store.

    `family` and `kind` are the ledger's numbers or -1. Leaving out one case at a time, its fault is new
    to the rest exactly when no other case has it, so the share of such cases is the estimate at each
    level; a level with few cases leans on the one above (see `firmness`).
    """
    share = cautious_missing_mass(ledger.known, ledger.cases_with_count[1])
    if not ledger.known:
        return share
    if kind >= 0:
        cases = float(ledger.kind_fault.view[kind].sum())
        share = lean(ledger.single_in_kind[kind], cases, share, float(firmness(share, settings)))
    if family >= 0:
        cases = float(ledger.family_cases.view[family])
        share = lean(ledger.single_in_family[family], cases, share, float(firmness(share, settings)))
    return share


def at_least(prior: NDArray[np.float64], new: NDArray[np.bool_], least: ArrayLike) -> NDArray[np.float64]:
    """Priors (..., K) in which the faults that are new to the store, but in the catalogue, have at least so much
    together (...): a catalogue with wrong shares must not make new faults less likely than the cases show.
    """
    whole = np.where(new, prior, 0.0).sum(axis=-1, keepdims=True)
    wanted = np.clip(np.maximum(whole, np.asarray(least, dtype=np.float64)[..., None]), 0.0, 1.0)
    rest = 1.0 - whole
    up = np.where(whole > 0.0, wanted / np.where(whole > 0.0, whole, 1.0), 1.0)
    down = np.where((whole > 0.0) & (rest > 0.0), (1.0 - wanted) / np.where(rest > 0.0, rest, 1.0), 1.0)
    return np.where(new, prior * up, prior * down)


def singles(ledger: Ledger) -> tuple[float, float]:
    """How many faults only one case has, and how many of these the catalogue does not have."""
    numbers = np.flatnonzero(ledger.holders() == 1).tolist()
    return float(len(numbers)), float(sum(number not in ledger.catalogue for number in numbers))


def outside_catalogue(ledger: Ledger, many: ArrayLike, outside: ArrayLike) -> NDArray[np.float64]:
    """Share of the faults new to the store that a catalogue does not have either: `outside` of `many` were such.

    Leans, five cases strong, on one in ten. Without a catalogue every new fault is outside.
    """
    if not ledger.catalogue:
        return np.ones_like(np.asarray(many, dtype=np.float64))
    return (np.asarray(outside, dtype=np.float64) + 0.5) / (np.asarray(many, dtype=np.float64) + 5.0)


def firmness(share: ArrayLike, settings: Settings) -> NDArray[np.float64]:
    """Weight of the level above: `k_unseen`, and at least so much that it brings half a new fault along.

    Otherwise a family's few cases without any would push a small share towards zero.
    """
    share = np.maximum(np.asarray(share, dtype=np.float64), 1e-12)
    return np.maximum(settings.k_unseen, 0.5 / share)


def lean(count: float, cases: float, parent: float, weight: float) -> float:
    """(count + weight * parent) / (cases + weight), and the parent where both are zero."""
    below = cases + weight
    return (count + weight * parent) / below if below > 0.0 else parent
