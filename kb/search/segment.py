"""Segments: cases with their postings, written once and never changed; deletion is a mask kept beside them.

A segment is one file, or the same bytes in memory:

    documents   one JSON array a case, one behind another, in order of the slots
    arrays      those of `_TYPES`, little-endian, one behind another
    directory   JSON: the number of cases, the terms by kind, and place and length of each array
    tail        eight bytes: where the directory begins

The arrays that a search walks through are held in memory; documents and the places of words are read where
they lie, a few at a time, so that neither grows with the index. `kb.search.folder` knows the SHA-256 of each
file and compares it when the index is opened.
"""

from __future__ import annotations

import json
from array import array
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import blake2b, sha256
from heapq import merge as in_order
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kb.search.case_terms import COMPLETED, SPELLED, CaseTerms
from kb.search.completion import Completer
from kb.search.document import FACETS, CaseDocument
from kb.search.spelling import Speller
from kb.system import PlacedFile

Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

TEXT = "text"
KINDS = (TEXT, *FACETS, *(kind for kind in COMPLETED if kind not in FACETS), SPELLED)
"""What a term may be: a term of the text, which has weights and places, or the value of a facet or completion."""
_TYPES = {
    # held in memory
    "starts": np.int64,
    "ids": np.int32,
    "weights": np.float32,
    "lengths": np.float32,
    "order": np.int64,
    "proof": np.uint8,
    "uids": np.uint64,
    "uid_slots": np.int32,
    # read where they lie
    "documents": np.int64,
    "occurrence_starts": np.int64,
    "occurrences": np.int64,
}
_TAIL = 8
MOST_CASES = 100_000
"""How many cases a segment holds at most, so that neither writing nor merging takes more and more memory."""
_MERGED_FROM = 4
_WORTH_REWRITING = 1_000


class Damaged(Exception):
    """The index on disk cannot be used; the message says why in a few words."""


class _Memory:
    """The bytes of a segment that lies in no file."""

    def __init__(self, content: bytes) -> None:
        self.content = content
        self.size = len(content)

    def read(self, position: int, length: int) -> bytes:
        return self.content[position : position + length]


class Segment:
    """`size` cases in slots 0 to size-1 with their postings.

    `terms` has the sorted terms of each of `KINDS`. All terms are numbered through, kind by kind: the postings
    of number `n` are `ids[starts[n]:starts[n + 1]]` (ascending slots), for `TEXT`, which comes first, with
    `weights`. `lengths`, `order` and `proof` are those of `CaseTerms`, one for each slot.
    """

    def __init__(
        self, name: str, checksum: str, source: PlacedFile | _Memory, like: Segment | None = None
    ) -> None:
        """Reads the arrays. Raises `Damaged`. Strings that `like` holds as well are taken from there."""
        self.name, self.checksum, self._source = name, checksum, source
        try:
            end = source.size - _TAIL
            begin = int.from_bytes(source.read(end, _TAIL), "little")
            directory = json.loads(source.read(begin, end - begin))
            self.size: int = directory["size"]
            self.terms = {kind: tuple(directory["terms"][kind]) for kind in KINDS}
            self._places: dict[str, tuple[int, int]] = directory["arrays"]
            self.starts: Longs = self._array("starts")
            self.ids: Ints = self._array("ids")
            self.weights: Floats = self._array("weights")
            self.lengths: Floats = self._array("lengths")
            self.order: Longs = self._array("order")
            self.proof: NDArray[np.uint8] = self._array("proof")
            self.uids: NDArray[np.uint64] = self._array("uids")
            self.uid_slots: Ints = self._array("uid_slots")
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise Damaged(f"a segment cannot be read: {type(error).__name__}") from error
        if like is not None:
            self.terms = {kind: _shared(terms, like.terms[kind]) for kind, terms in self.terms.items()}
        self._first = dict(zip(KINDS, _running(self.terms[kind] for kind in KINDS).tolist(), strict=False))

    @property
    def unwritten(self) -> bytes | None:
        """The content of a segment that lies in no file."""
        return self._source.content if isinstance(self._source, _Memory) else None

    def _array(self, name: str, first: int = 0, last: int | None = None) -> Any:
        """Entries `first` to `last` of an array. Raises OSError."""
        position, length = self._places[name]
        kind = np.dtype(_TYPES[name])
        last = length if last is None else last
        return np.frombuffer(
            self._source.read(position + first * kind.itemsize, (last - first) * kind.itemsize), kind
        )

    def all_occurrences(self) -> tuple[Longs, Longs]:
        """(where those of each term of the text begin, all of them) as in `occurrences`. Raises OSError."""
        return self._array("occurrence_starts"), self._array("occurrences")

    @cached_property
    def completer(self) -> Completer:
        """Completes what the cases hold."""
        return Completer({kind: self.terms[kind] for kind in (*COMPLETED, SPELLED)})

    @cached_property
    def speller(self) -> Speller:
        """Knows the words that the cases hold."""
        return Speller(self.terms[SPELLED])

    def span(self, term: str, kind: str = TEXT) -> tuple[int, int]:
        """Where the postings of `term` begin and end; (0, 0) where no case holds it."""
        terms = self.terms[kind]
        at = bisect_left(terms, term)
        if at == len(terms) or terms[at] != term:
            return 0, 0
        number = self._first[kind] + at
        return int(self.starts[number]), int(self.starts[number + 1])

    def starts_of(self, kind: str) -> Longs:
        """Where the postings of each term of `kind` begin, and where the last ones end."""
        first = self._first[kind]
        return self.starts[first : first + len(self.terms[kind]) + 1]

    def slots(self, term: str, kind: str = TEXT) -> Ints:
        """The slots that hold `term`."""
        start, end = self.span(term, kind)
        return self.ids[start:end]

    def occurrences(self, term: str) -> Longs:
        """Each occurrence of a term of the text, ascending: slot * 2**32 + place among the words of the case."""
        terms = self.terms[TEXT]
        at = bisect_left(terms, term)
        if at == len(terms) or terms[at] != term:
            return np.empty(0, np.int64)
        try:
            first, last = self._array("occurrence_starts", at, at + 2).tolist()
            found: Longs = self._array("occurrences", first, last)
        except (OSError, ValueError) as error:
            raise Damaged(f"its files cannot be read any more: {type(error).__name__}") from error
        return found

    def counts(self, facet: str, matched: Mask) -> list[tuple[str, int]]:
        """Each value of `facet` with how many `matched` slots hold it, where any does."""
        values = self.terms[facet]
        if not values:
            return []
        starts = self.starts_of(facet)
        held = np.flatnonzero(matched.take(self.ids[starts[0] : starts[-1]]))
        counts = np.diff(np.searchsorted(held, starts - starts[0]))
        there = np.flatnonzero(counts)
        return [(values[at], count) for at, count in zip(there.tolist(), counts[there].tolist(), strict=True)]

    def stored(self, slot: int) -> bytes:
        """The document in `slot` as it is stored. Raises OSError."""
        start, end = self._array("documents", slot, slot + 2).tolist()
        return self._source.read(start, end - start)

    def document(self, slot: int) -> CaseDocument:
        """The case in `slot`. Raises `Damaged`."""
        try:
            return CaseDocument.from_stored(json.loads(self.stored(slot)))
        except (OSError, ValueError, TypeError) as error:
            raise Damaged(f"its files cannot be read any more: {type(error).__name__}") from error

    def slot(self, uid: str) -> int | None:
        """The slot of the case `uid`, None where it is not here. Raises `Damaged`."""
        return next(iter(self.slots_of([uid])), None)

    def _may_hold(self, hashes: NDArray[np.uint64]) -> Mask:
        if not self.size:
            return np.zeros(len(hashes), bool)
        nearest = np.minimum(np.searchsorted(self.uids, hashes), self.size - 1)
        held: Mask = self.uids[nearest] == hashes
        return held

    def slots_of(self, uids: Sequence[str]) -> list[int]:
        """The slots of those of the cases `uids` that are here. Raises `Damaged`."""
        hashes = np.fromiter(map(_uid_hash, uids), np.uint64, len(uids))
        found: list[int] = []
        for number in np.flatnonzero(self._may_hold(hashes)).tolist():
            first = np.searchsorted(self.uids, hashes[number], "left")
            last = np.searchsorted(self.uids, hashes[number], "right")
            here = self.uid_slots[first:last].tolist()
            found.extend(slot for slot in here if self.document(slot).uid == uids[number])
        return found


def opened_segment(path: Path, checksum: str, like: Segment | None = None) -> Segment:
    """The segment in the file `path`, which is not compared with its checksum. Raises `Damaged`."""
    try:
        source = PlacedFile(path)
    except OSError as error:
        raise Damaged(f"{path.name} cannot be read") from error
    return Segment(path.name, checksum, source, like)


def segment_of_bytes(name: str, checksum: str, content: bytes, like: Segment | None = None) -> Segment:
    """A segment that lies in no file yet."""
    return Segment(name, checksum, _Memory(content), like)


def _shared(texts: tuple[str, ...], known: tuple[str, ...]) -> tuple[str, ...]:
    places = ((text, bisect_left(known, text)) for text in texts)
    return tuple(known[at] if at < len(known) and known[at] == text else text for text, at in places)


def _uid_hash(uid: str) -> int:
    return int.from_bytes(blake2b(uid.encode(errors="replace"), digest_size=8).digest(), "little")


def _running(parts: Iterable[Sequence[Any]]) -> Longs:
    """Where each of `parts` begins when they stand one behind another, and where the last one ends."""
    return np.cumsum([0, *map(len, parts)], dtype=np.int64)


@dataclass(frozen=True)
class Part:
    """A segment with which of its slots are `alive`: how many these are and their lengths in all.

    `erased` counts the cases that were deleted, not replaced, and whose text is still in the segment.
    """

    segment: Segment
    alive: Mask
    count: int
    length: float
    erased: int = 0

    @classmethod
    def of(cls, segment: Segment, alive: Mask | None = None, erased: int = 0) -> Part:
        """The part with the slots `alive`, all where nothing is given."""
        if alive is None:
            alive = np.ones(segment.size, bool)
        length = float(segment.lengths[alive].sum(dtype=np.float64))
        return cls(segment, alive, int(np.count_nonzero(alive)), length, erased)

    @cached_property
    def facets(self) -> dict[str, dict[str, int]]:
        """Of each facet how many live cases hold each value; worked out when first asked for."""
        return {name: dict(self.segment.counts(name, self.alive)) for name in FACETS}

    def without(self, replaced: Sequence[str], deleted: Sequence[str]) -> Part:
        """This part without the cases of these uids, each given once. Costs by how many they are."""
        erased = self.segment.slots_of(deleted)
        gone = [slot for slot in (*self.segment.slots_of(replaced), *erased) if self.alive[slot]]
        if not gone and not erased:
            return self
        slots = np.array(gone, np.int64)
        alive = self.alive.copy()
        alive[slots] = False
        length = self.length - float(self.segment.lengths[slots].sum(dtype=np.float64))
        return Part(self.segment, alive, self.count - len(slots), length, self.erased + len(erased))


class _Table(NamedTuple):
    """Postings of one kind before they are in order: `numbers` are places among `terms`, which are sorted."""

    terms: Sequence[str]
    numbers: NDArray[Any]
    slots: NDArray[Any]
    weights: NDArray[Any] | None = None


class _Output:
    """A file that is written from front to end, with its checksum."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self._sum, self.size = file, sha256(), 0

    def write(self, content: Any) -> None:
        self._sum.update(content)
        self._file.write(content)
        self.size += len(content)

    def finish(self, size: int, terms: Mapping[str, Sequence[str]], arrays: Mapping[str, Any]) -> str:
        """Writes arrays and directory; the SHA-256 of all."""
        places: dict[str, tuple[int, int]] = {}
        for name, kind in _TYPES.items():
            values = np.ascontiguousarray(arrays[name], np.dtype(kind).newbyteorder("<"))
            places[name] = self.size, len(values)
            self.write(values.tobytes())
        begin = self.size
        self.write(json.dumps({"size": size, "terms": terms, "arrays": places}).encode())
        self.write(begin.to_bytes(_TAIL, "little"))
        return self._sum.hexdigest()


class SegmentWriter:
    """Writes a segment of cases that are given one by one: documents at once, all else at the end."""

    def __init__(self, file: BinaryIO) -> None:
        self._output = _Output(file)
        self._numbers: dict[str, dict[str, int]] = {kind: {} for kind in KINDS}
        self._terms = {kind: array("i") for kind in KINDS}
        self._slots = {kind: array("i") for kind in KINDS}
        self._weights = array("f")
        self._occurred, self._occurrences = array("i"), array("q")
        self._lengths, self._order, self._proof = array("f"), array("q"), array("B")
        self._documents, self._uids = array("q", [0]), array("Q")

    def __len__(self) -> int:
        return len(self._proof)

    def add(self, case: CaseTerms) -> None:
        """Take one case in."""
        slot = len(self)
        numbers = self._numbers[TEXT]
        number = numbers.setdefault
        self._terms[TEXT].extend([number(term, len(numbers)) for term in case.weights])
        self._slots[TEXT].extend([slot] * len(case.weights))
        self._weights.extend(case.weights.values())
        self._occurred.extend([numbers[term] for term, _ in case.occurrences])
        first = slot << 32
        self._occurrences.extend([first + place for _, place in case.occurrences])
        for kind, value in case.tags:
            numbers = self._numbers[kind]
            self._terms[kind].append(numbers.setdefault(value, len(numbers)))
            self._slots[kind].append(slot)
        self._lengths.append(case.length)
        self._order.append(case.order)
        self._proof.append(case.proof)
        self._uids.append(_uid_hash(case.document.uid))
        self._output.write(json.dumps(case.document.as_stored(), separators=(",", ":")).encode())
        self._documents.append(self._output.size)

    def finish(self) -> str:
        """Write the rest; the SHA-256 of all."""
        tables: dict[str, _Table] = {}
        occurred = np.frombuffer(self._occurred, np.int32)
        for kind, numbers in self._numbers.items():
            terms = sorted(numbers)
            places = np.empty(len(terms), np.int32)
            places[[numbers[term] for term in terms]] = np.arange(len(terms))
            weights = np.frombuffer(self._weights, np.float32) if kind == TEXT else None
            slots = np.frombuffer(self._slots[kind], np.int32)
            tables[kind] = _Table(terms, places[np.frombuffer(self._terms[kind], np.int32)], slots, weights)
            if kind == TEXT:
                occurred = places[occurred]
        arrays = {
            "lengths": np.frombuffer(self._lengths, np.float32),
            "order": np.frombuffer(self._order, np.int64),
            "proof": np.frombuffer(self._proof, np.uint8),
            "documents": np.frombuffer(self._documents, np.int64),
        }
        keys = np.frombuffer(self._occurrences, np.int64)
        return _finish(self._output, tables, occurred, keys, np.frombuffer(self._uids, np.uint64), arrays)


def _finish(
    output: _Output,
    tables: Mapping[str, _Table],
    occurred: NDArray[Any],
    keys: NDArray[Any],
    uids: NDArray[Any],
    arrays: dict[str, Any],
) -> str:
    """Brings all postings into the order of their terms and writes them.

    `occurred` are the places of `keys`' terms among those of the text; `uids` the hashes by slot. Both are
    ascending in slot for each term, which sorting keeps.
    """
    terms: dict[str, Sequence[str]] = {}
    counts, ids = [], []
    for kind, table in tables.items():
        order = np.argsort(table.numbers, kind="stable")
        held = np.bincount(table.numbers, minlength=len(table.terms))
        there = np.flatnonzero(held)
        terms[kind] = [table.terms[at] for at in there.tolist()]
        counts.append(held[there])
        ids.append(table.slots[order])
        if kind == TEXT:
            occurred_here = np.bincount(occurred, minlength=len(table.terms))[there]
            assert table.weights is not None
            arrays["weights"] = table.weights[order]
    by_uid = np.argsort(uids, kind="stable")
    arrays |= {
        "starts": np.concatenate(([0], np.cumsum(np.concatenate(counts)))),
        "ids": np.concatenate(ids),
        "uids": uids[by_uid],
        "uid_slots": by_uid,
        "occurrence_starts": np.concatenate(([0], np.cumsum(occurred_here))),
        "occurrences": keys[np.argsort(occurred, kind="stable")],
    }
    return output.finish(len(uids), terms, arrays)


def segment_in_memory(name: str, cases: Iterable[CaseTerms], like: Segment | None = None) -> Segment:
    """A segment of `cases` that lies in no file yet."""
    buffer = BytesIO()
    writer = SegmentWriter(buffer)
    for case in cases:
        writer.add(case)
    checksum = writer.finish()
    return segment_of_bytes(name, checksum, buffer.getvalue(), like)


def write_merged(file: BinaryIO, parts: Sequence[Part]) -> str:
    """Writes the live cases of `parts` as one segment; its SHA-256.

    Made to run beside the threads that answer: what takes long is done by NumPy, which lets go of the
    interpreter, or in steps between which the interpreter changes threads.
    """
    output = _Output(file)
    ends = [0]
    for part in parts:
        for slot in np.flatnonzero(part.alive).tolist():
            output.write(part.segment.stored(slot))
            ends.append(output.size)
    before = _running([range(part.count) for part in parts]).tolist()
    slots = [
        np.where(part.alive, np.cumsum(part.alive) - 1 + first, -1).astype(np.int32)
        for part, first in zip(parts, before, strict=False)
    ]
    tables = {kind: _merged_table(kind, parts, slots) for kind in KINDS}
    places = _places_among(tables[TEXT].terms, [part.segment.terms[TEXT] for part in parts])
    occurred, keys = [], []
    for part, where, new in zip(parts, places, slots, strict=True):
        starts, old = part.segment.all_occurrences()
        slot = new[old >> 32]
        lives = slot >= 0
        occurred.append(np.repeat(where, np.diff(starts))[lives])
        keys.append((slot[lives].astype(np.int64) << 32) | (old[lives] & 0xFFFFFFFF))
    uids = np.empty(before[-1], np.uint64)
    for part, new in zip(parts, slots, strict=True):
        by_uid = new[part.segment.uid_slots]
        uids[by_uid[by_uid >= 0]] = part.segment.uids[by_uid >= 0]
    arrays = {
        "lengths": np.concatenate([part.segment.lengths[part.alive] for part in parts]),
        "order": np.concatenate([part.segment.order[part.alive] for part in parts]),
        "proof": np.concatenate([part.segment.proof[part.alive] for part in parts]),
        "documents": np.array(ends, np.int64),
    }
    return _finish(output, tables, np.concatenate(occurred), np.concatenate(keys), uids, arrays)


def _merged_table(kind: str, parts: Sequence[Part], slots: Sequence[Ints]) -> _Table:
    each = [part.segment.terms[kind] for part in parts]
    terms = list(dict.fromkeys(in_order(*each)))
    numbers, kept, weights = [], [], []
    for part, where, new in zip(parts, _places_among(terms, each), slots, strict=True):
        segment = part.segment
        starts = segment.starts_of(kind)
        slot = new[segment.ids[starts[0] : starts[-1]]]
        lives = slot >= 0
        numbers.append(np.repeat(where, np.diff(starts))[lives])
        kept.append(slot[lives])
        if kind == TEXT:
            weights.append(segment.weights[lives])
    return _Table(
        terms, np.concatenate(numbers), np.concatenate(kept), np.concatenate(weights) if weights else None
    )


def _places_among(terms: Sequence[str], each: Iterable[Sequence[str]]) -> list[Ints]:
    """For each list of terms where they stand among `terms`, which are sorted and hold them all."""
    place = {term: at for at, term in enumerate(terms)}
    return [np.fromiter((place[term] for term in some), np.int32, len(some)) for some in each]


def worth_merging(parts: Sequence[Part]) -> tuple[int, int] | None:
    """Which neighbours among `parts` should become one segment, as first and last + 1; None where none should.

    From the newest on, a segment joins those after it unless it holds more than twice their cases. So each
    case is written again only when the cases around it have grown by half, and there are few segments: their
    number grows with the logarithm of the number of cases. A large segment of which more than half is dead, and
    one that holds the text of a deleted case, is written again alone.
    """
    for at, part in enumerate(parts):
        if part.erased or (part.count * 2 < part.segment.size and part.segment.size >= _WORTH_REWRITING):
            return at, at + 1
    first, total = len(parts), 0
    while first:
        count = parts[first - 1].count
        if total and (count > 2 * total or count + total > MOST_CASES):
            break
        first, total = first - 1, total + count
    if len(parts) - first >= _MERGED_FROM:
        return first, len(parts)
    return None
