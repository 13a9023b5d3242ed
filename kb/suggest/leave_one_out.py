"""What the store would have said about each of its own cases, had it not known that case: exact and fast.

Taking a case out lowers a few counts by one. Per item of evidence the faults outside the case's own
section feel only the change at the top of the back-off, so one table serves all cases; the faults of its
own section are worked out for each distinct pair of item and fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.back_off import (
    Floats,
    back_off,
    by_mention,
    counts_of_items,
    firm_faults,
    section_matrix,
    weights_of_items,
)
from kb.suggest.ledger import Ledger
from kb.suggest.posterior import settle
from kb.suggest.rows import spread
from kb.suggest.settings import Settings
from kb.suggest.unseen import firmness

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
    faults = np.array(sorted(ledger.known_faults().tolist(), key=lambda fault: names[fault]), dtype=np.int64)
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
    firm = firm_faults(counts)
    whole = firm.sum(axis=1, keepdims=True)
    even = firm / np.where(whole > 0.0, whole, 1.0)
    share = back_off(counts, ledger.known - 1.0, even, settings.alpha_fault * whole)
    kinds = ledger.rows.get("kind")[rows]
    of_kind = ledger.kind_fault.view[:, faults][kinds] - own
    share = back_off(of_kind, of_kind.sum(axis=1, keepdims=True), share, settings.k_kind)
    of_family = _family_rows(ledger, rows, faults) - own
    return back_off(of_family, of_family.sum(axis=1, keepdims=True), share, settings.k_family)


def _family_rows(ledger: Ledger, rows: NDArray[Any], faults: NDArray[Any]) -> Floats:
    """Cases of each fault in each row's family: (N, K)."""
    families, which = np.unique(ledger.rows.get("family")[rows], return_inverse=True)
    table = np.array([ledger.cases_in_family(family)[faults] for family in families.tolist()])
    return table.reshape(len(families), len(faults))[which]


def held_unseen(ledger: Ledger, chosen: Chosen, settings: Settings) -> Floats:
    """Probability (N,) of a fault new to the store, for each case without that case."""
    if ledger.known <= 1:
        return np.ones(len(chosen.rows))
    single, double = chosen.copies == 1, chosen.copies == 2
    others = _other_holders(ledger, chosen)
    singles = ledger.cases_with_count[1] - single.astype(np.float64) + others.weight
    share = (singles + 0.5) / ledger.known
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
class _Entries:
    """Every item noted in the chosen cases, T in all: `case` (T,) counts from 0, in order.

    `item` (T,) is a ledger number, `twin` (T,) how many items the case noted of the same feature.
    """

    case: NDArray[np.int64]
    item: NDArray[np.int64]
    twin: NDArray[np.int64]


def _entries(ledger: Ledger, chosen: Chosen, settings: Settings) -> _Entries:
    many = ledger.rows.get("items")[chosen.rows].astype(np.int64)
    item = ledger.rows.item.view[spread(ledger.rows.get("items_at")[chosen.rows], many)].astype(np.int64)
    case = np.repeat(np.arange(len(chosen.rows)), many)
    feature = ledger.lines.feature_of.view[item]
    _, which, twins = np.unique(
        case * (len(ledger.lines.features) + 1) + feature, return_inverse=True, return_counts=True
    )
    # Without the case, all cases of its fault are one fewer, however often it noted the feature.
    return _Entries(case, item, np.where(by_mention(ledger, item, settings), 1, twins[which]))


def held_likelihoods(ledger: Ledger, chosen: Chosen, settings: Settings) -> tuple[Floats, Floats]:
    """Log likelihood of each case's evidence without that case, not tempered.

    Returns (N, K) given each fault, and (N,) on boards in general.
    """
    cases, faults = len(chosen.rows), chosen.faults
    entries = _entries(ledger, chosen, settings)
    log_known, log_any = np.zeros((cases, len(faults))), np.zeros(cases)
    if not len(entries.item):
        return log_known, log_any
    keys, of_entry = np.unique(np.stack([entries.item, entries.twin]), axis=1, return_inverse=True)
    of_entry = of_entry.reshape(-1)
    tables = _tables(ledger, faults, keys[0], keys[1], settings)
    with np.errstate(divide="ignore"):
        outside = np.log(back_off(tables.counts, tables.totals, tables.sections_left, tables.weight[:, None]))
        at_root = np.log(tables.at_root)
    noted, starts = np.unique(entries.case, return_index=True)
    _add_runs(log_known, outside, of_entry, noted, starts)
    log_any[noted] = np.add.reduceat(at_root[of_entry], starts)
    _own_section(ledger, chosen, entries, of_entry, tables, settings, log_known)
    return log_known, log_any


def _add_runs(
    target: Floats, table: Floats, of_entry: NDArray[Any], noted: NDArray[Any], starts: NDArray[Any]
) -> None:
    """target[case] = sum of the table's lines of the case's entries, some cases at a time."""
    ends = np.append(starts[1:], len(of_entry))
    for at in range(0, len(noted), 512):
        piece = slice(at, at + 512)
        first = starts[at]
        lines = table[of_entry[first : ends[piece][-1]]]
        target[noted[piece]] = np.add.reduceat(lines, starts[piece] - first, axis=0)


@dataclass(frozen=True, slots=True)
class _Tables:
    """For Q distinct items, each lowered by one case at the top: see `held_likelihoods`."""

    counts: Floats  # (Q, K) cases with the item, by fault
    totals: Floats  # (Q, K) notings of its feature
    section_counts: Floats  # (Q, S)
    section_totals: Floats
    at_root: Floats  # (Q,) P(item), one case less
    sections_left: Floats  # (Q, K) P(item | section of the fault), one case less at the top only
    weight: Floats  # (Q,)


def _tables(
    ledger: Ledger, faults: NDArray[Any], items: NDArray[Any], twins: NDArray[Any], settings: Settings
) -> _Tables:
    counts, totals = counts_of_items(ledger, faults, items, settings)
    levels, weight = weights_of_items(ledger, items, settings)
    at_root = back_off(
        counts.sum(axis=1) - 1.0, totals.sum(axis=1) - twins, 1.0 / levels, settings.alpha * levels
    )
    sections = section_matrix(ledger, faults)
    section_counts, section_totals = counts @ sections, totals @ sections
    in_section = back_off(section_counts, section_totals, at_root[:, None], settings.k_section)
    left = in_section[:, ledger.section_of.view[faults]]
    return _Tables(counts, totals, section_counts, section_totals, at_root, left, weight)


def _own_section(
    ledger: Ledger,
    chosen: Chosen,
    entries: _Entries,
    of_entry: NDArray[Any],
    tables: _Tables,
    settings: Settings,
    log_known: Floats,
) -> None:
    """Replace the sums for faults of each case's own section, where the case's own counts are missing."""
    sections = ledger.section_of.view[chosen.faults]
    by_section = np.argsort(sections, kind="stable")
    size = np.bincount(sections, minlength=len(ledger.sections))
    start = np.cumsum(size) - size
    section_of_case = sections[chosen.truth]
    many = size[section_of_case]
    own_case = np.repeat(np.arange(len(chosen.rows)), many)
    log_known[own_case, by_section[spread(start[section_of_case], many)]] = 0.0

    pairs, of_pair = np.unique(np.stack([of_entry, chosen.truth[entries.case]]), axis=1, return_inverse=True)
    of_pair = of_pair.reshape(-1)
    key, truth = pairs
    _, first_entry = np.unique(of_pair, return_index=True)
    twin = entries.twin[first_entry].astype(np.float64)
    section = sections[truth]
    parent = back_off(
        tables.section_counts[key, section] - 1.0,
        tables.section_totals[key, section] - twin,
        tables.at_root[key],
        settings.k_section,
    )
    pair_size = size[section]
    pair_start = np.cumsum(pair_size) - pair_size
    of_cell = np.repeat(np.arange(len(key)), pair_size)
    fault = by_section[spread(start[section], pair_size)]
    mine = fault == truth[of_cell]
    given = back_off(
        tables.counts[key[of_cell], fault] - mine,
        tables.totals[key[of_cell], fault] - mine * twin[of_cell],
        parent[of_cell],
        tables.weight[key[of_cell]],
    )
    with np.errstate(divide="ignore"):
        logs = np.log(given)
    entry_size = pair_size[of_pair]
    cells = spread(pair_start[of_pair], entry_size)
    np.add.at(log_known, (np.repeat(entries.case, entry_size), fault[cells]), logs[cells])


@dataclass(frozen=True, slots=True)
class Forecast:
    """What was said of N held-out cases: (N, K) probabilities and (N,) for an unknown fault.

    `truth` (N,) is the place of the fault, -1 where no other case has it: then unknown was right.
    """

    probability: Floats
    unseen: Floats
    truth: NDArray[np.int64]


def forecasts(ledger: Ledger, chosen: Chosen, settings: Settings, *, evidence: bool = True) -> Forecast:
    """The exact leave-one-out forecasts; without evidence the prior of family and kind alone."""
    prior = held_priors(ledger, chosen, settings)
    unseen = held_unseen(ledger, chosen, settings)
    if evidence:
        log_known, log_any = held_likelihoods(ledger, chosen, settings)
    else:
        log_known, log_any = np.zeros(prior.shape), np.zeros(len(prior))
    return tempered(prior, unseen, log_known, log_any, chosen, settings)


def tempered(
    prior: Floats, unseen: Floats, log_known: Floats, log_any: Floats, chosen: Chosen, settings: Settings
) -> Forecast:
    """Forecasts from the pieces, so that a search over settings need not work out all of them again."""
    with np.errstate(divide="ignore"):
        weights = np.log(prior) + settings.strength * log_known
    probability, new = settle(weights, settings.strength * log_any, unseen, prior, settings.unseen_evidence)
    return Forecast(probability, new, np.where(chosen.copies == 1, -1, chosen.truth))
