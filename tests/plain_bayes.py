"""The product's model with its back-off and tempering switched off: plain naive Bayes, for published values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kb.suggest import CaseFacts, FixTry, Ledger, RailFact, Settings
from kb.suggest.evidence_lines import rail_key, symptom_key
from kb.suggest.growable import Table
from kb.suggest.posterior import posterior_of

SECTION = "other"
_FIRM = 1e15  # a weight that leaves nothing of the counts below it


def plain_settings(alpha: float, alpha_fault: float = 0.0) -> Settings:
    """Smoothing by `alpha` for each outcome: the section is held at even chances, so the weight with
    which a fault leans on it is alpha times the number of outcomes. Symptoms have two; for rails the
    caller sets `k_rail`."""
    return Settings(
        k_family=0.0,
        k_kind=0.0,
        alpha_fault=alpha_fault,
        k_fault=2.0 * alpha,
        k_section=_FIRM,
        alpha=_FIRM,
        mentions=False,
        strength=1.0,
        k_unseen=0.0,
        unseen_evidence=0.0,
    )


def with_outcomes(settings: Settings, alpha: float, outcomes: int) -> Settings:
    """The settings for rails with so many outcomes."""
    return replace(settings, k_rail=alpha * outcomes)


def labelled(number: int, label: str, symptoms: Mapping[str, bool], rails: Mapping[str, str]) -> CaseFacts:
    """A row of a table as a case: two-way columns as symptoms, others as rails."""
    return CaseFacts(
        uid=f"row-{number}",
        family="table",
        kind="table",
        verdict="repaired",
        closed=None,
        symptoms=tuple(symptoms.items()),
        rails=tuple(RailFact(name, "running", "none", value) for name, value in rails.items()),
        tries=(FixTry(SECTION, label, "", "", "replace", "cured"),),
    )


def share_known(ledger: Ledger, items: Sequence[int], settings: Settings) -> dict[str, float]:
    """P(class | items), the unseen row left out and the rest scaled to 1."""
    found = posterior_of(ledger, -1, -1, np.array(items, dtype=np.int64), settings)
    whole = found.probability / found.probability.sum()
    return {
        ledger.faults.values[fault][1]: float(share)
        for fault, share in zip(found.faults.tolist(), whole, strict=True)
    }


def exact_ledger(
    classes: Sequence[str], prior: NDArray[np.float64], features: Mapping[str, NDArray[np.float64]]
) -> Ledger:
    """A ledger whose counts are proportional to known probabilities, as if from 10^15 cases.

    `prior` (classes,); `features` name to P(outcome | class) of shape (outcomes, classes). Two outcomes
    make a symptom (the first is present), more make a rail with conditions "0", "1", ..
    """
    levels = max(len(table) for table in features.values())
    conditions = [str(level) for level in range(levels)]
    ledger = Ledger(conditions=conditions)
    for number, name in enumerate(classes):
        ledger.add(labelled(number, name, {}, {}))
    for name, table in features.items():
        ledger.lines.intern(symptom_key(name) if len(table) == 2 else rail_key((name, "running", "none")))
    counts = np.zeros((ledger.lines.item_count, len(classes)))
    totals = np.tile(_FIRM * prior, (len(features), 1))
    for number, table in enumerate(features.values()):
        first = int(ledger.lines.first_item.view[number])
        counts[first : first + len(table)] = _FIRM * prior * table
    ledger.item_fault, ledger.feature_fault = Table(counts), Table(totals)
    ledger.cases_of_fault.view[:] = np.round(_FIRM * prior)
    ledger.known = int(_FIRM)
    ledger.cases_with_count.clear()
    return ledger


def exact_settings() -> Settings:
    """No smoothing at all, full strength; everything is noted in every case, so that being mentioned says nothing."""
    return Settings(
        mentions=False,
        k_family=0.0,
        k_kind=0.0,
        alpha_fault=0.0,
        k_fault=0.0,
        k_section=0.0,
        alpha=0.0,
        strength=1.0,
        unseen_evidence=0.0,
    )


def items_of(ledger: Ledger, values: Mapping[str, int]) -> list[int]:
    """Items for named features of an exact ledger with the outcome's number."""
    items = []
    for name, level in values.items():
        number = ledger.lines.features.find(symptom_key(name))
        if number < 0:
            number = ledger.lines.features.find(rail_key((name, "running", "none")))
        items.append(int(ledger.lines.first_item.view[number]) + level)
    return sorted(items)
