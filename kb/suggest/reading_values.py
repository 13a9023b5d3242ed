"""What the value of a reading says beyond its condition: two faults may leave a rail low, each at its own level.

Within a condition a value lies around what the fault's cases showed, as Student's t: the predictive distribution
of a normal one whose mean and variance are learned (A. Gelman et al., Bayesian Data Analysis, 3rd edition 2013,
section 3.3, from memory). Faults lean on their section and sections on all boards, as firmly as the values
differ between faults and within them. Values are shares of the nominal voltage, taken from what the rail of that
family normally reads in that state, so that a family whose rail is always a little high says nothing by it.

Lines are log ratios against boards in general, so that a value that nothing is known of says nothing. How far
they count is an exponent of its own, 0 until leave-one-out finds that they help. The shop's own cases alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.rows import NO_VALUE, VALUE_STEPS, spread

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

RIGHT = "in tolerance"
_USUAL_SPREAD = {
    RIGHT: 0.02,
    "low": 0.15,
    "high": 0.15,
}  # share of nominal; common practice, no published source
_FAMILY_CASES = 4.0  # readings by which a family's normal value leans on the nominal one
_FREEDOM = 5.0  # readings by which a fault's variance leans on that of all faults
_SPREAD_CASES = 4.0  # readings by which that leans on the usual spread
_USUAL_FIRMNESS, _FIRMNESS_FAULTS = 10.0, 3.0  # of a fault's mean, and the faults' worth it is held by
_FIRMEST = 500.0
_CELLS = 500_000  # entries x faults worked on at once


@dataclass(slots=True)
class Values:
    """Sums of deviations from the normal value, for V items and K faults: all (V, K).

    `place` (items,) leads from an item to its line, -1 where nothing was read, and `right` (items,) says which items
    are a rail in its window; `read` and `normal` (families, features) are how often a rail was read when right, and
    what it then reads less the nominal voltage; `usual` (V,) is the spread of a line's condition; `now` the reading
    of the ledger's marks.
    """

    faults: NDArray[Any]
    section_of: Whole
    place: Whole
    right: NDArray[np.bool_]
    read: Floats
    normal: Floats
    usual: Floats
    count: Floats
    total: Floats
    square: Floats
    now: int

    def normal_of(self, family: Whole, feature: Whole) -> Floats:
        """Normal deviations (n,) for families and features (n,), 0 where nothing is known of one."""
        families, features = self.normal.shape
        there = (family >= 0) & (family < families) & (feature < features)
        found: Floats = np.where(
            there, self.normal[np.where(there, family, 0), np.where(there, feature, 0)], 0.0
        )
        return found


@dataclass(frozen=True, slots=True)
class Spread:
    """How values of some lines (V,) lie on boards in general: variance within faults, and the cases by which a
    fault's mean leans on its section's."""

    within: Floats
    firmness: Floats


def values_of(ledger: Ledger, faults: NDArray[Any], kept: Values | None) -> Values:
    """The sums for these faults; kept ones are brought up to date by the cases that came or went since."""
    size = ledger.lines.item_count
    if kept is None or len(kept.place) != size or not np.array_equal(kept.faults, faults):
        return _built(ledger, faults)
    if kept.now == ledger.marks.now:
        return kept
    changes = ledger.marks.since(kept.now)
    if changes is None:
        return _built(ledger, faults)
    for sign in (1, -1):
        rows = [row for token, row, step in changes if token is ledger.token and step == sign]
        found = _read(ledger, np.array(rows, dtype=np.int64))
        if (kept.place[found.item] < 0).any():
            return _built(ledger, faults)
        column, away = _columns(kept, found, ledger), _deviations(kept, found, ledger)
        cell = kept.place[found.item], column
        np.add.at(kept.count, cell, sign)
        np.add.at(kept.total, cell, sign * away)
        np.add.at(kept.square, cell, sign * away**2)
    kept.now = ledger.marks.now
    return kept


@dataclass(frozen=True, slots=True)
class _Read:
    """Values that were read: row, item, fault number and share of nominal less 1, each (E,)."""

    row: Whole
    item: Whole
    fault: Whole
    share: Floats


def _read(ledger: Ledger, rows: NDArray[Any] | None = None) -> _Read:
    """Of some rows, or of all cases that know their fault."""
    held = ledger.rows
    fault = held.get("fault")
    if rows is None:
        rows = ledger.counted_rows()
    many = held.get("items")[rows]
    places = spread(held.get("items_at")[rows], many)
    owner = np.repeat(rows, many)
    steps = held.value.view[places]
    there = steps != NO_VALUE
    owner = owner[there]
    return _Read(
        owner.astype(np.int64),
        held.item.view[places[there]].astype(np.int64),
        fault[owner].astype(np.int64),
        steps[there] / VALUE_STEPS - 1.0,
    )


def _built(ledger: Ledger, faults: NDArray[Any]) -> Values:
    found = _read(ledger)
    lines, size = ledger.lines, ledger.lines.item_count
    items = np.unique(found.item)
    place = np.full(size, -1, dtype=np.int64)
    place[items] = np.arange(len(items))
    condition = [_condition(ledger, item) for item in items.tolist()]
    right = np.zeros(size, dtype=bool)
    right[items] = [one == RIGHT for one in condition]
    shape = (len(ledger.families), len(lines.features))
    mine = right[found.item]
    family = ledger.rows.get("family")[found.row[mine]].astype(np.int64)
    cell = family * shape[1] + lines.feature_of.view[found.item[mine]]
    read = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float64)
    total = np.bincount(cell, found.share[mine], shape[0] * shape[1]).reshape(shape)
    nothing = np.zeros((len(items), len(faults)))
    values = Values(
        np.asarray(faults),
        np.unique(ledger.section_of.view[faults], return_inverse=True)[1],
        place,
        right,
        read,
        total / (read + _FAMILY_CASES),
        np.array([_USUAL_SPREAD[one] for one in condition]),
        nothing,
        nothing,
        nothing,
        ledger.marks.now,
    )
    values.count, values.total, values.square = _sums(values, found, ledger)
    return values


def _condition(ledger: Ledger, item: int) -> str:
    lines = ledger.lines
    return lines.conditions[item - int(lines.first_item.view[lines.feature_of.view[item]])]


def _sums(values: Values, found: _Read, ledger: Ledger) -> tuple[Floats, Floats, Floats]:
    away = _deviations(values, found, ledger)
    shape = (len(values.usual), len(values.faults))
    cell = values.place[found.item] * shape[1] + _columns(values, found, ledger)
    size = shape[0] * shape[1]
    return (
        np.bincount(cell, minlength=size).reshape(shape).astype(np.float64),
        np.bincount(cell, away, size).reshape(shape).astype(np.float64),
        np.bincount(cell, away**2, size).reshape(shape).astype(np.float64),
    )


def _columns(values: Values, found: _Read, ledger: Ledger) -> Whole:
    """Places (E,) of the faults."""
    column = np.full(len(ledger.faults), -1, dtype=np.int64)
    column[values.faults] = np.arange(len(values.faults))
    return column[found.fault]


def _deviations(values: Values, found: _Read, ledger: Ledger) -> Floats:
    family = ledger.rows.get("family")[found.row].astype(np.int64)
    return found.share - values.normal_of(family, ledger.lines.feature_of.view[found.item])


def _spread_of(count: Floats, total: Floats, square: Floats, usual: Floats) -> Spread:
    """From sums (V, K): an analysis of variance between and within faults, leaning on what is usual."""
    many, seen = count.sum(axis=1), (count > 0).sum(axis=1)
    means = total / np.maximum(count, 1.0)
    inside = np.maximum((square - total * means).sum(axis=1), 0.0)
    left = np.maximum(many - seen, 0.0)
    within = (inside + _SPREAD_CASES * usual**2) / (left + _SPREAD_CASES)
    mean = total.sum(axis=1) / np.maximum(many, 1.0)
    between = (count * (means - mean[:, None]) ** 2).sum(axis=1)
    alike = np.maximum(many - (count**2).sum(axis=1) / np.maximum(many, 1.0), 1.0)
    groups = np.maximum(seen - 1.0, 0.0)
    variance = np.maximum(between - groups * within, 0.0) / alike
    held = (groups * variance + _FIRMNESS_FAULTS * within / _USUAL_FIRMNESS) / (groups + _FIRMNESS_FAULTS)
    return Spread(within, np.minimum(within / np.maximum(held, 1e-12), _FIRMEST))


def _log_t(away: Floats, freedom: Floats, scale: Floats) -> Floats:
    """Log density of Student's t without the terms of `freedom` alone; `scale` is squared."""
    log: Floats = -0.5 * np.log(scale) - 0.5 * (freedom + 1.0) * np.log1p(away**2 / (freedom * scale))
    return log


_LOG_GAMMA = np.array(
    [0.0, *(math.lgamma(0.5 * (n + 1)) - math.lgamma(0.5 * n) - 0.5 * math.log(n) for n in range(1, 400))]
)


def _log_shape(freedom: Floats) -> Floats:
    """Those terms, of whole numbers of degrees of freedom; from 400 on those of the normal distribution."""
    whole = np.rint(freedom).astype(np.int64)
    return np.where(
        whole < len(_LOG_GAMMA), _LOG_GAMMA[np.minimum(whole, len(_LOG_GAMMA) - 1)], -0.5 * math.log(2.0)
    )


def _log_ratios(
    away: Floats,
    sums: tuple[Floats, Floats, Floats],
    section: tuple[Floats, Floats],
    root: tuple[Floats, Floats],
    spread_of: Spread,
) -> Floats:
    """log t(away | fault) - log t(away | boards in general) (E, K) for values (E,).

    `sums` (E, K) are those of each fault, `section` (E, K) count and total of its section, `root` (E,) of all.
    """
    count, total, square = sums
    k, within = spread_of.firmness[:, None], spread_of.within[:, None]
    mean = (root[1] / (root[0] + 1.0))[:, None]
    parent = (section[1] + k * mean) / (section[0] + k)
    own = total / np.maximum(count, 1.0)
    inside = np.maximum(square - total * own, 0.0) + k * count / (k + count) * (own - parent) ** 2
    freedom = _FREEDOM + count
    scale = (_FREEDOM * within + inside) / freedom * (1.0 + 1.0 / (k + count))
    middle = (k * parent + total) / (k + count)
    mine = _log_t(away[:, None] - middle, freedom, scale) + _log_shape(freedom)
    wide = within * (1.0 + 2.0 / k)
    free = np.full_like(wide, _FREEDOM)
    in_general = _log_t(away[:, None] - mean, free, wide) + _log_shape(free)
    return mine - in_general


def value_lines(values: Values, family: int, read: Sequence[tuple[int, int, float]]) -> Floats:
    """Log ratios (n, K) of values read, each (feature, item, share of the nominal voltage); 0 where no case has a
    value in that condition."""
    answer = np.zeros((len(read), len(values.faults)))
    feature, item = (np.array([one[place] for one in read], dtype=np.int64) for place in (0, 1))
    line = np.where(item < len(values.place), values.place[np.minimum(item, len(values.place) - 1)], -1)
    known = np.flatnonzero(line >= 0)
    if not len(known):
        return answer
    away = np.array([read[place][2] for place in known.tolist()]) - 1.0
    away -= values.normal_of(np.full(len(known), family), feature[known])
    line = line[known]
    count, total, square = values.count[line], values.total[line], values.square[line]
    member = _member(values.section_of)
    section = (count @ member)[:, values.section_of], (total @ member)[:, values.section_of]
    root = count.sum(axis=1), total.sum(axis=1)
    spread_of = _spread_of(count, total, square, values.usual[line])
    answer[known] = _log_ratios(away, (count, total, square), section, root, spread_of)
    return answer


def _member(section_of: Whole) -> Floats:
    member = np.zeros((len(section_of), int(section_of.max(initial=-1)) + 1))
    member[np.arange(len(section_of)), section_of] = 1.0
    return member


def held_values(ledger: Ledger, rows: NDArray[Any], faults: NDArray[Any], truth: Whole) -> Floats | None:
    """Sums (N, K) of the log ratios of all values of some cases, each without its own; None where there are none.

    `truth` (N,) are the cases' places among the faults. What a value does to the spread of all is left in.
    """
    values = _built(ledger, faults)
    found = _read(ledger, rows=rows)
    if not len(found.row):
        return None
    place = np.zeros(int(rows.max()) + 1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    case = place[found.row]
    away = _deviations_without(values, found, ledger)
    counted = _deviations(values, found, ledger)
    spread_of = _spread_of(values.count, values.total, values.square, values.usual)
    member = _member(values.section_of)
    at_section = values.count @ member, values.total @ member
    at_root = values.count.sum(axis=1), values.total.sum(axis=1)
    answer = np.zeros((len(rows), len(faults)))
    size = max(1, _CELLS // max(1, len(faults)))
    for at in range(0, len(case), size):
        piece = slice(at, at + size)
        line, owner, was = values.place[found.item[piece]], case[piece], counted[piece]
        own = truth[owner]
        lines = np.arange(len(line))
        sums = [table[line] for table in (values.count, values.total, values.square)]
        for table, less in zip(sums, (np.ones(len(was)), was, was**2), strict=True):
            table[lines, own] -= less
        sections = [table[line] for table in at_section]
        for table, less in zip(sections, (np.ones(len(was)), was), strict=True):
            table[lines, values.section_of[own]] -= less
        logs = _log_ratios(
            away[piece],
            (sums[0], sums[1], sums[2]),
            (sections[0][:, values.section_of], sections[1][:, values.section_of]),
            (at_root[0][line] - 1.0, at_root[1][line] - was),
            Spread(spread_of.within[line], spread_of.firmness[line]),
        )
        np.add.at(answer, owner, logs)
    return answer


def _deviations_without(values: Values, found: _Read, ledger: Ledger) -> Floats:
    """Deviations (E,) from a family's normal value had each reading not been counted for it."""
    feature = ledger.lines.feature_of.view[found.item]
    family = ledger.rows.get("family")[found.row].astype(np.int64)
    normal, many = values.normal[family, feature], values.read[family, feature]
    less = (normal * (many + _FAMILY_CASES) - found.share) / np.maximum(many - 1.0 + _FAMILY_CASES, 1.0)
    return found.share - np.where(values.right[found.item], less, normal)
