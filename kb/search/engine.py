"""Scores every case that answers a plan, over all segments as if they were one."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.search.analysis import Analysis
from kb.search.bm25 import idf, length_norms, saturated
from kb.search.case_terms import LONGEST_TERM
from kb.search.document import FACETS, CaseDocument, Filters
from kb.search.query import WEAK, Group, Plan
from kb.search.segment import TEXT, Floats, Ints, Mask, Part, Segment

PROOF_FACTORS = np.array((1.0, 1.06, 1.08), np.float32)  # by `CaseTerms.proof`
NO_SLOTS: Ints = np.empty(0, np.int32)
_FULL_ANSWER = 0.6  # share of the score that depends on how much of the query a case answers
_FAMILY_FIRST_FROM = 0.5  # share of the query that a case of the preferred family must answer to go first
_LEAST_ANSWER = 0.12  # of what the best case answers: one that holds only "no" or "on" is no answer
_NOT_MEANT = (
    0.5  # what is left of the score of a case in which a part was tried that the query says it is not
)
_PART_VALUES = 1_000


@dataclass(frozen=True)
class State:
    """Everything a search reads, never changed: a save makes a new one and swaps it in.

    What it knows of all cases it has from sums by part, so that the first search after a save has no more to do
    than the next.
    """

    parts: tuple[Part, ...]

    @cached_property
    def count(self) -> int:
        """Live cases."""
        return sum(part.count for part in self.parts)

    @cached_property
    def mean_length(self) -> float:
        """Mean length of the live cases."""
        return sum(part.length for part in self.parts) / self.count if self.count else 0.0

    @cached_property
    def offsets(self) -> tuple[int, ...]:
        """Where each segment starts in arrays over all slots, and their end."""
        return tuple(accumulate((part.segment.size for part in self.parts), initial=0))

    def with_merged(self, merged: Segment, parts: Sequence[Part]) -> State:
        """This state with `merged`, made of `parts`, in their place; what was deleted since is deleted in it.

        A part that is no longer here has no live case left, or its cases have come another way.
        """
        now = {part.segment.name: part for part in self.parts}
        alive, erased = [], 0
        for part in parts:
            after = now.get(part.segment.name)
            alive.append(np.zeros(part.count, bool) if after is None else after.alive[part.alive])
            erased += part.count if after is None else after.erased - part.erased
        whole = Part.of(merged, np.concatenate(alive), erased)
        replaced = {part.segment.name for part in parts}
        kept = [part for part in self.parts if part.segment.name not in replaced]
        before = next((at for at, part in enumerate(self.parts) if part.segment.name in replaced), 0)
        return State((*kept[:before], *((whole,) if whole.count else ()), *kept[before:]))

    def placed(self) -> Iterator[tuple[int, Segment]]:
        """Each segment with where it starts in arrays over all slots."""
        return zip(self.offsets, (part.segment for part in self.parts), strict=False)

    def alive(self) -> Mask:
        """Which slots hold a live case."""
        return np.concatenate([np.empty(0, bool), *(part.alive for part in self.parts)])

    def order(self, slots: NDArray[np.intp]) -> NDArray[np.int64]:
        """`Segment.order` of `slots` over all, which are ascending."""
        bounds = np.searchsorted(slots, self.offsets).tolist()
        pieces = [
            segment.order.take(slots[first:last] - offset)
            for (offset, segment), first, last in zip(self.placed(), bounds, bounds[1:], strict=False)
        ]
        return np.concatenate([np.empty(0, np.int64), *pieces])

    def holding(self, term: str) -> int:
        """How many live cases hold `term`."""
        total = 0
        for part in self.parts:
            start, end = part.segment.span(term)
            if start < end:
                whole = part.count == part.segment.size
                total += (
                    end - start
                    if whole
                    else int(np.count_nonzero(part.alive.take(part.segment.ids[start:end])))
                )
        return total

    def families(self, term: str | None = None) -> dict[str, int]:
        """How many live cases of each family hold `term`; all of its live cases without one."""
        if term is None:
            return _added(part.facets["family"].items() for part in self.parts)
        found = []
        for part in self.parts:
            slots = part.segment.slots(term)
            if len(slots):
                holding = np.zeros(part.segment.size, bool)
                holding[slots] = part.alive.take(slots)
                found.append(part.segment.counts("family", holding))
        return _added(found)

    def document(self, slot: int) -> CaseDocument:
        """The case in a slot over all. Raises `Damaged`."""
        at = bisect_right(self.offsets, slot) - 1
        return self.parts[at].segment.document(slot - self.offsets[at])

    def document_of(self, uid: str) -> CaseDocument | None:
        """The live case with this uid, None where there is none. Raises `Damaged`."""
        for part in self.parts:
            slot = part.segment.slot(uid)
            if slot is not None and part.alive[slot]:
                return part.segment.document(slot)
        return None

    def slots_of(self, uids: Sequence[str]) -> Ints:
        """The slots over all of the live cases with these uids. Raises `Damaged`."""
        found = [
            offset + slot
            for (offset, segment), part in zip(self.placed(), self.parts, strict=False)
            for slot in segment.slots_of(uids)
            if part.alive[slot]
        ]
        return np.array(sorted(found), np.int32)

    def documents(self, slots: Iterable[int]) -> Iterator[CaseDocument]:
        """The cases in `slots` over all. Raises `Damaged`."""
        return (self.document(slot) for slot in slots)


@dataclass(frozen=True, slots=True)
class Matches:
    """All cases that answer a plan: their `slots` over all, ascending, with `scores` and `keys` (higher first).

    `matched` marks the slots among all.
    """

    state: State
    matched: Mask
    slots: NDArray[np.intp]
    scores: Floats
    keys: NDArray[np.float64]

    def top(self, limit: int, offset: int) -> list[tuple[int, float]]:
        """(slot, score) of one page. Equal cases keep one order, see `CaseTerms.order`; then the later slot leads."""
        wanted = min(limit + offset, len(self.slots))
        if wanted <= offset:
            return []
        near = np.arange(len(self.slots))
        if wanted < len(near):
            bound = _nth(self.keys, wanted)
            above, level = np.flatnonzero(self.keys > bound), np.flatnonzero(self.keys == bound)
            order = self.state.order(self.slots[level])
            level = level[order >= _nth(order, wanted - len(above))]
            near = np.sort(np.concatenate((above, level)))
        order = self.state.order(self.slots[near])
        best = near[np.lexsort((-near, -order, -self.keys[near]))][offset:wanted]
        return list(zip(self.slots[best].tolist(), self.scores[best].tolist(), strict=True))


def _nth(values: Any, place: int) -> Any:
    """The value that has `place` - 1 others at or above it."""
    return np.partition(values, len(values) - place)[len(values) - place]


def find(state: State, plan: Plan, filters: Filters, prefer_family: str | None) -> Matches:
    """Every live case that answers `plan` within `filters`."""
    matched = state.alive()
    leading = state.slots_of(plan.first) if plan.first else NO_SLOTS
    scores, answered, asked = score_groups(state, plan.groups)
    if plan.groups:
        most = float((answered * matched).max(initial=0.0))
        matched &= answered >= np.float32(max(_LEAST_ANSWER * most, 1e-9))
        matched &= _holding_more_than_weak(state, plan.groups)
    elif plan.first:
        named = np.zeros(len(matched), bool)
        named[leading] = True
        matched &= named
    elif not (plan.is_empty or plan.excluded):
        matched[:] = False
    for terms in plan.phrases:
        if matched.any():
            matched &= holding_phrase(state, terms)
    for terms in plan.excluded:
        matched &= ~holding_phrase(state, terms)
    for name, value in filters.chosen():
        matched &= _holding(state, value, name)
    for name in plan.not_meant:
        scores[_holding(state, name, "part_class")] *= np.float32(_NOT_MEANT)
    slots = np.flatnonzero(matched)
    scores, answered = scores.take(slots), answered.take(slots)
    if asked:
        answered /= np.float32(asked)
        scores *= np.float32(1.0 - _FULL_ANSWER) + np.float32(_FULL_ANSWER) * answered
    proof = np.concatenate([np.empty(0, np.uint8), *(part.segment.proof for part in state.parts)])
    scores *= PROOF_FACTORS.take(proof.take(slots))
    # Without words all score alike and their order alone counts.
    keys = scores.astype(np.float64) if plan.groups else np.zeros(len(slots))
    if prefer_family:
        keys[_holding(state, prefer_family, "family")[slots] & (answered >= _FAMILY_FIRST_FROM)] += 1e6
    if len(leading):
        keys[np.isin(slots, leading)] += 2e6
    return Matches(state, matched, slots, scores, keys)


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
        for offset, segment in state.placed():
            start, end = segment.span(term)
            if start < end:
                ids = segment.ids[start:end]
                # `take` is twice as fast as an index of 32 bits, and this is where a search spends its time.
                norms = length_norms(segment.lengths.take(ids), state.mean_length)
                values = saturated(segment.weights[start:end], norms, times=weight)
                here = scores[offset : offset + segment.size]
                values += here.take(ids)
                here[ids] = values
                held.append((offset, ids))
    if not held:
        own = group.terms[0][1] if group.terms else 0.0
        return idf(max(state.count, 1), 0) * own
    if len(group.terms) == 1:
        for offset, ids in held:
            here = answered[offset:]
            here[ids] = here.take(ids) + np.float32(worth)
        return worth
    any_held = np.zeros(len(answered), bool)
    for offset, ids in held:
        any_held[offset:][ids] = True
    answered += any_held * np.float32(worth)
    return worth


def _holding(state: State, value: str, kind: str = TEXT) -> Mask:
    """Which slots hold a term of the text or the value of a facet."""
    mask = np.zeros(state.offsets[-1], bool)
    for offset, segment in state.placed():
        mask[offset:][segment.slots(value, kind)] = True
    return mask


def _holding_more_than_weak(state: State, groups: Iterable[Group]) -> Mask | bool:
    """Which slots hold more of `groups` than words such as "no" and "on"; all where nothing else is asked."""
    terms = [term for group in groups for term, _ in group.terms]
    telling = [term for term in terms if term not in WEAK]
    if not telling or len(telling) == len(terms):
        return True
    mask = np.zeros(state.offsets[-1], bool)
    for offset, segment in state.placed():
        for term in telling:
            mask[offset:][segment.slots(term)] = True
    return mask


def holding_phrase(state: State, terms: Sequence[str]) -> Mask:
    """Which slots hold `terms` next to each other in this order."""
    mask = np.zeros(state.offsets[-1], bool)
    for offset, segment in state.placed():
        mask[offset:][_phrase_slots(segment, terms)] = True
    return mask


def _phrase_slots(segment: Segment, terms: Sequence[str]) -> NDArray[Any]:
    if len(terms) == 1:
        return segment.slots(terms[0])
    # From the rarest word on, so that little is left to compare with the frequent ones.
    rarest_first = sorted(enumerate(terms), key=lambda each: len(segment.slots(each[1])))
    starts: NDArray[np.int64] | None = None
    for step, term in rarest_first:
        if not len(segment.slots(term)):
            return NO_SLOTS
        here = segment.occurrences(term) - step
        starts = here if starts is None else starts[np.isin(starts, here, assume_unique=True)]
    return NO_SLOTS if starts is None else np.unique(starts >> 32)


def cases_to_read_again(state: State, before: Analysis, now: Analysis) -> list[str]:
    """Uids of the live cases that `now` may read otherwise than `before` did.

    The terms of a text depend on its letters alone; only the names found among them depend on the lists. So a
    case reads otherwise only where it holds all words of a spelling that means something else now.
    """
    touched = np.zeros(state.offsets[-1], bool)
    for terms in now.lexicon.differing(before.lexicon):
        held = [_holding(state, term[:LONGEST_TERM]) for term in terms]
        touched |= np.logical_and.reduce(held)
    return [document.uid for document in state.documents(np.flatnonzero(touched & state.alive()).tolist())]


def facet_counts(state: State, matched: Mask) -> dict[str, tuple[tuple[str, int], ...]]:
    """Counts by value over all `matched` slots, most frequent first; years newest first."""
    every = int(np.count_nonzero(matched)) == state.count  # which only live cases can be
    counted: dict[str, tuple[tuple[str, int], ...]] = {}
    for name in FACETS:
        found: Iterable[Iterable[tuple[str, int]]] = (
            (part.facets[name].items() for part in state.parts)
            if every
            else (
                segment.counts(name, matched[offset : offset + segment.size])
                for offset, segment in state.placed()
            )
        )
        counted[name] = tuple(_by_count(_added(found).items(), newest=name == "year"))
    return counted


def _added(counts: Iterable[Iterable[tuple[str, int]]]) -> dict[str, int]:
    """Counts by value of several segments, as one."""
    sums: dict[str, int] = {}
    for pairs in counts:
        for value, count in pairs:
            sums[value] = sums.get(value, 0) + count
    return sums


def _by_count(pairs: Iterable[tuple[str, int]], *, newest: bool) -> list[tuple[str, int]]:
    if newest:
        return sorted(pairs, key=lambda pair: pair[0], reverse=True)
    return sorted(pairs, key=lambda pair: (-pair[1], pair[0]))[:_PART_VALUES]
