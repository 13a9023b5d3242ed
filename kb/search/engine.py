"""Scores every case that answers a plan, over all segments as if they were one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.search.analysis import Analysis
from kb.search.bm25 import idf, length_norms, saturated
from kb.search.document import FACETS, CaseDocument, Filters
from kb.search.prepare import LONGEST_TERM, MANY_POSITIONS, ZONE_WEIGHTS, zone_texts
from kb.search.query import WEAK, Group, Plan
from kb.search.segment import Floats, Ints, Mask, Segment

PROOF_FACTORS = np.array((1.0, 1.06, 1.08), np.float32)  # by `Segment.proof`
_FULL_ANSWER = 0.6  # share of the score that depends on how much of the query a case answers
_FAMILY_FIRST_FROM = 0.5  # share of the query that a case of the preferred family must answer to go first
_LEAST_ANSWER = 0.12  # of what the best case answers: one that holds only "no" or "on" is no answer
_PART_VALUES = 1_000


@dataclass(frozen=True)
class State:
    """Everything a search reads, never changed: a save makes a new one and swaps it in."""

    segments: tuple[Segment, ...]
    alive: tuple[Mask, ...]

    @cached_property
    def count(self) -> int:
        """Live cases."""
        return int(sum(np.count_nonzero(alive) for alive in self.alive))

    @cached_property
    def _whole(self) -> tuple[bool, ...]:
        return tuple(bool(alive.all()) for alive in self.alive)

    @cached_property
    def mean_length(self) -> float:
        """Mean length of the live cases."""
        pairs = zip(self.segments, self.alive, strict=True)
        total = sum(float(segment.lengths[alive].sum(dtype=np.float64)) for segment, alive in pairs)
        return total / self.count if self.count else 0.0

    @cached_property
    def norms(self) -> tuple[Floats, ...]:
        """The BM25 length norm of each slot, one array a segment."""
        return tuple(length_norms(segment.lengths, self.mean_length) for segment in self.segments)

    @cached_property
    def offsets(self) -> tuple[int, ...]:
        """Where each segment starts in arrays over all slots, and their end."""
        return tuple(np.cumsum([0, *(segment.size for segment in self.segments)]).tolist())

    @cached_property
    def order(self) -> NDArray[np.float64]:
        """`Segment.order` of all slots."""
        return np.concatenate([segment.order for segment in self.segments]) if self.segments else np.zeros(0)

    def holding(self, term: str) -> int:
        """How many live cases hold `term`."""
        total = 0
        for segment, alive, whole in zip(self.segments, self.alive, self._whole, strict=True):
            start, end = segment.span(term)
            if start < end:
                total += end - start if whole else int(np.count_nonzero(alive[segment.ids[start:end]]))
        return total

    def locate(self, slot: int) -> tuple[Segment, int]:
        """The segment and its own slot for a slot over all."""
        at = int(np.searchsorted(self.offsets, slot, side="right")) - 1
        return self.segments[at], slot - self.offsets[at]

    def document(self, slot: int) -> CaseDocument:
        """The case in a slot over all."""
        segment, own = self.locate(slot)
        return segment.document(own)

    def document_of(self, uid: str) -> CaseDocument | None:
        """The live case with this uid, None where there is none."""
        for segment, alive in zip(self.segments, self.alive, strict=True):
            slot = segment.slot(uid)
            if slot is not None and alive[slot]:
                return segment.document(slot)
        return None


@dataclass(frozen=True, slots=True)
class Matches:
    """All cases that answer a plan, over all slots: `scores`, `key` and then `order` (higher first), `matched`."""

    scores: Floats
    key: NDArray[np.float64]
    matched: Mask
    order: NDArray[np.float64]

    def top(self, limit: int, offset: int) -> list[int]:
        """The slots of one page. Equal cases keep one order, see `Segment`."""
        slots = np.flatnonzero(self.matched)[::-1]
        wanted = min(limit + offset, len(slots))
        if wanted <= offset:
            return []
        keys, order = self.key[slots], self.order[slots]
        if wanted < len(slots):
            bound = _nth(keys, wanted)
            above, level = np.flatnonzero(keys > bound), np.flatnonzero(keys == bound)
            level = level[order[level] >= _nth(order[level], wanted - len(above))]
            near = np.sort(np.concatenate((above, level)))
            slots, keys, order = slots[near], keys[near], order[near]
        best = np.lexsort((-order, -keys))
        page: list[int] = slots[best][offset:wanted].tolist()
        return page


def _nth(values: Any, place: int) -> Any:
    """The value that has `place` - 1 others at or above it."""
    return np.partition(values, len(values) - place)[len(values) - place]


def find(
    state: State, plan: Plan, filters: Filters, analysis: Analysis, prefer_family: str | None
) -> Matches:
    """Every live case that answers `plan` within `filters`."""
    size = state.offsets[-1]
    scores, answered, asked = score_groups(state, plan.groups)
    alive = np.concatenate(state.alive) if state.alive else np.zeros(0, bool)
    if plan.groups:
        most = float(answered[alive].max(initial=0.0))
        matched = (answered >= np.float32(max(_LEAST_ANSWER * most, 1e-9))) & alive
        matched &= _holding_more_than_weak(state, plan.groups)
    elif plan.is_empty or plan.excluded:
        matched = alive.copy()
    else:
        matched = np.zeros(size, bool)
    for terms in plan.phrases:
        if not matched.any():
            break
        matched &= holding_phrase(state, terms, analysis)
    for terms in plan.excluded:
        matched &= ~holding_phrase(state, terms, analysis)
    for name, value in filters.chosen():
        matched &= _holding_value(state, name, value)
    if asked:
        answered /= np.float32(asked)
        scores *= np.float32(1.0 - _FULL_ANSWER) + np.float32(_FULL_ANSWER) * answered
    for segment, offset in zip(state.segments, state.offsets, strict=False):
        scores[offset : offset + segment.size] *= PROOF_FACTORS[segment.proof]
    # Without words all score alike and their order alone counts.
    key = scores.astype(np.float64) if plan.groups else np.zeros(size)
    if prefer_family:
        first = _holding_value(state, "family", prefer_family) & (answered >= _FAMILY_FIRST_FROM)
        key[first] += 1e6
    return Matches(scores, key, matched, state.order)


def score_groups(state: State, groups: Iterable[Group]) -> tuple[Floats, Floats, float]:
    """BM25 of every slot (dead ones too), how much of the groups' worth it answers, and the worth in all."""
    scores = np.zeros(state.offsets[-1], np.float32)
    answered = np.zeros(state.offsets[-1], np.float32)
    asked = 0.0
    for group in groups:
        asked += _add_group(state, group, scores, answered)
    return scores, answered, asked


def _add_group(state: State, group: Group, scores: Floats, answered: Floats) -> float:
    """Add the group's BM25 to `scores` and its worth to `answered` where held; the worth is returned.

    The worth is the idf of the rarest way to answer it, so that a rare name asked for and not held costs.
    """
    held: list[tuple[int, Ints]] = []
    worth = 0.0
    for term, factor in group.terms:
        holding = state.holding(term)
        if not holding:
            continue
        weight = idf(state.count, holding) * factor
        worth = max(worth, weight)
        for segment, norms, offset in zip(state.segments, state.norms, state.offsets, strict=False):
            ids, weights = segment.postings(term)
            if len(ids):
                part = scores[offset : offset + segment.size]
                part[ids] += np.float32(weight) * saturated(weights, norms[ids])
                held.append((offset, ids))
    if not held:
        own = group.terms[0][1] if group.terms else 0.0
        return idf(max(state.count, 1), 0) * own
    if len(group.terms) == 1:
        for offset, ids in held:
            answered[offset:][ids] += np.float32(worth)
        return worth
    any_held = np.zeros(len(answered), bool)
    for offset, ids in held:
        any_held[offset:][ids] = True
    answered += any_held * np.float32(worth)
    return worth


def _holding_more_than_weak(state: State, groups: Iterable[Group]) -> Mask:
    """Which slots hold more of `groups` than words such as "no" and "on"; all where nothing else is asked."""
    terms = [term for group in groups for term, _ in group.terms]
    telling = [term for term in terms if term not in WEAK]
    mask = np.full(state.offsets[-1], not telling or len(telling) == len(terms))
    if len(telling) < len(terms):
        for segment, offset in zip(state.segments, state.offsets, strict=False):
            for term in telling:
                mask[offset + segment.postings(term)[0]] = True
    return mask


def _holding_value(state: State, facet: str, value: str) -> Mask:
    mask = np.zeros(state.offsets[-1], bool)
    for segment, offset in zip(state.segments, state.offsets, strict=False):
        mask[offset + segment.facets[facet].slots(value)] = True
    return mask


def holding_all(state: State, terms: Iterable[str]) -> Mask:
    """Which slots hold every one of `terms`, wherever."""
    wanted = [term[:LONGEST_TERM] for term in terms]
    mask = np.zeros(state.offsets[-1], bool)
    for segment, offset in zip(state.segments, state.offsets, strict=False):
        held = np.ones(segment.size, bool)
        for term in wanted:
            here = np.zeros(segment.size, bool)
            here[segment.postings(term)[0]] = True
            held &= here
        mask[offset : offset + segment.size] = held
    return mask


def holding_phrase(state: State, terms: Sequence[str], analysis: Analysis) -> Mask:
    """Which slots hold `terms` next to each other in this order."""
    mask = np.zeros(state.offsets[-1], bool)
    for segment, offset in zip(state.segments, state.offsets, strict=False):
        if all(len(segment.postings(term)[0]) for term in terms):
            mask[offset + _phrase_slots(segment, terms, analysis)] = True
    return mask


def _phrase_slots(segment: Segment, terms: Sequence[str], analysis: Analysis) -> Ints:
    common = segment.postings(terms[0])[0]
    for term in terms[1:]:
        common = np.intersect1d(common, segment.postings(term)[0], assume_unique=True)
    if len(terms) == 1 or not len(common):
        return common
    places: list[Ints] = []
    for term in terms:
        ids, packed = segment.positions(term)
        places.append(packed[np.searchsorted(ids, common)].astype(np.int32))
    unsure = np.zeros(len(common), bool)
    for where in places:
        unsure |= where[:, -1] == MANY_POSITIONS
    held = np.zeros(len(common), bool)
    for column in range(places[0].shape[1]):
        start = places[0][:, column]
        here = start < MANY_POSITIONS
        for step, where in enumerate(places[1:], 1):
            here &= (where == (start + step)[:, None]).any(axis=1)
        held |= here
    for at in np.flatnonzero(unsure & ~held):
        held[at] = _text_holds(segment.document(int(common[at])), terms, analysis)
    return common[held]


def _text_holds(document: CaseDocument, terms: Sequence[str], analysis: Analysis) -> bool:
    width = len(terms)
    wanted = list(terms)
    for zone in ZONE_WEIGHTS:
        for text in zone_texts(document, zone):
            found = [token.term for token in analysis.tokens(text)]
            if any(found[at : at + width] == wanted for at in range(len(found) - width + 1)):
                return True
    return False


def facet_counts(state: State, matched: Mask) -> dict[str, tuple[tuple[str, int], ...]]:
    """Counts by value over all `matched` slots, most frequent first; years newest first."""
    counted: dict[str, tuple[tuple[str, int], ...]] = {}
    for name in FACETS:
        sums: dict[str, int] = {}
        for segment, offset in zip(state.segments, state.offsets, strict=False):
            part = matched[offset : offset + segment.size]
            for value, count in segment.facets[name].counts(part):
                sums[value] = sums.get(value, 0) + count
        counted[name] = tuple(_by_count(sums.items(), newest=name == "year"))
    return counted


def _by_count(pairs: Iterable[tuple[str, int]], *, newest: bool) -> list[tuple[str, int]]:
    if newest:
        return sorted(pairs, key=lambda pair: pair[0], reverse=True)
    return sorted(pairs, key=lambda pair: (-pair[1], pair[0]))[:_PART_VALUES]
