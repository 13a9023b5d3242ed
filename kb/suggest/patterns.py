"""Sub-patterns: the few ways in which one fault shows itself, so that its signs may depend on one another.

A fault has Z sub-patterns z with shares pi_kz. What a sub-pattern does to an answer is a lift on what the fault's
cases show anyway, shared within the section: P(i|k,z) leans on P(i|k) P(i|s,z) / P(i|s), `PULL_FAULT` strong, and
P(i|s,z) on P(i|s), `PULL_SECTION` strong. Which case belongs to which sub-pattern is learned by collapsed
expectation-maximisation (A. P. Dempster, N. M. Laird and D. B. Rubin, Maximum likelihood from incomplete data via the
EM algorithm, Journal of the Royal Statistical Society B 39 (1977) 1-38), annealed (N. Ueda and R. Nakano, Deterministic
annealing EM algorithm, Neural Networks 11 (1998) 271-282): each case is placed by what all others say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.back_off import back_off
from kb.suggest.evidence_lines import FeatureKey, Lines
from kb.suggest.facts_of_case import Fault
from kb.suggest.fitted import Fitted
from kb.suggest.questions import ABSENT, MENTION, Floats, Layout, Whole

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger

Z = 4
PULL_FAULT, PULL_SECTION = 12.0, 3.0
ROUNDS = 15
_LEAST = 1e-12


@dataclass(frozen=True, slots=True)
class Answers:
    """The A answers that sub-patterns are made of: items, then mention and silence of each symptom.

    `row` (A,) is the row of the count table, `question` (A,) numbers the questions from 0 in ascending order,
    `of_row` (J,) leads back, -1 for rows without an answer here; a mention is the same answer either way.
    """

    row: Whole
    question: Whole
    of_row: Whole

    @property
    def starts(self) -> Whole:
        """Where each question begins, (Q,): its answers lie side by side."""
        return np.flatnonzero(np.r_[True, self.question[1:] != self.question[:-1]]).astype(np.int64)

    @property
    def question_place(self) -> Whole:
        """For each answer (A,) the place of its question among `starts`."""
        return np.cumsum(np.r_[False, self.question[1:] != self.question[:-1]])


def answers_of(layout: Layout, kinds: frozenset[int] | None = None) -> Answers:
    """The answers of a layout; those of other than the given kinds lead nowhere."""
    mention = layout.mentioned
    row = np.concatenate([np.arange(layout.items), np.stack([mention, mention + 2], axis=1).reshape(-1)])
    features = len(layout.place)
    question = np.concatenate(
        [layout.feature[: layout.items], features + np.repeat(np.arange(len(mention)), 2)]
    )
    of_row = np.full(layout.rows, -1, dtype=np.int64)
    of_row[row] = np.arange(len(row))
    of_row[mention + 1] = of_row[mention]
    if kinds is not None:
        kind = np.where(layout.kind == ABSENT, MENTION, layout.kind)
        of_row[~np.isin(kind, list(kinds))] = -1
    return Answers(row.astype(np.int64), question.astype(np.int64), of_row)


@dataclass(slots=True)
class PatternTables:
    """For the present counts: `logs` (A, K, Z) log P(answer | fault, sub-pattern), `mixing` (K, Z) log shares,
    `silent` (K, Z) the sum over all symptoms of the log of silence."""

    answers: Answers
    counts: NDArray[np.float32]
    section_lift: Floats
    logs: Floats
    mixing: Floats
    silent_places: Whole
    silent: Floats
    weight: float

    def of_rows(self, rows: list[int]) -> Floats:
        """Sum of the logs (K, Z) over some rows; rows that take no part add nothing."""
        places = self.answers.of_row[rows]
        total: Floats = self.logs[places[places >= 0]].sum(axis=0)
        return total


def pattern_tables(
    ledger: Ledger, fitted: Fitted, layout: Layout, faults: NDArray[Any], given: Floats, section: Floats
) -> PatternTables:
    """The tables from what was fitted and P(answer | fault), P(answer | its section), both (J, K)."""
    patterns = fitted.patterns
    assert patterns is not None
    answers = answers_of(layout, patterns.kinds)
    names = [ledger.faults.values[fault] for fault in faults.tolist()]
    index = _places(fitted, ledger.lines, layout, names)
    counts = _moved(patterns.counts, *index)
    sizes = _moved_faults(patterns.sizes, index[1])
    _, where = np.unique(ledger.section_of.view[faults], return_inverse=True)
    member = np.zeros((len(faults), int(where.max()) + 1 if len(where) else 0))
    member[np.arange(len(faults)), where] = 1.0
    lift = _lift(counts, section[answers.row], answers, member)[:, where]
    mixing = _shares_of(sizes, member, where)
    silent = answers.of_row[layout.silent]
    silent = silent[silent >= 0]
    logs = _logs(counts, given[answers.row], lift, answers)
    return PatternTables(
        answers, counts, lift, logs, mixing, silent, logs[silent].sum(axis=0), patterns.weight
    )


def renew_patterns(kept: PatternTables, mine: NDArray[Any], given: Floats) -> None:
    """The tables of some faults (places `mine`) after their counts have changed; lifts stay as they were."""
    logs = _logs(kept.counts[:, mine], given[kept.answers.row], kept.section_lift[:, mine], kept.answers)
    kept.logs[:, mine] = logs
    kept.silent[mine] = logs[kept.silent_places].sum(axis=0)


def fold_tables(
    fitted: Fitted, lines: Lines, layout: Layout, names: list[Fault]
) -> Iterator[tuple[Floats, Floats]]:
    """For each fold its log tables (A, K, Z) and log shares (K, Z), in the order of `names`.

    A fault that was not known then shows what faults in general do.
    """
    patterns = fitted.patterns
    assert patterns is not None
    answers, faults = _places(fitted, lines, layout, names)
    new = faults < 0
    for logs, shares in patterns.folds:
        moved = np.where((answers >= 0)[:, None, None], logs[answers][:, faults], 0.0)
        mixing = shares[faults]
        if new.any():
            moved[:, new] = np.where(answers >= 0, logs[answers].mean(axis=(1, 2)), 0.0)[:, None, None]
            mixing[new] = -np.log(Z)
        yield moved, mixing


def learned_tables(learner: Learner, counts: Floats, sizes: Floats) -> tuple[Floats, Floats]:
    """log P(answer | fault, z) (A, K, Z) and log shares (K, Z) straight from what was learned."""
    member = np.zeros((len(learner.section_of), learner.section.shape[1]))
    member[np.arange(len(learner.section_of)), learner.section_of] = 1.0
    lift = _lift(counts, learner.section[:, learner.section_of], learner.answers, member)
    logs = _logs(counts, learner.given, lift[:, learner.section_of], learner.answers)
    return logs, _shares_of(sizes, member, learner.section_of)


def _shares_of(sizes: Floats, member: Floats, section_of: Whole) -> Floats:
    """Log of the share of each sub-pattern (K, Z), leaning on the section's."""
    at_section = member.T @ sizes
    general = (at_section + 1.0 / Z) / (at_section.sum(axis=1, keepdims=True) + 1.0)
    shares: Floats = np.log((sizes + general[section_of]) / (sizes.sum(axis=1, keepdims=True) + 1.0))
    return shares


def _lift(counts: NDArray[Any], section: Floats, answers: Answers, member: Floats) -> Floats:
    """P(answer | section, z) / P(answer | section), (A, S, Z), from counts (A, K, Z) and section (A, K)."""
    first = np.argmax(member, axis=0)
    at_section = section[:, first][:, :, None]
    sums = np.einsum("akz,ks->asz", counts, member)
    totals = np.add.reduceat(sums, answers.starts, axis=0)[answers.question_place]
    lift: Floats = back_off(sums, totals, at_section, PULL_SECTION) / np.maximum(at_section, _LEAST)
    return lift


def _logs(counts: NDArray[Any], given: Floats, lift: Floats, answers: Answers) -> Floats:
    """log P(answer | fault, z) (A, K, Z)."""
    starts, place = answers.starts, answers.question_place
    parent = given[:, :, None] * lift
    parent /= np.maximum(np.add.reduceat(parent, starts, axis=0)[place], _LEAST)
    totals = np.add.reduceat(counts, starts, axis=0)[place]
    return np.log(np.maximum(back_off(counts, totals, parent, PULL_FAULT), _LEAST))


def _places(fitted: Fitted, lines: Lines, layout: Layout, names: list[Fault]) -> tuple[Whole, Whole]:
    """Where each present answer (A,) and fault (K,) stands in what was fitted, -1 where it is new."""
    first: dict[FeatureKey, int] = {}
    mention: dict[FeatureKey, int] = {}
    items = 0
    for key in fitted.features:
        first[key] = items
        items += 2 if key[0] == "symptom" else len(lines.conditions)
    for key in fitted.features:
        if key[0] == "symptom":
            mention[key] = items
            items += 2
    answers: list[int] = []
    keys = lines.features.values
    for item in range(layout.items):
        feature = int(lines.feature_of.view[item])
        start = first.get(keys[feature], -1)
        answers.append(start + item - int(lines.first_item.view[feature]) if start >= 0 else -1)
    for feature in layout.symptoms.tolist():
        start = mention.get(keys[feature], -1)
        answers += [start, start + 1] if start >= 0 else [-1, -1]
    number = {fault: place for place, fault in enumerate(fitted.faults)}
    return np.array(answers, dtype=np.int64), np.array([number.get(one, -1) for one in names], dtype=np.int64)


def _moved(values: NDArray[Any], answers: Whole, faults: Whole) -> NDArray[Any]:
    """Values (A', K', Z) put in the present order (A, K, Z), 0 for what is new."""
    there = (answers >= 0)[:, None] & (faults >= 0)[None, :]
    return np.where(there[:, :, None], values[answers][:, faults], 0.0).astype(values.dtype)


def _moved_faults(values: Floats, faults: Whole) -> Floats:
    return np.where((faults >= 0)[:, None], values[faults], 0.0)


@dataclass(frozen=True, slots=True)
class Learner:
    """What expectation-maximisation works on.

    P(answer | fault) `given` (A, K), P(answer | section) `section` (A, S) and cases that answered `totals`
    (A, K) with all cases that are learned from counted, `k_fault` (A,) with which a fault leans on its section, and
    `section_of` (K,).
    """

    answers: Answers
    given: Floats
    section: Floats
    totals: Floats
    k_fault: Floats
    section_of: Whole


def learn(
    learner: Learner, fault: Whole, owner: Whole, answer: Whole, rounds: int = ROUNDS
) -> tuple[Floats, Floats]:
    """Soft counts (A, K, Z) and sizes (K, Z) of the sub-patterns of n cases.

    `fault` (n,) is each case's fault; `owner` (E,), ascending, and `answer` (E,) are what the cases answered.
    """
    soft = _starting_counts(len(fault))
    work = _Rounds(learner, fault, owner, answer)
    for number in range(rounds):
        heat = min(1.0, 0.3 + 0.7 * number / (0.6 * rounds))
        soft = work.place(soft, heat)
    sums, sizes = work.counts(soft)
    return np.moveaxis(sums, 0, 2), sizes.T


def _starting_counts(n: int) -> Floats:
    """Uneven shares (Z, n) to begin with, the same every time: logs of a Weyl sequence, a column sums to 1."""
    steps = np.sqrt([2.0, 3.0, 5.0, 7.0])[:Z]
    even = steps[:, None] * np.arange(1, n + 1)[None, :] % 1.0
    shares = -np.log(np.clip(even, 1e-6, 1.0 - 1e-6))
    return shares / shares.sum(axis=0)


class _Rounds:
    """Places every case among the sub-patterns of its fault by what all other cases say.

    Sub-patterns come first in all arrays, since each is worked out by itself over all entries.
    """

    def __init__(self, learner: Learner, fault: Whole, owner: Whole, answer: Whole) -> None:
        self._learner, self._fault, self._owner = learner, fault, owner
        self._starts = learner.answers.starts
        self._place = learner.answers.question_place
        faults, sections = len(learner.section_of), learner.section.shape[1]
        of_entry = fault[owner]
        section = learner.section_of[of_entry]
        question = self._place[answer]
        # Places in flat tables: (answer, fault), (answer, section), (question, fault), (question, section).
        self._cell, self._at_section = answer * faults + of_entry, answer * sections + section
        self._asked, self._asked_section = question * faults + of_entry, question * sections + section
        self._mine = learner.given[answer, of_entry]
        total, k = learner.totals[answer, of_entry], learner.k_fault[answer]
        # Without the case: (C - 1 + k parent) / (T - 1 + k); the other answers of the question grow by `more`.
        left = np.maximum(total - 1.0 + k, 1e-9)
        self._more = (total + k) / left
        self._without = np.maximum(self._more * self._mine - 1.0 / left, 1e-9)
        self._base = np.maximum(learner.section, _LEAST)
        self._section = self._base[answer, section]
        self._member = np.zeros((faults, sections))
        self._member[np.arange(faults), learner.section_of] = 1.0
        self._first = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]]) if len(owner) else owner

    def counts(self, soft: Floats) -> tuple[Floats, Floats]:
        """(Z, answers, K) and (Z, K) as the cases are placed."""
        answers, faults = self._learner.given.shape
        sums = [np.bincount(self._cell, one[self._owner], answers * faults) for one in soft]
        sizes = [np.bincount(self._fault, one, faults) for one in soft]
        shape = (len(soft), answers, faults)
        return np.array(sums, dtype=np.float64).reshape(shape), np.array(sizes, dtype=np.float64)

    def place(self, soft: Floats, heat: float) -> Floats:
        """New soft counts (Z, n)."""
        learner = self._learner
        all_sums, sizes = self.counts(soft)
        logs = self._shares(soft, sizes)
        with_entries = self._owner[self._first]
        for z, (own, sums) in enumerate(zip(soft[:, self._owner], all_sums, strict=True)):
            at_section = sums @ self._member
            section_totals = np.add.reduceat(at_section, self._starts, axis=0)
            totals = np.add.reduceat(sums, self._starts, axis=0)
            lift = (at_section + PULL_SECTION * self._base) / (
                (section_totals + PULL_SECTION)[self._place] * self._base
            )
            whole = np.add.reduceat(learner.given * lift[:, learner.section_of], self._starts, axis=0)
            left_lift = (
                np.maximum(at_section.reshape(-1)[self._at_section] - own, 0.0) / self._section + PULL_SECTION
            ) / (np.maximum(section_totals.reshape(-1)[self._asked_section] - own, 0.0) + PULL_SECTION)
            mine = self._without * left_lift
            others = whole.reshape(-1)[self._asked] - self._mine * lift.reshape(-1)[self._at_section]
            parent = mine / np.maximum(np.maximum(self._more * others, 0.0) + mine, _LEAST)
            chance = (np.maximum(sums.reshape(-1)[self._cell] - own, 0.0) + PULL_FAULT * parent) / (
                np.maximum(totals.reshape(-1)[self._asked] - own, 0.0) + PULL_FAULT
            )
            if len(self._owner):
                logs[z, with_entries] += heat * np.add.reduceat(
                    np.log(np.maximum(chance, _LEAST)), self._first
                )
        logs -= logs.max(axis=0)
        fresh = np.exp(logs)
        return fresh / fresh.sum(axis=0)

    def _shares(self, soft: Floats, sizes: Floats) -> Floats:
        """Log of the share of each sub-pattern among the other cases of the fault, leaning on the section."""
        of_section = (sizes @ self._member)[:, self._learner.section_of[self._fault]] - soft
        of_section = np.maximum(of_section, 0.0)
        general = (of_section + 1.0 / Z) / (of_section.sum(axis=0) + 1.0)
        others = np.maximum(sizes[:, self._fault] - soft, 0.0)
        return np.log((others + general) / (others.sum(axis=0) + 1.0))


def log_mix(logs: Floats, axis: int = -1) -> Floats:
    """log of the sum of exponentials along an axis."""
    top = logs.max(axis=axis, keepdims=True)
    return np.squeeze(top, axis) + np.log(np.exp(logs - top).sum(axis=axis))
