"""What the store would have said about each of its own cases, had it not known that case: exact and fast.

Taking a case out lowers the counts of what it answered by one. Of each answer the faults outside the case's own
section feel only the change at the root, the other faults of its section that of root and section, its own fault
all three: three tables (answers, K) serve all cases. Sub-patterns are learned and not counted, so a case is
judged by those that were learned without its fold.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.back_off import back_off, from_all_boards
from kb.suggest.folds import fold_of
from kb.suggest.ledger import Ledger
from kb.suggest.levels import LEAST, at_root, beside, row_weights
from kb.suggest.opinions import candidates, catalogue_shares
from kb.suggest.patterns import answers_of, fold_tables, log_mix
from kb.suggest.posterior import settle
from kb.suggest.questions import Floats, Layout, Whole, answers_of_cases, counts_of, heard, layout_of
from kb.suggest.reading_values import held_values
from kb.suggest.rows import spread
from kb.suggest.settings import Settings
from kb.suggest.unseen import at_least, firmness, outside_catalogue, singles

_CELLS = 1_000_000  # cases x faults worked on at once


@dataclass(frozen=True, slots=True)
class Chosen:
    """The cases to be scored, N of them, and the K known faults in order of name.

    `truth` (N,) is the place of each case's fault among `faults`, `copies` (N,) how many cases have it,
    those of other shops included where these count at all.
    """

    rows: NDArray[np.int64]
    faults: NDArray[np.int64]
    truth: NDArray[np.int64]
    copies: NDArray[np.int64]

    def parts(self) -> Iterator[Chosen]:
        """The same cases in pieces small enough to be worked on at once."""
        size = max(1, _CELLS // max(1, len(self.faults)))
        for at in range(0, len(self.rows), size):
            piece = slice(at, at + size)
            yield Chosen(self.rows[piece], self.faults, self.truth[piece], self.copies[piece])


def choose_cases(ledger: Ledger, max_cases: int | None = None) -> Chosen:
    """All cases that know their fault, or `max_cases` of them evenly spaced in order of uid."""
    fault_of = ledger.rows.get("fault")
    rows = np.flatnonzero((ledger.rows.get("alive") == 1) & (fault_of >= 0))
    if max_cases is not None and len(rows) > max_cases:
        rows = ledger.rows.uids.ordered(rows)[np.arange(max_cases) * len(rows) // max_cases]
    return chosen_rows(ledger, rows)


def chosen_rows(ledger: Ledger, rows: NDArray[Any]) -> Chosen:
    """The given rows, all of which know their fault, for scoring."""
    names = ledger.faults.values
    faults = np.array(sorted(candidates(ledger).tolist(), key=lambda fault: names[fault]), dtype=np.int64)
    place = np.full(len(names), -1, dtype=np.int64)
    place[faults] = np.arange(len(faults))
    fault_of = ledger.rows.get("fault")[rows]
    return Chosen(rows.astype(np.int64), faults, place[fault_of], ledger.holders()[fault_of])


def held_priors(ledger: Ledger, chosen: Chosen, settings: Settings) -> Floats:
    """P(fault) (N, K) for each case's family and kind without that case; 0 for a fault only it had."""
    rows, faults = chosen.rows, chosen.faults
    own = np.zeros((len(rows), len(faults)))
    own[np.arange(len(rows)), chosen.truth] = 1.0
    counts = ledger.cases_of_fault.view[faults] - own
    kinds = ledger.rows.get("kind")[rows]
    share = from_all_boards(counts, ledger.known - 1.0, _catalogues(ledger, kinds, faults), settings)
    of_kind = ledger.kind_fault.view[:, faults][kinds] - own
    share = back_off(of_kind, of_kind.sum(axis=1, keepdims=True), share, settings.k_kind)
    of_family = _family_rows(ledger, rows, faults) - own
    share = back_off(of_family, of_family.sum(axis=1, keepdims=True), share, settings.k_family)
    if ledger.catalogue:
        least = (1.0 - held_outside(ledger, chosen)) * held_new(ledger, chosen, settings)
        share = at_least(share, counts == 0.0, least)
    return share


def _catalogues(ledger: Ledger, kinds: NDArray[Any], faults: NDArray[Any]) -> Floats | None:
    """The catalogue's shares for each row's kind of board, (N, K); None without a catalogue."""
    if not ledger.catalogue:
        return None
    different, which = np.unique(kinds, return_inverse=True)
    shares = [catalogue_shares(ledger, faults, kind) for kind in different.tolist()]
    return np.array(shares).reshape(len(different), len(faults))[which]


def _family_rows(ledger: Ledger, rows: NDArray[Any], faults: NDArray[Any]) -> Floats:
    """Cases of each fault in each row's family: (N, K)."""
    families, which = np.unique(ledger.rows.get("family")[rows], return_inverse=True)
    table = np.array([ledger.cases_in_family(family)[faults] for family in families.tolist()])
    return table.reshape(len(families), len(faults))[which]


def held_unseen(ledger: Ledger, chosen: Chosen, settings: Settings) -> Floats:
    """Probability (N,) of a fault new to the store, for each case without that case."""
    return held_new(ledger, chosen, settings) * held_outside(ledger, chosen)


def held_outside(ledger: Ledger, chosen: Chosen) -> Floats:
    """Share (N,) of the faults new to the store that the catalogue does not have, for each case without that case."""
    if not ledger.catalogue:
        return np.ones(len(chosen.rows))
    many, outside = singles(ledger)
    unlisted = ~np.isin(ledger.rows.get("fault")[chosen.rows], list(ledger.catalogue))
    change = (chosen.copies == 2).astype(np.float64) - (chosen.copies == 1)
    return outside_catalogue(ledger, many + change, outside + change * unlisted)


def held_new(ledger: Ledger, chosen: Chosen, settings: Settings) -> Floats:
    """Probability (N,) of a fault that no case had, for each case without that case, in the catalogue or not."""
    if ledger.known <= 1:
        return np.ones(len(chosen.rows))
    single, double = chosen.copies == 1, chosen.copies == 2
    others = _other_holders(ledger, chosen)
    seen_once = ledger.cases_with_count[1] - single.astype(np.float64) + others.weight
    share = (seen_once + 0.5) / ledger.known
    levels = (
        ("kind", others.kind, ledger.single_in_kind, ledger.kind_fault.view.sum(axis=1)),
        ("family", others.family, ledger.single_in_family, ledger.family_cases.view),
    )
    for column, theirs, held_singles, cases in levels:
        mine = ledger.rows.get(column)[chosen.rows]
        table = np.array([held_singles[one] for one in range(len(cases))], dtype=np.float64)
        gained = np.where(double & (theirs == mine), others.weight, 0.0)
        share = back_off(table[mine] - single + gained, cases[mine] - 1.0, share, firmness(share, settings))
    return share


@dataclass(frozen=True, slots=True)
class _Others:
    """The other case with the same fault where there are exactly two: weight 0 and -1 elsewhere, all (N,)."""

    weight: Floats
    family: NDArray[np.int64]
    kind: NDArray[np.int64]


def _other_holders(ledger: Ledger, chosen: Chosen) -> _Others:
    cases = len(chosen.rows)
    found = _Others(np.zeros(cases), np.full(cases, -1, np.int64), np.full(cases, -1, np.int64))
    for place in np.flatnonzero(chosen.copies == 2).tolist():
        fault = int(chosen.faults[chosen.truth[place]])
        found.weight[place], found.family[place], found.kind[place] = ledger.other_holder(
            fault, int(chosen.rows[place])
        )
    return found


@dataclass(frozen=True, slots=True)
class Held:
    """What n cases answered, and every answer's logarithm had the case not been counted.

    `answered` (n, A) holds 1 where a case gave an answer; `row` (A,) is the answer's row in the count table;
    `outside`, `inside` and `own` (A, K) are log P(answer | fault) for faults of other sections than the case's
    own, for other faults of its section, and for its own fault; `on_any` (A,) on boards in general. `section_of`
    (K,) numbers the sections, `truth` (n,) are places of faults.
    """

    layout: Layout
    answered: Floats
    row: Whole
    outside: Floats
    inside: Floats
    own: Floats
    on_any: Floats
    section_of: Whole
    truth: Whole

    def sums(self, weight: Floats) -> Floats:
        """Weighted sums of the logs (n, K) for weights (A,) of the answers."""
        weighed = self.answered * weight.astype(self.answered.dtype)
        total = weighed @ self.outside
        near = weighed @ self.inside
        same = self.section_of[None, :] == self.section_of[self.truth][:, None]
        total[same] = near[same]
        lines = np.arange(len(self.truth))
        total[lines, self.truth] = np.einsum("na,an->n", weighed, self.own[:, self.truth])
        return total


def held_out(ledger: Ledger, chosen: Chosen, settings: Settings, dtype: type = np.float64) -> Held:
    """The tables for some cases; `dtype` is that of the large arrays."""
    layout = layout_of(ledger.lines)
    weights = row_weights(settings, layout, ledger.lines)
    many = ledger.rows.get("items")[chosen.rows].astype(np.int64)
    item = ledger.rows.item.view[spread(ledger.rows.get("items_at")[chosen.rows], many)].astype(np.int64)
    owner = np.repeat(np.arange(len(chosen.rows)), many)
    case, row, twin = answers_of_cases(ledger, layout, owner, item, len(chosen.rows))
    speaks = heard(ledger, layout, weights.k_general)[row]
    case, row, twin = case[speaks], row[speaks], twin[speaks]
    most = int(twin.max()) + 1 if len(twin) else 1
    keys, column = np.unique(row * most + twin, return_inverse=True)
    row, twin = keys // most, (keys % most).astype(np.float64)
    answered: NDArray[Any] = np.zeros((len(chosen.rows), len(keys)), dtype=dtype)
    answered[case, column] = 1.0

    counts, totals = counts_of(ledger, layout, chosen.faults)
    counts, totals = counts[row], totals[row]
    k_fault, k_section = weights.k_fault[row][:, None], weights.k_section[row][:, None]
    k_general = weights.k_general[row][:, None]
    opinion = None
    if ledger.opinions is not None:
        opinion = ledger.opinions.table(ledger, layout, chosen.faults)[row]
    root = at_root(counts.sum(axis=1) - 1.0, totals.sum(axis=1) - twin, layout, settings.alpha, row)
    _, where = np.unique(ledger.section_of.view[chosen.faults], return_inverse=True)
    member = np.zeros((len(chosen.faults), int(where.max(initial=-1)) + 1))
    member[np.arange(len(where)), where] = 1.0
    sums, whole = counts @ member, totals @ member
    lost = twin[:, None]

    def given(less: float, own: float) -> Floats:
        """log P(answer | fault) with so many cases less in the section, and in the fault itself."""
        section = back_off(sums - less, whole - less * lost, root[:, None], k_section)[:, where]
        parent = beside(section, (whole - less * lost)[:, where], opinion, k_general)
        chance = back_off(counts - own, totals - own * lost, parent, k_fault)
        return np.log(np.maximum(chance, LEAST)).astype(dtype)

    return Held(
        layout,
        answered,
        row,
        given(0.0, 0.0),
        given(1.0, 0.0),
        given(1.0, 1.0),
        np.log(np.maximum(root, LEAST)),
        where,
        chosen.truth,
    )


def held_patterns(
    ledger: Ledger, chosen: Chosen, held: Held, settings: Settings
) -> tuple[Floats, Floats] | None:
    """Log likelihoods of the cases under the sub-patterns learned without their folds: (n, K), and (n,) on boards
    in general, not weighed; None where there are no sub-patterns."""
    fitted = settings.fitted
    if fitted is None or fitted.patterns is None:
        return None
    answers = answers_of(held.layout, fitted.patterns.kinds)
    place = answers.of_row[held.row]
    part = np.flatnonzero(place >= 0)
    # Rows with two names for one answer fall together, and a rail noted twice counts once.
    given = np.zeros((len(chosen.rows), len(answers.row)))
    cases, columns = np.nonzero(held.answered[:, part])
    given[cases, place[part[columns]]] = 1.0
    on_any = held.answered[:, part] @ held.on_any[part]
    names = [ledger.faults.values[fault] for fault in chosen.faults.tolist()]
    folds = np.array(
        [fold_of(uid, len(fitted.patterns.folds)) for uid in ledger.rows.uids.of(chosen.rows)], dtype=np.int64
    )
    found = np.empty((len(chosen.rows), len(names)))
    for number, (logs, mixing) in enumerate(fold_tables(fitted, ledger.lines, held.layout, names)):
        mine = np.flatnonzero(folds == number)
        if len(mine):
            flat = given[mine] @ logs.reshape(len(answers.row), -1)
            found[mine] = log_mix(flat.reshape(len(mine), len(names), -1) + mixing[None])
    return found, on_any


@dataclass(frozen=True, slots=True)
class Forecast:
    """What was said of N held-out cases: (N, K) probabilities and (N,) for an unknown fault.

    `truth` (N,) is the place of the fault, -1 where neither another case nor the catalogue has it: then unknown
    was right.
    """

    probability: Floats
    unseen: Floats
    truth: NDArray[np.int64]


def forecasts(ledger: Ledger, chosen: Chosen, settings: Settings, *, evidence: bool = True) -> Forecast:
    """The exact leave-one-out forecasts; without evidence the prior of family and kind alone.

    A record that was closed is complete: silence counts in full.
    """
    prior = held_priors(ledger, chosen, settings)
    unseen = held_unseen(ledger, chosen, settings)
    log_known, log_any = np.zeros(prior.shape), np.zeros(len(prior))
    if evidence:
        held = held_out(ledger, chosen, settings)
        weight = row_weights(settings, held.layout, ledger.lines).exponent[held.row]
        log_known, log_any = held.sums(weight), held.answered @ (weight * held.on_any)
        if settings.value_exponent > 0.0:
            values = held_values(ledger, chosen.rows, chosen.faults, chosen.truth)
            log_known = log_known + settings.value_exponent * (0.0 if values is None else values)
        patterns = held_patterns(ledger, chosen, held, settings)
        if patterns is not None and settings.fitted is not None:
            log_known = log_known + settings.fitted.pattern_weight * patterns[0]
            log_any = log_any + settings.fitted.pattern_weight * patterns[1]
    with np.errstate(divide="ignore"):
        weights = np.log(prior) + log_known
    probability, new = settle(weights, log_any, unseen, prior, settings.unseen_evidence)
    return Forecast(probability, new, np.where(is_new(ledger, chosen), -1, chosen.truth))


def is_new(ledger: Ledger, chosen: Chosen) -> NDArray[np.bool_]:
    """Which cases (N,) have a fault that without them nobody knows: no other case, and not the catalogue."""
    listed = np.isin(chosen.faults[chosen.truth], list(ledger.catalogue)) if ledger.catalogue else False
    found: NDArray[np.bool_] = (chosen.copies == 1) & ~np.asarray(listed)
    return found
