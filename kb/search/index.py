"""The search index: a copy of the cases that can always be rebuilt, current in the moment of saving.

What is on disk (Whoosh, `folder`) is read into arrays once (`segment`); cases saved since live in small
segments beside it. A save makes a new immutable `State` and swaps it in, so that any number of threads
search without waiting. Once enough has gathered beside it, the whole is read anew in the background.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from kb.search.analysis import Analysis
from kb.search.bm25 import idf
from kb.search.complete import Completer
from kb.search.document import CaseDocument, Filters, Hit, Results
from kb.search.engine import State, facet_counts, find
from kb.search.folder import NOTHING_SEEN, UNFINISHED, Busy, IndexFolder, Mark, Meta, Seen
from kb.search.mend import Mender
from kb.search.prepare import Prepared, Preparer
from kb.search.query import read_query
from kb.search.renamed import cases_to_read_again
from kb.search.segment import Segment, fresh_segment
from kb.search.snapshot import Damaged, drop_snapshots
from kb.search.snippet import SnippetMaker
from kb.search.spelling import Speller
from kb.search.stored import stored_segments
from kb.search.words import fold, word_term

MOST_HITS = 200
_REREAD_FROM = 200
_REREAD_SHARE = 0.02
_WAIT_S = 5.0


class _Fresh:
    """Cases saved since the stored segment was read, with the segment made of them."""

    __slots__ = ("cases", "segment")

    def __init__(self, cases: tuple[Prepared, ...]) -> None:
        self.cases = cases
        self.segment = fresh_segment(cases)


class SearchIndex:
    """Search over all cases. `search` and `complete` may be called from any thread at any time.

    `apply` and `rebuild` must be called by one thread at a time (the caller holds a lock).
    """

    def __init__(self, folder: IndexFolder, analysis: Analysis) -> None:
        self._use(analysis)
        self.was_rebuilt_because: str | None = None
        self.trouble: str | None = None
        self.generation = 0  # counts the times that the whole was read from the disk
        self._folder = folder
        self._to_read_again: list[str] = []
        self._seen: Seen = NOTHING_SEEN
        self._saved = Mark(NOTHING_SEEN, analysis.fingerprint)
        self._unsaved: dict[str, Prepared | None] = {}
        self._swap = threading.RLock()
        self._stored: tuple[Segment, ...] = ()
        self._fresh: tuple[_Fresh, ...] = ()
        self._barrier = 0
        self._gone_since: set[str] = set()
        self._rereading: threading.Thread | None = None
        self._state = State((), ())
        self._helpers: dict[int, tuple[Segment, Completer, Speller]] = {}

    @classmethod
    def open(cls, folder: Path | None, analysis: Analysis | None = None) -> SearchIndex:
        """Open the index in `folder` (None: in memory only).

        A missing or damaged index starts empty with `seen == (0, "")` and the reason in
        `was_rebuilt_because`; the caller then calls `rebuild`. One that was made with other lists of names
        adopts those of `analysis`. Files are checked by SHA-256, about 1 s for each 500 MB of index. Raises
        OSError when the folder cannot be written at all.
        """
        analysis = analysis or Analysis()
        opened = IndexFolder(folder)
        try:
            reader, meta, made_with = opened.open(analysis)
            index = cls(opened, made_with)
            index._take(reader, meta)
            index.adopt(analysis)
        except Damaged as damage:
            index = cls(opened, analysis)
            index.was_rebuilt_because = str(damage)
            index._take(opened.create(analysis), Meta(Mark(NOTHING_SEEN, analysis.fingerprint), 0))
        return index

    def _use(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self._preparer = Preparer(analysis)
        self._snippets = SnippetMaker(analysis)
        self._named = dict(analysis.other_names())
        self._names = Completer({"symptom": self._named})

    @property
    def seen(self) -> Seen:
        """The last change that searches take into account, as (number, nonce)."""
        return self._seen

    @property
    def saved(self) -> Seen:
        """The last change that the index on disk holds; behind `seen` while the disk refuses."""
        return self._saved.seen

    @property
    def to_read_again(self) -> int:
        """How many cases are still to be read with the names adopted last; see `read_again`."""
        return len(self._to_read_again)

    @property
    def count(self) -> int:
        """How many cases can be found."""
        return self._state.count

    def document_of(self, uid: str) -> CaseDocument | None:
        """A case as the index holds it, None where it holds none of this uid."""
        return self._state.document_of(uid)

    def documents(self) -> Iterator[CaseDocument]:
        """Every case as the index holds it, to be compared with the store."""
        state = self._state
        for segment, alive in zip(state.segments, state.alive, strict=True):
            for slot in np.flatnonzero(alive).tolist():
                yield segment.document(slot)

    def close(self) -> None:
        """Wait for background work."""
        thread = self._rereading
        if thread is not None:
            thread.join()

    # Changing

    def apply(self, upserts: Iterable[CaseDocument], deletes: Iterable[str], seen: Seen) -> None:
        """Take changed and deleted cases in; they are found, or gone, when this returns.

        The disk follows in the same call. When it cannot (full, or another process is writing) the reason
        is in `trouble` and the next call tries again; searches are right all the same.
        """
        latest = {document.uid: document for document in upserts}
        self._preparer.new_run()
        cases = tuple(self._preparer.prepare(document) for document in latest.values())
        gone = set(deletes) - latest.keys()
        with self._swap:
            self._add_fresh(cases, gone | latest.keys())
            self._seen = seen
        self._unsaved.update((case.document.uid, case) for case in cases)
        self._unsaved.update((uid, None) for uid in gone)
        self._save()
        self._reread_if_grown()

    def adopt(self, analysis: Analysis) -> None:
        """Read queries, and cases from now on, with other lists of names.

        Cases that may read otherwise now are counted in `to_read_again`: the caller calls `read_again` until
        none is left. Called by one thread at a time, as `apply` is.
        """
        if analysis.fingerprint == self.analysis.fingerprint:
            return
        known = dict.fromkeys(self._to_read_again)
        known.update(dict.fromkeys(cases_to_read_again(self._state, self.analysis, analysis)))
        self._use(analysis)
        self._to_read_again = list(known)
        self._save()

    def read_again(self, most: int) -> int:
        """Read up to `most` of the cases anew that a change of names touches; how many are left."""
        if self._to_read_again:
            uids, self._to_read_again = self._to_read_again[:most], self._to_read_again[most:]
            found = (self._state.document_of(uid) for uid in uids)
            self.apply([document for document in found if document is not None], (), self._seen)
        return len(self._to_read_again)

    def rebuild(
        self,
        docs: Iterable[CaseDocument],
        seen: Seen,
        progress: Callable[[int], None] | None = None,
        processes: int = 1,
    ) -> None:
        """Make the index anew from `docs`. Searches use the old one until it is done.

        `progress` is told how many cases are done. With `processes` 2 a helper process takes half of the
        work (about twice as fast from some thousand cases on). Raises OSError when the disk is full, the
        `HelperFailed` among them when there is no such process, and `Busy` when another process keeps
        writing; the old index then stays.
        """
        self.close()
        self._folder.replace(docs, self.analysis, seen, progress, processes)
        reader, meta = self._folder.reader()
        self._take(reader, meta)
        self._to_read_again = []
        self.trouble = None

    def _take(self, reader: Any, meta: Meta) -> None:
        segments, alive = self._read(reader)
        with self._swap:
            self.generation += 1
            self._stored, self._fresh, self._barrier, self._gone_since = segments, (), 0, set()
            self._state = State(segments, alive)
            self._helpers = self._living_helpers(self._state)
            self._seen, self._saved = meta.mark.seen, meta.mark
            self._unsaved = {}

    def _read(self, reader: Any) -> tuple[tuple[Segment, ...], tuple[Any, ...]]:
        """The stored segments, with what spelling and completion need made beforehand."""
        known = {segment.name: segment for segment in self._stored}
        segments, alive = stored_segments(reader, known, self._folder.path)
        if self._folder.path is not None:
            drop_snapshots(self._folder.path, {segment.name for segment in segments})
        self._helpers = {**self._helpers, **{id(segment): self._helper(segment) for segment in segments}}
        return segments, alive

    def _helper(self, segment: Segment) -> tuple[Segment, Completer, Speller]:
        found = self._helpers.get(id(segment))
        if found is not None and found[0] is segment:
            return found
        return segment, Completer(segment.listed), Speller(segment.listed["word"])

    def _add_fresh(self, cases: tuple[Prepared, ...], replaced: set[str]) -> None:
        """Swap in a state without `replaced` and with `cases`. Small segments are merged as they gather."""
        state = self._state
        alive = [_without(seg, mask, replaced) for seg, mask in zip(state.segments, state.alive, strict=True)]
        if self._rereading is not None:
            self._gone_since |= replaced
        fresh = list(self._fresh)
        if cases:
            fresh.append(_Fresh(cases))
            alive.append(np.ones(len(cases), bool))
        while len(fresh) >= self._barrier + 2 and len(fresh[-1].cases) * 2 >= len(fresh[-2].cases):
            base = len(alive) - len(fresh)
            last_two = (len(fresh) - 2, len(fresh) - 1)
            kept = tuple(
                case
                for at in last_two
                for case, lives in zip(fresh[at].cases, alive[base + at], strict=True)
                if lives
            )
            del fresh[-2:], alive[-2:]
            if not kept:
                break
            fresh.append(_Fresh(kept))
            alive.append(np.ones(len(kept), bool))
        self._fresh = tuple(fresh)
        self._state = State((*self._stored, *(part.segment for part in fresh)), tuple(alive))

    def _save(self) -> None:
        upserts = [case for case in self._unsaved.values() if case is not None]
        deletes = [uid for uid, case in self._unsaved.items() if case is None]
        mark = Mark(self._seen, UNFINISHED if self._to_read_again else self.analysis.fingerprint)
        try:
            self._folder.write(upserts, deletes, mark, self._saved, self.analysis, _WAIT_S)
        except Busy:
            self.trouble = "another process is writing to the search index"
            return
        except Exception as error:
            # Whatever the index files do, the records are safe and this process still searches rightly.
            self.trouble = f"the search index cannot be saved: {type(error).__name__}: {error}"
            return
        self.trouble = None
        self._saved = mark
        self._unsaved = {}

    # Reading the stored part anew

    def _reread_if_grown(self) -> None:
        waiting = sum(len(part.cases) for part in self._fresh)
        stored = sum(segment.size for segment in self._stored)
        if self._rereading is not None or waiting < max(_REREAD_FROM, int(stored * _REREAD_SHARE)):
            return
        if self._saved.seen != self._seen or self.trouble:
            return
        with self._swap:
            reader, meta = self._folder.reader()
            if meta.mark != self._saved:
                reader.close()
                return
            self._barrier = len(self._fresh)
            self._gone_since = set()
            self._rereading = threading.Thread(target=self._reread, args=(reader,), name="search-reread")
        self._rereading.start()

    def _reread(self, reader: Any) -> None:
        try:
            segments, alive = self._read(reader)
            with self._swap:
                later = self._fresh[self._barrier :]
                masks = self._state.alive[len(self._state.alive) - len(later) :] if later else ()
                pairs = zip(segments, alive, strict=True)
                alive = tuple(_without(segment, mask, self._gone_since) for segment, mask in pairs)
                self._stored, self._fresh, self._barrier = segments, later, 0
                self._state = State((*segments, *(part.segment for part in later)), (*alive, *masks))
                self._helpers = self._living_helpers(self._state)
        except Exception as error:
            self.trouble = f"the search index cannot be read again: {type(error).__name__}"
        finally:
            self._barrier = 0
            self._rereading = None

    # Searching

    def search(
        self,
        query: str,
        filters: Filters = Filters(),
        *,
        limit: int = 20,
        offset: int = 0,
        prefer_family: str | None = None,
    ) -> Results:
        """The cases that answer `query` within `filters`, best first; any text is answered.

        Raises `Damaged` where the files of the index have become unreadable since it was opened.
        `limit` is held between 0 and 200, `offset` at 0 or more. With `prefer_family` its cases come first
        where they answer at least half of the query. Words that no case holds are replaced by words that
        begin with them or by near spellings; codes and numbers never are.
        """
        limit, offset = max(0, min(limit, MOST_HITS)), max(0, min(offset, 2**31))
        state = self._state
        plan = read_query(query, self.analysis)
        plan, unknown, did_you_mean = Mender(state, self._all_helpers(state), self.analysis).mend(plan)
        matches = find(state, plan, filters, self.analysis, prefer_family)
        worth = {
            term: idf(state.count, holding) * factor
            for group in plan.groups
            for term, factor in group.terms
            if (holding := state.holding(term))
        }
        hits = []
        for slot in matches.top(limit, offset):
            document = state.document(slot)
            snippet = self._snippets.make(document, worth)
            hits.append(Hit(document.uid, document.family, round(float(matches.scores[slot]), 6), snippet))
        total = int(np.count_nonzero(matches.matched))
        return Results(total, tuple(hits), facet_counts(state, matches.matched), did_you_mean, unknown)

    def every(self, query: str, filters: Filters, prefer_family: str | None = None) -> list[str]:
        """The uids of all cases that `search` would find, in order of uid."""
        state, plan = self._state, read_query(query, self.analysis)
        mended = Mender(state, self._all_helpers(state), self.analysis).mend(plan)[0]
        matches = find(state, mended, filters, self.analysis, prefer_family)
        return sorted(state.document(int(slot)).uid for slot in np.flatnonzero(matches.matched))

    def complete(self, prefix: str, limit: int = 10) -> tuple[str, ...]:
        """Symptoms, families, parts, classes and past complaints that begin with, or hold a word that
        begins with, `prefix`; then other names of symptoms and classes that some case has; failing these
        the last word of `prefix` completed."""
        prefix = " ".join(prefix[:80].split())
        if not prefix:
            return ()
        state = self._state
        completers = [completer for _, completer, _ in self._all_helpers(state)]
        phrases = dict.fromkeys(
            phrase for _, phrase in sorted({pair for found in completers for pair in found.phrases(prefix)})
        )
        named = (phrase for _, phrase in self._names.phrases(prefix))
        phrases.update(dict.fromkeys(name for name in named if state.holding(self._named[name])))
        limit = max(0, min(limit, MOST_HITS))
        if len(phrases) < limit:
            before, _, last = prefix.rpartition(" ")
            word = fold(last)
            if len(word) >= 2:
                known = {known for found in completers for known in found.words(word)} - {word}
                held = {known: holding for known in known if (holding := state.holding(word_term(known)))}
                often = sorted(held, key=lambda known: (-held[known], known))
                phrases.update(dict.fromkeys(f"{before} {known}".strip() for known in often[:limit]))
        return tuple(phrases)[:limit]

    def _all_helpers(self, state: State) -> list[tuple[Segment, Completer, Speller]]:
        helpers = []
        for segment in state.segments:
            found = self._helpers.get(id(segment))
            if found is None or found[0] is not segment:
                found = self._helper(segment)
                self._helpers = {**self._living_helpers(state), id(segment): found}
            helpers.append(found)
        return helpers

    def _living_helpers(self, state: State) -> dict[int, tuple[Segment, Completer, Speller]]:
        living = {id(segment) for segment in state.segments}
        return {key: found for key, found in self._helpers.items() if key in living}


def _without(segment: Segment, alive: Any, uids: set[str]) -> Any:
    slots = [slot for uid in uids if (slot := segment.slot(uid)) is not None]
    if not slots:
        return alive
    changed = alive.copy()
    changed[slots] = False
    return changed
