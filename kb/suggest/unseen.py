"""How likely is a cause that no recorded case ever had: the Good-Turing estimate.

I. J. Good, The population frequencies of species, Biometrika 40 (1953) 237-264: the share of what was
never seen is about the share of cases whose fault was seen only once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings


def cautious_missing_mass(cases: int, singles: int) -> float:
    """(N1 + 1/2) / (N + 1), and 1 with no cases: never quite 0 nor, with any case, 1.

    Whether a case is the only one of its fault is a yes or no; this is the mean of Jeffreys' posterior
    for the share of yes.
    """
    if cases == 0:
        return 1.0
    return (singles + 0.5) / (cases + 1.0)


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
