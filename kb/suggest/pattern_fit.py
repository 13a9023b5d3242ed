"""Learning the sub-patterns from a store's own cases, with and without each fold of them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest import folds
from kb.suggest.fitted import Patterns
from kb.suggest.leave_one_out import choose_cases
from kb.suggest.ledger import Ledger
from kb.suggest.levels import at_root, likelihood, row_weights
from kb.suggest.patterns import Answers, Learner, answers_of, learn, learned_tables
from kb.suggest.questions import Floats, Whole, answers_of_cases, counts_of, layout_of, table_of
from kb.suggest.rows import spread
from kb.suggest.settings import Settings

MOST_CASES = 5_000
MOST_PLACED = 15_000  # further cases that are only placed among what was learned


class _Store:
    """What is counted of all cases and of each fold, for the faults in their order by name."""

    def __init__(self, ledger: Ledger, settings: Settings) -> None:
        self.ledger, self.lines = ledger, ledger.lines
        self.layout = layout_of(ledger.lines)
        everything = choose_cases(ledger)
        self.faults = everything.faults
        self.truth = everything.truth
        self.weights = row_weights(settings, self.layout, ledger.lines)
        self.alpha = settings.alpha
        self.opinion = (
            ledger.opinions.table(ledger, self.layout, self.faults) if ledger.opinions is not None else None
        )
        _, self.section_of = np.unique(ledger.section_of.view[self.faults], return_inverse=True)
        self.rows = everything.rows
        self.many = folds.how_many(len(self.rows))
        uids = list(ledger.rows.uids.of(self.rows))
        self.fold = np.array([folds.fold_of(uid, self.many) for uid in uids], dtype=np.int64)
        order = ledger.rows.uids.ordered(self.rows)
        some = order[
            np.arange(min(MOST_CASES, len(order))) * len(order) // max(1, min(MOST_CASES, len(order)))
        ]
        place = np.full(int(self.rows.max(initial=0)) + 1, -1, dtype=np.int64)
        place[self.rows] = np.arange(len(self.rows))
        self.chosen = place[some]  # places among `rows`, in order of uid

    def items(self, rows: NDArray[Any]) -> tuple[Whole, Whole]:
        """(case, item) of everything noted in the rows."""
        many = self.ledger.rows.get("items")[rows].astype(np.int64)
        item = self.ledger.rows.item.view[spread(self.ledger.rows.get("items_at")[rows], many)]
        return np.repeat(np.arange(len(rows)), many), item.astype(np.int64)

    def without(self, mine: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """The count table (J, K) without the cases `mine` (cases,)."""
        rows, truth = self.rows[mine], self.truth[mine]
        case, item = self.items(rows)
        faults, ledger = len(self.faults), self.ledger
        feature = self.lines.feature_of.view[item]
        of_item = np.bincount(item * faults + truth[case], minlength=self.lines.item_count * faults)
        noted = np.bincount(feature * faults + truth[case], minlength=len(self.lines.features) * faults)
        cases = np.bincount(truth, minlength=faults)
        return table_of(
            self.layout,
            self.lines,
            np.maximum(ledger.cases_of_fault.view[self.faults] - cases, 0.0),
            np.maximum(ledger.feature_fault.view[:, self.faults] - noted.reshape(-1, faults), 0.0),
            np.maximum(ledger.item_fault.view[:, self.faults] - of_item.reshape(-1, faults), 0.0),
        )

    def learner(self, answers: Answers, counts: Floats, totals: Floats) -> Learner:
        root = at_root(counts.sum(axis=1), totals.sum(axis=1), self.layout, self.alpha)
        given, _, section = likelihood(self.section_of, counts, totals, root, self.weights, self.opinion)
        first = np.unique(self.section_of, return_index=True)[1]
        return Learner(
            answers,
            given[answers.row],
            section[answers.row][:, first],
            totals[answers.row],
            self.weights.k_fault[answers.row],
            self.section_of,
        )


def learn_patterns(
    ledger: Ledger, settings: Settings, kinds: frozenset[int]
) -> tuple[Patterns, Whole] | None:
    """Sub-patterns made of the given kinds of answers, not weighed yet, and the faults (K,) in their order.

    None where the store has nothing to learn from. At most `MOST_CASES` cases are learned from, evenly spaced;
    of the rest `MOST_PLACED` are placed among what was learned.
    """
    store = _Store(ledger, settings)
    if len(store.rows) < 2 or not store.layout.items:
        return None
    answers = answers_of(store.layout, kinds)
    case, item = store.items(store.rows[store.chosen])
    owner, row, _ = answers_of_cases(ledger, store.layout, case, item, len(store.chosen))
    answer = answers.of_row[row]
    owner, answer = owner[answer >= 0], answer[answer >= 0]
    fault = store.truth[store.chosen]
    whole = store.learner(answers, *counts_of(ledger, store.layout, store.faults))
    tables = []
    for number in range(store.many):
        mine = store.fold == number
        kept = ~mine[store.chosen]
        learner = store.learner(answers, *store.without(mine))
        renumbered = np.cumsum(kept) - 1
        entries = kept[owner]
        counts, sizes = learn(learner, fault[kept], renumbered[owner[entries]], answer[entries])
        logs, mixing = learned_tables(learner, counts, sizes)
        tables.append((logs.astype(np.float32), mixing))
    counts, sizes = learn(whole, fault, owner, answer)
    counts, sizes = _with_the_rest(store, answers, whole, counts, sizes)
    return Patterns(counts.astype(np.float32), sizes, kinds, 0.0, tuple(tables)), store.faults


def _with_the_rest(
    store: _Store, answers: Answers, learner: Learner, counts: Floats, sizes: Floats
) -> tuple[Floats, Floats]:
    """Counts and sizes with the cases that were not learned from, each placed once by what was learned."""
    rest = np.setdiff1d(np.arange(len(store.rows)), store.chosen)[:MOST_PLACED]
    if not len(rest):
        return counts, sizes
    case, item = store.items(store.rows[rest])
    owner, row, _ = answers_of_cases(store.ledger, store.layout, case, item, len(rest))
    answer = answers.of_row[row]
    owner, answer = owner[answer >= 0], answer[answer >= 0]
    fault = store.truth[rest]
    logs, mixing = learned_tables(learner, counts, sizes)
    scores = mixing[fault]
    for z in range(scores.shape[1]):
        scores[:, z] += np.bincount(owner, logs[answer, fault[owner], z], len(rest))
    soft = np.exp(scores - scores.max(axis=1, keepdims=True))
    soft /= soft.sum(axis=1, keepdims=True)
    cells = answer * len(store.faults) + fault[owner]
    shape = counts.shape[:2]
    more = [
        np.bincount(cells, soft[owner, z], shape[0] * shape[1]).reshape(shape) for z in range(soft.shape[1])
    ]
    many = [np.bincount(fault, soft[:, z], len(store.faults)) for z in range(soft.shape[1])]
    return counts + np.stack(more, axis=2), sizes + np.stack(many, axis=1)
