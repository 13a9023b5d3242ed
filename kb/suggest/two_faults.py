"""Whether two faults explain a board better than one.

Pairs of the leading causes are weighed against single causes. Two faults show a symptom unless neither does
(noisy-or: J. Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, section 4.3.2), and leave a rail in the
worse of the two conditions. How often a board has two is read from the records: boards on which a second fault was
cured beside the first. A fix that was tried and failed speaks against its cause alone, not against a pair with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kb.suggest.evidence_lines import PRESENT
from kb.suggest.facts_of_case import Fault
from kb.suggest.ledger import Ledger
from kb.suggest.levels import LEAST
from kb.suggest.posterior import TRIED, Posterior
from kb.suggest.questions import RAIL, Floats

LEADING = 25
WORTH_TELLING = 0.3
# One board in fifty, as sure of it as of a hundred boards (common practice, no published source).
_USUAL, _USUAL_CASES = 0.02, 100.0
# From what hides most to what hides least of the other fault's doing.
BADNESS = ("absent", "pulsing", "high", "low", "in tolerance")


@dataclass(frozen=True, slots=True)
class TwoFaults:
    """The likeliest pair, and how likely any two faults are."""

    first: Fault
    second: Fault
    probability: float


def share_of_doubles(ledger: Ledger) -> float:
    """Share of boards with two faults, leaning on one in fifty."""
    return (ledger.doubles + _USUAL * _USUAL_CASES) / (ledger.known + _USUAL_CASES)


def two_faults(ledger: Ledger, found: Posterior) -> TwoFaults | None:
    """The likeliest pair; None where there are fewer than two causes or nothing is noted."""
    order = np.argsort(-found.probability, kind="stable")[:LEADING]
    order = order[found.probability[order] > 0.0]
    if len(order) < 2 or not any(line.rows or line.label.endswith(TRIED) for line in found.lines):
        return None
    single, pair = _likelihoods(ledger, found, order)
    prior = found.prior[order] / max(float(found.prior.sum()), LEAST)
    doubles = share_of_doubles(ledger)
    failed = sum(
        (line.logs[order] for line in found.lines if line.label.endswith(TRIED)), np.zeros(len(order))
    )
    # The leading causes stand for all; what is left over of either hypothesis is small.
    one = np.log(np.maximum(prior, LEAST)) + np.log1p(-doubles) + single + failed
    first, second = np.triu_indices(len(order), 1)
    both = prior[first] * prior[second]
    every = 0.5 * max(1.0 - float((found.prior / max(float(found.prior.sum()), LEAST)) @ found.prior), 1e-9)
    two = np.log(np.maximum(both / every, LEAST)) + np.log(doubles) + pair[first, second]
    top = max(float(one.max()), float(two.max()))
    weights = np.exp(two - top)
    total = float(weights.sum()) + float(np.exp(one - top).sum())
    best = int(weights.argmax())
    names = ledger.faults.values
    return TwoFaults(
        names[int(found.faults[order[first[best]]])],
        names[int(found.faults[order[second[best]]])],
        float(weights.sum()) / total * (1.0 - found.unseen),
    )


def _likelihoods(ledger: Ledger, found: Posterior, order: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Tempered log likelihoods of the evidence with one fault (L,) and with two (L, L)."""
    tables, lines = found.tables, ledger.lines
    layout, exponent = tables.layout, tables.weights.exponent
    extra = tables.patterns.weight if tables.patterns is not None else 0.0
    single, pair = np.zeros(len(order)), np.zeros((len(order), len(order)))
    for item in found.items.tolist():
        feature = int(lines.feature_of.view[item])
        first = int(lines.first_item.view[feature])
        if layout.kind[item] == RAIL:
            every = np.exp(tables.logs[first : first + len(lines.conditions)][:, order])
            weight = exponent[item] + extra
            single += weight * np.log(np.maximum(every[item - first], LEAST))
            pair += weight * np.log(np.maximum(_worse(every, lines.conditions, item - first), LEAST))
            continue
        # The share of cases that show the symptom: it is named, and named as present.
        mention = layout.items + 4 * int(layout.place[feature])
        shown = np.exp(tables.logs[mention][order] + tables.logs[first + PRESENT][order])
        weight = 0.5 * (exponent[item] + exponent[mention]) + extra
        either = 1.0 - np.multiply.outer(1.0 - shown, 1.0 - shown)
        if item - first != PRESENT:
            shown, either = 1.0 - shown, 1.0 - either
        single += weight * np.log(np.maximum(shown, LEAST))
        pair += weight * np.log(np.maximum(either, LEAST))
    if found.completeness > 0.0:
        places = np.unique(layout.place[lines.feature_of.view[found.items]])
        spoken = layout.silent[places[places >= 0]]
        # Two faults are silent about a symptom where both are.
        alone = tables.silent[order] - exponent[spoken] @ tables.logs[np.ix_(spoken, order)]
        alone = found.completeness * alone
        single += alone
        pair += alone[:, None] + alone[None, :]
    return single, pair


def _worse(chances: Floats, conditions: tuple[str, ...], condition: int) -> Floats:
    """P(the worse of two conditions is this one) (L, L), each cause's chances in a column of (conditions, L)."""
    ranks = [BADNESS.index(name) if name in BADNESS else len(BADNESS) for name in conditions]
    at_least = np.array([rank <= ranks[condition] for rank in ranks])
    worse = np.array([rank < ranks[condition] for rank in ranks])
    # Neither is worse than this one, less neither being even as bad.
    not_worse = 1.0 - chances[worse].sum(axis=0)
    better = 1.0 - chances[at_least].sum(axis=0)
    found: Floats = np.multiply.outer(not_worse, not_worse) - np.multiply.outer(better, better)
    return np.maximum(found, 0.0)
