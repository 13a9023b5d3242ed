"""Probabilities that lean on the next more general level where there are few cases.

Each level is a Dirichlet distribution whose mean is the level above (D. J. C. MacKay and L. C. Bauman
Peto, A hierarchical Dirichlet language model, Natural Language Engineering 1 (1995) 289-308).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.evidence_lines import NOT_PRESENT, PRESENT

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings

Floats = NDArray[np.float64]


def back_off(counts: ArrayLike, total: ArrayLike, parent: ArrayLike, weight: ArrayLike) -> Floats:
    """(counts + weight * parent) / (total + weight), and the parent where both are zero; broadcasts."""
    counts, total, parent, weight = (
        np.asarray(one, dtype=np.float64) for one in (counts, total, parent, weight)
    )
    below = total + weight
    leaned = (counts + weight * parent) / np.where(below > 0.0, below, 1.0)
    return np.where(below > 0.0, leaned, parent)


def prior(ledger: Ledger, faults: NDArray[Any], family: int, kind: int, settings: Settings) -> Floats:
    """P(fault) for a family of a kind, -1 where unknown: shape (faults,), sums to 1.

    All boards, then boards of the kind, then the family. `faults` are the known faults, ascending.
    """
    if not len(faults):
        return np.zeros(0)
    counts = ledger.cases_of_fault.view[faults].astype(np.float64)
    firm = firm_faults(counts)
    whole = firm.sum()
    share = back_off(counts, float(ledger.known), firm / whole, settings.alpha_fault * whole)
    if kind >= 0:
        of_kind = ledger.kind_fault.view[kind, faults]
        share = back_off(of_kind, of_kind.sum(), share, settings.k_kind)
    if family >= 0:
        of_family = ledger.cases_in_family(family)[faults]
        share = back_off(of_family, of_family.sum(), share, settings.k_family)
    return share


def firm_faults(counts: Floats) -> Floats:
    """1 for a fault with at least one case, less where only lightly weighed cases of others have it.

    So that the even share at the top of the prior does not go to names that hardly count.
    """
    return np.minimum(1.0, counts)


def section_matrix(ledger: Ledger, faults: NDArray[Any]) -> Floats:
    """1 where a fault lies in a section: shape (faults, sections)."""
    matrix = np.zeros((len(faults), len(ledger.sections)))
    matrix[np.arange(len(faults)), ledger.section_of.view[faults]] = 1.0
    return matrix


def weights_of_items(ledger: Ledger, items: NDArray[Any], settings: Settings) -> tuple[Floats, Floats]:
    """For each item the number of outcomes its feature has, and the weight of the section level."""
    features = ledger.lines.feature_of.view[items]
    levels = ledger.lines.levels.view[features].astype(np.float64)
    is_rail = ledger.lines.is_rail(features)
    return levels, np.where(is_rail, settings.rail_weight, settings.k_fault)


def by_mention(ledger: Ledger, items: NDArray[Any], settings: Settings) -> NDArray[np.bool_]:
    """Which items count against all cases of a fault, and not only where they were looked for."""
    return ~ledger.lines.is_rail(ledger.lines.feature_of.view[items]) & settings.mentions


def counts_of_items(
    ledger: Ledger, faults: NDArray[Any], items: NDArray[Any], settings: Settings
) -> tuple[Floats, Floats]:
    """Cases with each item, and the cases that this is a part of: both of shape (items, faults).

    Where mentions count, "not present" is every case that did not mention the symptom: whether somebody
    took the trouble to write down an absence says more about the writer than about the fault.
    """
    features = ledger.lines.feature_of.view[items]
    counts = ledger.item_fault.view[items][:, faults].astype(np.float64)
    totals = ledger.feature_fault.view[features][:, faults].astype(np.float64)
    mentioned = by_mention(ledger, items, settings)
    totals[mentioned] = ledger.cases_of_fault.view[faults]
    absent = np.flatnonzero(mentioned & (items - ledger.lines.first_item.view[features] == NOT_PRESENT))
    present = ledger.item_fault.view[items[absent] - NOT_PRESENT + PRESENT][:, faults]
    counts[absent] = totals[absent] - present
    return counts, totals


def likelihood(
    ledger: Ledger, faults: NDArray[Any], items: NDArray[Any], settings: Settings
) -> tuple[Floats, Floats]:
    """P(item | fault) with shape (items, faults), and P(item) over all faults with shape (items,).

    All faults, then the section, then the fault. A rail that was not measured says nothing about it. A
    symptom counts against all cases of a fault where `settings.mentions`: complaints name what is there
    and pass over the rest, so among the cases that note a symptom nearly all have it, whatever the fault.
    """
    counts, totals = counts_of_items(ledger, faults, items, settings)
    levels, weight = weights_of_items(ledger, items, settings)
    at_root = back_off(counts.sum(axis=1), totals.sum(axis=1), 1.0 / levels, settings.alpha * levels)
    sections = section_matrix(ledger, faults)
    in_section = back_off(counts @ sections, totals @ sections, at_root[:, None], settings.k_section)
    parent = in_section[:, ledger.section_of.view[faults]]
    return back_off(counts, totals, parent, weight[:, None]), at_root
