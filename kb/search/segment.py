"""Postings as arrays. A segment never changes; deletion is a mask kept beside it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.search.document import FACETS, CaseDocument
from kb.search.prepare import DRAWS, OWN_TERMS, PLACES, Prepared

Ints = NDArray[np.int32]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]
Positions = tuple[Ints, NDArray[np.uint16]]
NO_IDS: Ints = np.empty(0, np.int32)
LISTED_TAGS = ("symptom", "family", "alias", "part", "part_class", "section", "complaint", "word")


@dataclass(frozen=True, slots=True)
class Facet:
    """Slots by value: those of value `i` are `ids[starts[i]:starts[i + 1]]`."""

    values: tuple[str, ...]
    starts: NDArray[np.int64]
    ids: Ints

    def slots(self, value: str) -> Ints:
        """The slots that hold `value`."""
        if value not in self.values:
            return NO_IDS
        at = self.values.index(value)
        return self.ids[self.starts[at] : self.starts[at + 1]]

    def counts(self, matched: Mask) -> Iterator[tuple[str, int]]:
        """Each value with how many `matched` slots hold it."""
        if self.values:
            sums = np.add.reduceat(matched[self.ids].view(np.int8), self.starts[:-1], dtype=np.int64)
            yield from ((self.values[at], int(sums[at])) for at in np.flatnonzero(sums))


@dataclass(frozen=True, slots=True)
class Segment:
    """`size` cases in slots 0 to size-1 with their postings; `name` is that of its file, if it has one.

    `terms` are sorted, and the postings of `terms[i]` are `ids[starts[i]:starts[i + 1]]` (ascending slots) with
    `weights`: a string for each term and no object besides, as there are many segments with many terms each.
    `lengths` are those of `Prepared`; `order` is by its day, then by its draw, higher first. `proof` is 0, 1 for
    a case that was cured, 2 for one where this was verified. The phrases `listed` by kind are sorted, too.
    `document`, `slot` and `positions` reach what is not kept in memory.
    """

    name: str
    size: int
    terms: tuple[str, ...]
    starts: NDArray[np.int64]
    ids: Ints
    weights: Floats
    lengths: Floats
    order: NDArray[np.float64]
    facets: dict[str, Facet]
    proof: NDArray[np.uint8]
    listed: dict[str, tuple[str, ...]]
    document: Callable[[int], CaseDocument]
    slot: Callable[[str], int | None]
    positions: Callable[[str], Positions]

    def span(self, term: str) -> tuple[int, int]:
        """Where the postings of `term` begin and end; (0, 0) where no case holds it."""
        at = bisect_left(self.terms, term)
        if at == len(self.terms) or self.terms[at] != term:
            return 0, 0
        return int(self.starts[at]), int(self.starts[at + 1])

    def postings(self, term: str) -> tuple[Ints, Floats]:
        """Slots and weights of `term`."""
        start, end = self.span(term)
        return self.ids[start:end], self.weights[start:end]


def running(parts: Sequence[Sized]) -> NDArray[np.int64]:
    """Where each of `parts` begins when they stand one behind another, and where the last one ends."""
    return np.fromiter(accumulate(map(len, parts), initial=0), np.int64, len(parts) + 1)


def make_facet(pairs: dict[str, Any]) -> Facet:
    """A facet from the slots of each value; values without slots are left out."""
    values = tuple(sorted(value for value, slots in pairs.items() if len(slots)))
    parts = [np.asarray(pairs[value], np.int32) for value in values]
    return Facet(values, running(parts), np.concatenate(parts) if parts else NO_IDS)


def proofs(tagged: Mapping[str, Any], size: int) -> NDArray[np.uint8]:
    """`Segment.proof` of `size` slots from the slots that are marked with each value."""
    proof = np.zeros(size, np.uint8)
    for value, slots in tagged.items():
        proof[np.asarray(slots, np.int32)] = int(value)
    return proof


def fresh_segment(cases: Sequence[Prepared]) -> Segment:
    """A segment held in memory whole, for cases that were just saved."""
    found: dict[str, tuple[list[int], list[float], list[bytes]]] = {}
    tagged: dict[str, dict[str, list[int]]] = {}
    for slot, case in enumerate(cases):
        for key, weight, places in case.postings:
            ids, weights, where = found.setdefault(key.decode(), ([], [], []))
            ids.append(slot)
            weights.append(weight)
            where.append(places)
        for tag in dict.fromkeys(case.tags):
            name, _, value = tag.decode().partition("=")
            tagged.setdefault(name, {}).setdefault(value, []).append(slot)
    for own in OWN_TERMS:
        found.pop(own, None)
    terms = tuple(sorted(found))
    each = [found[term] for term in terms]
    starts = running([ids for ids, _, _ in each])
    size = len(cases)
    facets = {name: make_facet(tagged.get(name, {})) for name in FACETS}
    slots = {case.document.uid: slot for slot, case in enumerate(cases)}

    def positions(term: str) -> Positions:
        ids, _, where = found.get(term, ([], [], []))
        return np.asarray(ids, np.int32), np.frombuffer(b"".join(where), "<u2").reshape(-1, PLACES)

    return Segment(
        name="",
        size=size,
        terms=terms,
        starts=starts,
        ids=np.fromiter((slot for ids, _, _ in each for slot in ids), np.int32, starts[-1]),
        weights=np.fromiter((weight for _, ws, _ in each for weight in ws), np.float32, starts[-1]),
        lengths=np.fromiter((case.length for case in cases), np.float32, size),
        order=np.fromiter((case.day * DRAWS + case.draw for case in cases), np.float64, size),
        facets=facets,
        proof=proofs(tagged.get("proof", {}), size),
        listed={name: tuple(sorted(tagged.get(name, ()))) for name in LISTED_TAGS},
        document=lambda slot: cases[slot].document,
        slot=slots.get,
        positions=positions,
    )
