"""Probabilities that lean on the next more general level where there are few cases.

Each level is a Dirichlet distribution whose mean is the level above (D. J. C. MacKay and L. C. Bauman
Peto, A hierarchical Dirichlet language model, Natural Language Engineering 1 (1995) 289-308).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.opinions import catalogue_shares
from kb.suggest.unseen import at_least, outside_catalogue, singles, unseen_share

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger
    from kb.suggest.settings import Settings

Floats = NDArray[np.float64]
_FORGOTTEN = 30.0  # cases after which half of that has happened


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

    The catalogue of general knowledge where there is one, all boards, boards of the kind, the family. `faults`
    are those to rank, ascending.
    """
    if not len(faults):
        return np.zeros(0)
    counts = ledger.cases_of_fault.view[faults].astype(np.float64)
    catalogue = catalogue_shares(ledger, faults, kind)
    share = from_all_boards(counts, float(ledger.known), catalogue, settings)
    if kind >= 0:
        of_kind = ledger.kind_fault.view[kind, faults]
        share = back_off(of_kind, of_kind.sum(), share, settings.k_kind)
    if family >= 0:
        of_family = ledger.cases_in_family(family)[faults]
        share = back_off(of_family, of_family.sum(), share, settings.k_family)
    if catalogue is not None:
        inside = 1.0 - float(outside_catalogue(ledger, *singles(ledger)))
        share = at_least(share, counts == 0.0, inside * unseen_share(ledger, family, kind, settings))
    return share


def from_all_boards(counts: Floats, known: ArrayLike, catalogue: Floats | None, settings: Settings) -> Floats:
    """P(fault) on boards in general, from counts (..., K) of `known` cases and shares (..., K) of a catalogue."""
    if catalogue is not None:
        # What no case had in spite of many cases is hardly where the catalogue says; half of it goes even.
        listed = catalogue > 0.0
        even = 0.5 * np.asarray(known, dtype=np.float64) / (np.asarray(known, dtype=np.float64) + _FORGOTTEN)
        whole = np.maximum(catalogue.sum(axis=-1, keepdims=True), 1e-12)
        shares = (1.0 - even) * catalogue / whole + even * listed / np.maximum(
            listed.sum(axis=-1, keepdims=True), 1
        )
        return back_off(counts, known, shares, settings.k_catalogue)
    firm = firm_faults(counts)
    whole = firm.sum(axis=-1, keepdims=True)
    even = firm / np.where(whole > 0.0, whole, 1.0)
    return back_off(counts, known, even, settings.alpha_fault * whole)


def firm_faults(counts: Floats) -> Floats:
    """1 for a fault with at least one case, less where only lightly weighed cases of others have it.

    So that the even share at the top of the prior does not go to names that hardly count.
    """
    return np.minimum(1.0, counts)
