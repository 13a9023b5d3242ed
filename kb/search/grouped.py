"""Postings gathered in flat arrays and written block by block, for segments made in one go.

Whoosh sorts postings on disk once they outgrow its pool and writes them one at a time; together this takes
longer than all the rest. Gathered here they need one sort of small integers and about 2 kB a case, and each
block is written whole. What ends up in the files is the same, which the tests of the scorer hold.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from operator import sub
from typing import Any

import numpy as np
from whoosh.codec.whoosh3 import W3FieldWriter, W3PostingsWriter
from whoosh.writing import SegmentWriter

from kb.search.prepare import Prepared
from kb.search.schema import ALL, BLOCK, BODY, TAGS, UID, LongBlocks


class _Postings:
    """All postings of one field: the number of their term, their slot, weight and packed value."""

    def __init__(self, width: int) -> None:
        self.numbers: dict[bytes, int] = {}
        self.width = width
        self._terms = array("I")
        self._slots = array("I")
        self._counts = array("I")
        self._weights = array("f")
        self._values = bytearray()

    def add(
        self, slot: int, terms: Sequence[bytes], weights: Sequence[float], values: Sequence[bytes]
    ) -> None:
        numbers = self.numbers
        number = numbers.setdefault
        self._terms.extend([number(term, len(numbers)) for term in terms])
        self._slots.append(slot)
        self._counts.append(len(terms))
        self._weights.extend(weights)
        if self.width:
            self._values += b"".join(values)

    def by_term(self) -> Iterator[tuple[bytes, Any, Any, bytes]]:
        """(term, slots in rising order, weights, values) in order of the terms."""
        terms = np.frombuffer(self._terms, np.uint32)
        order = np.argsort(terms, kind="stable").astype(np.uint32)
        ends = np.cumsum(np.bincount(terms, minlength=len(self.numbers))).tolist()
        slots = np.repeat(np.frombuffer(self._slots, np.uint32), np.frombuffer(self._counts, np.uint32))
        weights = np.frombuffer(self._weights, np.float32)
        values = np.frombuffer(self._values, f"V{self.width}") if self.width else None
        for term in sorted(self.numbers):
            number = self.numbers[term]
            taken = order[ends[number - 1] if number else 0 : ends[number]]
            yield term, slots[taken], weights[taken], b"" if values is None else values[taken].tobytes()


class GroupedPool:
    """Stands in for Whoosh's posting pool; only `GroupedWriter` fills it."""

    def __init__(self) -> None:
        self.fields: dict[str, _Postings] = {}

    @property
    def fieldnames(self) -> set[str]:
        """The fields that have postings."""
        return set(self.fields)

    def field(self, name: str, width: int) -> _Postings:
        """The postings of one field, each with a value of `width` bytes."""
        found = self.fields.get(name)
        if found is None:
            found = self.fields[name] = _Postings(width)
        return found

    def iter_postings(self) -> GroupedPool:
        """What Whoosh hands on to the field writer, which takes it whole."""
        return self

    def cleanup(self) -> None:
        """Let the postings go."""
        self.fields = {}


class _Blocks(W3PostingsWriter):
    """Whoosh's writer of one term's postings, given whole blocks."""

    def write_all(self, slots: Any, weights: Any, values: bytes, width: int) -> None:
        """Hand over all postings of the term at hand; the last block is left for `finish_postings`."""
        for at in range(0, len(slots), BLOCK):
            if at:
                self._write_block()
            self._ids = array("I", slots[at : at + BLOCK].tobytes())
            self._weights = array("f", weights[at : at + BLOCK].tobytes())
            self._values = [values[at * width : (at + BLOCK) * width]] if width else []
            self._maxweight = max(self._weights)

    def _mini_ids(self) -> tuple[int, ...]:
        ids = list(self._ids)
        return (ids[0], *map(sub, ids[1:], ids))

    def _mini_weights(self) -> Any:
        weights = list(self._weights)
        if weights.count(weights[0]) < len(weights):
            return tuple(weights)
        return None if weights[0] == 1.0 else weights[0]


class _GroupedFields(W3FieldWriter):
    """Whoosh's writer of terms, given the postings of each term at once."""

    def add_postings(self, schema: Any, lengths: Any, items: GroupedPool) -> None:
        """Write all fields of the pool; lengths by block are left out, as nothing here reads them."""
        for name in sorted(items.fields):
            field = items.fields[name]
            self.start_field(name, schema[name])
            blocks: Any = self._postwriter
            for term, slots, weights, values in field.by_term():
                self.start_term(term)
                blocks.write_all(slots, weights, values, field.width)
                self.finish_term()
            self.finish_field()


class GroupedBlocks(LongBlocks):
    """The format of `LongBlocks`, written from a `GroupedPool`."""

    def field_writer(self, storage: Any, segment: Any) -> W3FieldWriter:
        """The writer of terms and postings for a new segment."""
        return _GroupedFields(self, storage, segment)

    def postings_writer(self, dbfile: Any, byteids: bool = False) -> W3PostingsWriter:
        """The writer of the blocks of each term."""
        return _Blocks(
            dbfile, BLOCK, byteids=byteids, compression=self._compression, inlinelimit=self._inlinelimit
        )


class GroupedWriter:
    """One new segment that belongs to no index until somebody lists it."""

    def __init__(self, storage: Any) -> None:
        made: Callable[..., Any] = SegmentWriter
        self._writer = made(storage.open_index(), _lk=False, codec=GroupedBlocks())
        self._pool = self._writer.pool = GroupedPool()
        self.schema = self._writer.schema
        self._text = self._pool.field(ALL, self.schema[ALL].format.fixed_value_size())
        self._tags = self._pool.field(TAGS, 0)
        self._uids = self._pool.field(UID, 0)

    def add(self, case: Prepared) -> None:
        """Take one prepared case in."""
        writer = self._writer
        slot, cases, schema = writer.docnum, writer.perdocwriter, writer.schema
        cases.start_doc(slot)
        if case.postings:
            terms, weights, values = zip(*case.postings, strict=True)
            self._text.add(slot, terms, weights, values)
        cases.add_field(ALL, schema[ALL], None, 0)
        cases.add_field(BODY, schema[BODY], case.document.as_stored(), 0)
        tags = tuple(dict.fromkeys(case.tags))
        self._tags.add(slot, tags, (1.0,) * len(tags), ())
        self._uids.add(slot, (case.document.uid.encode(errors="replace"),), (1.0,), ())
        cases.finish_doc()
        writer._added = True
        writer.docnum += 1

    def drop(self) -> None:
        """Close the files without a segment; the next commit to the index removes them."""
        self._writer._close_segment()

    def finish(self) -> Any:
        """Write the segment."""
        for name in [name for name, field in self._pool.fields.items() if not field.numbers]:
            del self._pool.fields[name]
        # Nothing but this: closing the writer would empty the folder for drafts that all parts share.
        return self._writer._finalize_segment()
