"""How much a fault leans on its section and a section on all faults, for each question, from the counts alone.

The counts of a fault given those of the rest of its section are Dirichlet-multinomial; their evidence is worked out on
a grid of both weights, and the posterior mean of the weights' logarithms is taken. Questions of one type share
a prior, made of the evidence of them all, so that a question with few cases does not stand alone (D. J. C. MacKay
and L. C. Bauman Peto, Natural Language Engineering 1 (1995) 289-308, for the evidence of a hierarchy).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.back_off import back_off
from kb.suggest.ledger import Ledger
from kb.suggest.levels import at_root, beside, row_weights
from kb.suggest.patterns import answers_of
from kb.suggest.questions import MENTION, SILENT, Floats, Layout, counts_of
from kb.suggest.settings import Settings

GRID = np.array([0.3, 0.7, 1.5, 3.0, 6.0, 12.0, 25.0, 50.0, 100.0, 300.0])
_DEEP = 50.0  # the shared prior never speaks louder than this many nats


def log_gamma(x: NDArray[Any]) -> Floats:
    """log Gamma(x) for x > 0: Stirling's series at x + 6; relative error below 1e-9."""
    z = x + 6.0
    series = (z - 0.5) * np.log(z) - z + 0.5 * np.log(2.0 * np.pi) + 1.0 / (12.0 * z) - 1.0 / (360.0 * z**3)
    below = x * (x + 1.0) * (x + 2.0) * (x + 3.0) * (x + 4.0) * (x + 5.0)
    found: Floats = series - np.log(below)
    return found


def choose(
    ledger: Ledger, layout: Layout, faults: NDArray[Any], settings: Settings
) -> tuple[Floats, Floats, Floats, Floats]:
    """(k_fault, k_section) of what was found, then of being mentioned: four arrays (features,)."""
    answers = answers_of(layout)
    counts, totals = counts_of(ledger, layout, faults)
    weights = row_weights(settings, layout, ledger.lines)
    counts, totals = counts[answers.row], totals[answers.row]
    root = at_root(counts.sum(axis=1), totals.sum(axis=1), layout, settings.alpha, answers.row)[:, None]
    _, where = np.unique(ledger.section_of.view[faults], return_inverse=True)
    member = np.zeros((len(faults), int(where.max()) + 1))
    member[np.arange(len(where)), where] = 1.0
    rest, rest_totals = (counts @ member)[:, where] - counts, (totals @ member)[:, where] - totals
    opinion = None
    if ledger.opinions is not None:
        opinion = ledger.opinions.table(ledger, layout, faults)[answers.row]
    seen = ledger.cases_of_fault.view[faults] > 0
    cells = np.flatnonzero((counts > 0) & seen[None, :])
    question = answers.question_place
    starts = answers.starts
    of_cell = question[cells // len(faults)]
    mine = counts.reshape(-1)[cells]
    asked = totals[starts]
    asked_cells = np.flatnonzero(asked > 0)
    asked_of = asked_cells // len(faults)
    evidence = np.empty((len(GRID), len(GRID), len(starts)))
    for b, k_section in enumerate(GRID):
        parent = beside(
            back_off(rest, rest_totals, root, k_section),
            rest_totals,
            opinion,
            weights.k_general[answers.row][:, None],
        )
        parent = np.maximum(parent.reshape(-1)[cells], 1e-9)
        for a, k_fault in enumerate(GRID):
            gained = log_gamma(k_fault * parent + mine) - log_gamma(k_fault * parent)
            paid = log_gamma(np.array(k_fault)) - log_gamma(k_fault + asked.reshape(-1)[asked_cells])
            evidence[a, b] = np.bincount(of_cell, gained, len(starts)) + np.bincount(
                asked_of, paid, len(starts)
            )
    kind = layout.kind[answers.row][starts]
    k_fault, k_section = _means(evidence, kind)
    found = len(layout.place)
    mention = np.full((2, found), settings.k_fault)
    mention[:, layout.symptoms] = [k_fault[found:], k_section[found:]]
    return k_fault[:found], k_section[:found], mention[0], mention[1]


def _means(evidence: Floats, kind: NDArray[Any]) -> tuple[Floats, Floats]:
    """Posterior means of log k on the grid (a, b, Q), by type of question (Q,), back as weights (Q,)."""
    questions = evidence.shape[2]
    k_fault, k_section = np.ones(questions), np.ones(questions)
    flat = evidence.reshape(-1, questions)
    logs = np.log(GRID)
    log_a, log_b = np.repeat(logs, len(GRID)), np.tile(logs, len(GRID))
    for one in np.unique(np.where(kind == SILENT, MENTION, kind)):
        mine = np.flatnonzero(kind == one)
        pool = flat[:, mine].sum(axis=1)
        pool = np.maximum((pool - pool.max()) / np.sqrt(len(mine)), -_DEEP)
        chance = flat[:, mine] + pool[:, None]
        chance = np.exp(chance - chance.max(axis=0))
        chance /= chance.sum(axis=0)
        k_fault[mine], k_section[mine] = np.exp(log_a @ chance), np.exp(log_b @ chance)
    return k_fault, k_section
