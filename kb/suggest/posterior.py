"""What the evidence makes of the prior: the probability of every known fault and of an unknown one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.back_off import Floats, likelihood, prior
from kb.suggest.facts_of_case import Evidence, refuse_contradictions
from kb.suggest.ledger import Ledger
from kb.suggest.settings import Settings
from kb.suggest.unseen import unseen_share
from kb.suggest.weighing import counted


@dataclass(frozen=True, slots=True)
class Posterior:
    """Shapes: K known faults, E items of evidence.

    `faults` (K,) ledger numbers; `prior` (K,) and `prior_unseen` sum to 1, so do `probability` (K,) and
    `unseen`; `given_fault` (E, K) holds P(item | fault), `given_any` (E,) P(item) over all faults;
    `log_known` (K,) and `log_any` are the log weights that `settle` turned into probabilities.
    """

    faults: NDArray[Any]
    family: int
    kind: int
    items: NDArray[Any]
    ignored: tuple[str, ...]
    prior: Floats
    prior_unseen: float
    given_fault: Floats
    given_any: Floats
    probability: Floats
    unseen: float
    log_known: Floats
    log_any: float


def posterior(ledger: Ledger, evidence: Evidence, settings: Settings) -> Posterior:
    """The probabilities for a board. Raises BadInput when the evidence contradicts itself."""
    if settings.warranty_days != ledger.warranty_days:
        raise ValueError(
            f"the ledger was counted with a warranty of {ledger.warranty_days} days, "
            f"the settings say {settings.warranty_days}: count it again"
        )
    refuse_contradictions(evidence)
    ledger = counted(ledger, settings)
    family, kind = place(ledger, evidence)
    known, ignored = ledger.lines.find(evidence)
    return posterior_of(ledger, family, kind, np.array(known, dtype=np.int64), settings, tuple(ignored))


def posterior_of(
    ledger: Ledger,
    family: int,
    kind: int,
    items: NDArray[np.int64],
    settings: Settings,
    ignored: tuple[str, ...] = (),
) -> Posterior:
    """The same from ledger numbers; -1 for an unknown family or kind."""
    faults = ledger.known_faults()
    before = prior(ledger, faults, family, kind, settings)
    unseen_before = unseen_share(ledger, family, kind, settings) if len(faults) else 1.0
    given_fault, given_any = likelihood(ledger, faults, items, settings)
    with np.errstate(divide="ignore"):
        log_known = np.log(before) + settings.strength * np.log(given_fault).sum(axis=0)
        log_any = settings.strength * np.log(given_any).sum()
    probability, unseen = settle(log_known, log_any, unseen_before, before, settings.unseen_evidence)
    return Posterior(
        faults,
        family,
        kind,
        items,
        ignored,
        before * (1.0 - unseen_before),
        unseen_before,
        given_fault,
        given_any,
        probability,
        float(unseen),
        log_known,
        float(log_any),
    )


def place(ledger: Ledger, evidence: Evidence) -> tuple[int, int]:
    """Ledger numbers of the family and kind, -1 where unknown; a known family brings its usual kind."""
    family = ledger.families.find(evidence.family) if evidence.family else -1
    kind = ledger.kinds.find(evidence.kind) if evidence.kind else -1
    if kind < 0 and family >= 0:
        kind = ledger.usual_kind(family)
    return family, kind


def settle(
    log_known: Floats, log_any: Floats, unseen_before: ArrayLike, before: Floats, unseen_evidence: float
) -> tuple[Floats, Floats]:
    """Probabilities (..., K) of the known faults and (...) of an unknown one; together 1 in each row.

    log_known          (..., K) log of prior times tempered likelihood, the prior summing to 1
    log_any            (...) tempered log likelihood of the evidence on boards in general
    unseen_before      (...) prior probability of an unknown fault
    before             (..., K) prior, returned where every likelihood is zero; where it is all zero
                       itself, everything is left to the unknown fault
    unseen_evidence    the share with which `log_any` decides about the unknown fault; the rest is the
                       average over the known faults, which leaves its probability as it was
    """
    unseen_before = np.asarray(unseen_before, dtype=np.float64)
    if not log_known.shape[-1]:
        return np.zeros(log_known.shape), np.ones(log_known.shape[:-1])
    top = log_known.max(axis=-1)
    possible = np.isfinite(top)
    if not possible.all():
        with np.errstate(divide="ignore"):
            log_known = np.where(possible[..., None], log_known, np.log(before))
        log_any = np.where(possible, log_any, 0.0)
        top = log_known.max(axis=-1)
        nothing_known = ~np.isfinite(top)
        top = np.where(nothing_known, 0.0, top)
        unseen_before = np.where(nothing_known, 1.0, unseen_before)
    scaled = np.exp(log_known - top[..., None])
    total = np.maximum(scaled.sum(axis=-1), 1e-300)
    ratio = np.exp(np.clip(unseen_evidence * (log_any - top - np.log(total)), -700.0, 700.0))
    odds = unseen_before * np.where(possible, ratio, 1.0)
    whole = odds + (1.0 - unseen_before)
    return scaled * ((1.0 - unseen_before) / (whole * total))[..., None], odds / whole
