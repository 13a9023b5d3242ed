"""Whoosh's segments on disk, read into arrays."""

from __future__ import annotations

import threading
from array import array
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from whoosh.filedb.filestore import FileStorage
from whoosh.reading import SegmentReader

from kb.search.document import FACETS, CaseDocument
from kb.search.prepare import DRAWS, OWN_TERMS, PLACES
from kb.search.schema import ALL, BODY, META_UID, TAGS, UID, Places, Tags
from kb.search.segment import (
    LISTED_TAGS,
    NO_IDS,
    Floats,
    Ints,
    Mask,
    Positions,
    Segment,
    make_facet,
    proofs,
)
from kb.search.snapshot import Arrays, Damaged, read_snapshot, write_snapshot

SNAPSHOT_FROM = 5_000
_PLACES, _TAGS = Places(), Tags().format


def stored_segments(
    reader: Any, known: Mapping[str, Segment], snapshots: Path | None
) -> tuple[tuple[Segment, ...], tuple[Mask, ...]]:
    """A segment for each one that Whoosh's `reader` has, and which slots of each are alive.

    Segments already `known` by name are taken over: their files never change. Large ones are kept as a
    snapshot in the folder `snapshots`, which loads some ten times faster than the postings. The reader
    stays open for as long as its segments live.
    """
    leaves = {leaf.segment().segment_id(): leaf for leaf, _ in reader.leaf_readers()}
    guard = threading.Lock()
    made: dict[str, Segment] = {}
    largest: Segment | None = None
    for name, leaf in sorted(leaves.items(), key=lambda one: -one[1].doc_count_all()):
        made[name] = known.get(name) or _load(leaf, name, guard, snapshots, largest)
        largest = largest or made[name]
    masks: list[Mask] = []
    for name, leaf in leaves.items():
        segment = made[name]
        alive = np.ones(segment.size, bool)
        alive[list(leaf.segment().deleted_docs())] = False
        meta = segment.slot(META_UID)
        if meta is not None:
            alive[meta] = False
        masks.append(alive)
    return tuple(made[name] for name in leaves), tuple(masks)


@contextmanager
def _alone(guard: threading.Lock) -> Iterator[None]:
    """For one thread at a time, as Whoosh's readers share one file position. What cannot be read is damaged."""
    with guard:
        try:
            yield
        except Exception as error:
            raise Damaged(f"its files cannot be read any more: {type(error).__name__}") from error


def _load(
    leaf: Any, name: str, guard: threading.Lock, snapshots: Path | None, largest: Segment | None
) -> Segment:
    size: int = leaf.doc_count_all()
    kept = snapshots if size >= SNAPSHOT_FROM else None
    arrays = read_snapshot(kept, name) if kept else None
    if arrays is None:
        arrays = _read_arrays(leaf)
        if kept:
            write_snapshot(kept, name, arrays)
    if largest is not None:
        arrays = _sharing(arrays, largest)

    def document(slot: int) -> CaseDocument:
        with _alone(guard):
            return CaseDocument(*leaf.stored_fields(slot)[BODY])

    def slot_of(uid: str) -> int | None:
        key = uid.encode(errors="replace")
        with _alone(guard):
            if (UID, key) not in leaf:
                return None
            matcher = leaf.postings(UID, key)
            return int(matcher.id()) if matcher.is_active() else None

    def positions(term: str) -> Positions:
        with _alone(guard):
            return _positions(leaf, term.encode(errors="replace"))

    return Segment(
        name=name, size=size, document=document, slot=slot_of, positions=positions, **arrays._asdict()
    )


def _sharing(arrays: Arrays, largest: Segment) -> Arrays:
    """`arrays` with the very strings of `largest` where that holds equal ones, as it does most of them."""
    facets = {
        name: replace(facet, values=_shared(facet.values, largest.facets[name].values))
        for name, facet in arrays.facets.items()
    }
    listed = {name: _shared(phrases, largest.listed[name]) for name, phrases in arrays.listed.items()}
    return arrays._replace(terms=_shared(arrays.terms, largest.terms), facets=facets, listed=listed)


def _shared(texts: tuple[str, ...], known: tuple[str, ...]) -> tuple[str, ...]:
    places = ((text, bisect_left(known, text)) for text in texts)
    return tuple(known[at] if at < len(known) and known[at] == text else text for text, at in places)


def keep_snapshot(folder: str, schema: Any, segment: Any) -> None:
    """Makes the snapshot of a segment that was just written and is not in use yet.

    Each process that writes segments makes those of its own, so that a rebuild does not end with one
    process reading back what all have written.
    """
    if segment.doc_count_all() < SNAPSHOT_FROM:
        return
    # Whoosh's own storage maps the file, which reads a whole segment faster than piece by piece does.
    leaf = SegmentReader(FileStorage(folder), schema, segment)
    try:
        write_snapshot(Path(folder), segment.segment_id(), _read_arrays(leaf))
    finally:
        leaf.close()


def _read_arrays(leaf: Any) -> Arrays:
    size = leaf.doc_count_all()
    terms, starts, ids, weights = _postings(leaf)
    lengths, days, draws = (np.zeros(size, np.float32) for _ in OWN_TERMS)
    for term, numbers in zip(OWN_TERMS, (lengths, days, draws), strict=True):  # from the last term on
        if terms and terms[-1] == term:
            at = starts[-2]
            numbers[ids[at:]] = weights[at:]
            terms, starts, ids, weights = terms[:-1], starts[:-1], ids[:at], weights[:at]
    order = days * np.float64(DRAWS) + draws
    tagged = _tags(leaf)
    facets = {name: make_facet(tagged.get(name, {})) for name in FACETS}
    listed = {name: tuple(tagged.get(name, ())) for name in LISTED_TAGS}
    proof = proofs(tagged.get("proof", {}), size)
    return Arrays(tuple(terms), starts, ids, weights, lengths, order, facets, proof, listed)


def _blocks(leaf: Any, field: str, term: bytes, form: Any) -> Iterator[tuple[int, Any, Any, Any]]:
    """(count, gaps between ids, weights, values) of each block of a term.

    Whoosh offers postings one at a time only, which takes minutes for a large store, so this reads its
    blocks through the matcher's own methods; a test compares the outcome with Whoosh's own search.
    """
    matcher = leaf._terms.matcher(field, term, form)
    while matcher.is_active():
        matcher._read_data()
        gaps, weights, values = matcher._data
        yield matcher._blocklength, gaps, weights, values
        matcher._next_block()


def _terms(leaf: Any, field: str) -> Iterator[bytes]:
    for name, term in leaf.terms_from(field, b""):
        if name != field:
            return
        yield term


def _postings(leaf: Any) -> tuple[list[str], NDArray[np.int64], Ints, Floats]:
    """All terms of the text field with their postings, those of deleted cases too; see `Segment`."""
    all_gaps, all_weights = array("i"), array("f")
    terms: list[str] = []
    starts = array("q", [0])
    blocks: list[int] = []
    for term in _terms(leaf, ALL):
        for count, gaps, weights, _ in _blocks(leaf, ALL, term, _PLACES):
            blocks.append(len(all_gaps))
            all_gaps.extend(gaps)
            if weights is None or isinstance(weights, float):
                all_weights.extend([1.0 if weights is None else weights] * count)
            else:
                all_weights.extend(weights)
        terms.append(term.decode())
        starts.append(len(all_gaps))
    return (
        terms,
        np.frombuffer(starts, np.int64),
        _summed(all_gaps, blocks),
        np.frombuffer(all_weights, np.float32),
    )


def _summed(gaps: array[int], starts: list[int]) -> Ints:
    """Running sums of `gaps`, begun anew at each of `starts`: ids from the gaps between them."""
    if not starts:
        return NO_IDS
    values = np.frombuffer(gaps, np.int32)
    sums = values.cumsum(dtype=np.int64)
    before = sums[starts] - values[starts]
    sums -= np.repeat(before, np.diff([*starts, len(values)]))
    return sums.astype(np.int32)


def _tags(leaf: Any) -> dict[str, dict[str, Any]]:
    """Slots by tag name and value; for completion tags only which values there are."""
    tagged: dict[str, dict[str, Any]] = {}
    for term in _terms(leaf, TAGS):
        name, _, value = term.decode().partition("=")
        entry = tagged.setdefault(name, {})
        if name not in FACETS and name != "proof":
            entry[value] = ()
            continue
        parts = [np.array(gaps, np.int32).cumsum() for _, gaps, _, _ in _blocks(leaf, TAGS, term, _TAGS)]
        entry[value] = np.concatenate(parts).astype(np.int32)
    return tagged


def _positions(leaf: Any, term: bytes) -> Positions:
    ids: list[Ints] = [NO_IDS]
    places: list[bytes] = []
    if (ALL, term) in leaf:
        for _, gaps, _, values in _blocks(leaf, ALL, term, _PLACES):
            ids.append(np.array(gaps, np.int32).cumsum(dtype=np.int32))
            places.append(values)
    return np.concatenate(ids), np.frombuffer(b"".join(places), "<u2").reshape(-1, PLACES)
