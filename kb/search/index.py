"""The search index: a copy of the cases that can always be rebuilt, current in the moment of saving.

A save adds a small segment, marks dead what it replaces, and swaps in a new immutable `State`, so that any
number of threads search without waiting. A thread merges small segments as they gather.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from io import BytesIO
from pathlib import Path

import numpy as np

from kb.search.analysis import Analysis
from kb.search.bm25 import idf
from kb.search.bulk import write_segments
from kb.search.case_terms import TermReader
from kb.search.completion import Completer
from kb.search.document import CaseDocument, Filters, Hit, Results
from kb.search.engine import State, cases_to_read_again, facet_counts, find
from kb.search.expansion import Expander
from kb.search.folder import NOTHING_SEEN, UNFINISHED, Busy, IndexFolder, Mark, Seen, may_follow, new_name
from kb.search.normalization import fold, word_term
from kb.search.query import NOTHING_MEANT, Meant, read_query
from kb.search.segment import (
    Damaged,
    Part,
    Segment,
    segment_in_memory,
    segment_of_bytes,
    worth_merging,
    write_merged,
)
from kb.search.snippet import SnippetMaker

log = logging.getLogger(__name__)
MOST_HITS = 200
_WAIT_S = 5.0
_ERASED_AT_ONCE = 2_000


class SearchIndex:
    """Search over all cases. `search` and `complete` may be called from any thread at any time.

    `apply`, `adopt`, `read_again` and `rebuild` must be called by one thread at a time (the caller holds a lock).
    """

    def __init__(self, folder: IndexFolder | None, analysis: Analysis) -> None:
        self._use(analysis)
        self.was_rebuilt_because: str | None = None
        self.trouble: str | None = None
        self.generation = 0  # counts the times that everything was replaced
        self._folder = folder
        self._digest = ""  # of the manifest that the parts of the state belong to
        self._to_read_again: list[str] = []
        self._seen: Seen = NOTHING_SEEN
        self._saved = Mark(NOTHING_SEEN, analysis.fingerprint)
        self._unsaved: dict[str, CaseDocument | None] = {}
        self._state = State(())
        self._changing = threading.RLock()  # held by who swaps in a state: a save, or the end of a merge
        self._merging: threading.Thread | None = None

    @classmethod
    def open(cls, folder: Path | None, analysis: Analysis | None = None) -> SearchIndex:
        """Open the index in `folder` (None: in memory only).

        A missing or damaged index starts empty with `seen == (0, "")` and the reason in
        `was_rebuilt_because`; the caller then calls `rebuild`. One that was made with other lists of names
        adopts those of `analysis`. Files are compared with their SHA-256, about 1 s for 500 MB of index. Raises
        OSError when the folder cannot be written at all, `Busy` when another process keeps writing.
        """
        analysis = analysis or Analysis()
        if folder is None:
            index = cls(None, analysis)
            index.was_rebuilt_because = "there is no index yet"
            return index
        opened = IndexFolder(folder)
        with opened.locked():
            try:
                manifest = opened.manifest()
                same = manifest.mark.chain == analysis.fingerprint
                index = cls(opened, analysis if same else manifest.analysis())
                index._take(opened.parts(manifest), manifest.mark, manifest.digest)
            except Damaged as damage:
                index = cls(opened, analysis)
                index.was_rebuilt_because = str(damage)
                mark = Mark(NOTHING_SEEN, analysis.fingerprint)
                index._take((), mark, opened.commit((), mark, analysis))
            opened.remove_unlisted()
        index.adopt(analysis)
        return index

    def _use(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self._terms = TermReader(analysis)
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
        return state.documents(np.flatnonzero(state.alive()).tolist())

    def close(self) -> None:
        """Wait for background work."""
        thread = self._merging
        if thread is not None:
            thread.join()
        self._tidy()

    def _tidy(self) -> None:
        """Remove segments that were read when they were replaced, on systems that then keep them."""
        if self._folder is not None:
            self._folder.remove_unused()

    # Changing

    def apply(self, upserts: Iterable[CaseDocument], deletes: Iterable[str], seen: Seen) -> None:
        """Take changed and deleted cases in; they are found, or gone, when this returns.

        The disk follows in the same call. When it cannot (full, or another process is writing) the reason
        is in `trouble` and the next call tries again; searches are right all the same.
        """
        changed: dict[str, CaseDocument | None] = dict.fromkeys(deletes)
        changed.update((document.uid, document) for document in upserts)
        with self._changing:
            self._state = self._with(self._state.parts, changed)
            self._seen = seen
            self._unsaved.update(changed)
            self._save()
        self._merge_if_grown()
        self._tidy()

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
        with self._changing:
            self._save()

    def read_again(self, most: int) -> int:
        """Read up to `most` of the cases again that a change of names touches; how many are left."""
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
        """Rebuild the index from `docs`. Searches, and other processes, use the old one until it is done.

        `progress` is called with how many cases are done. With `processes` 2 a helper process takes half of
        the work (about twice as fast from some thousand cases on). Raises OSError when the disk is full, the
        `HelperFailed` among them when there is no such process, and `Busy` when another process keeps
        writing; the old index then stays.
        """
        self.close()
        mark = Mark(seen, self.analysis.fingerprint)
        if self._folder is None:
            segments = write_segments(None, self.analysis, docs, progress, processes)
            self._take([Part.of(segment) for segment in segments], mark, "")
        else:
            with self._folder.locked():
                try:
                    segments = write_segments(self._folder.path, self.analysis, docs, progress, processes)
                    parts = [Part.of(segment) for segment in segments]
                    digest = self._folder.commit(parts, mark, self.analysis)
                except BaseException:
                    self._folder.remove_unlisted()
                    raise
                self._take(parts, mark, digest)
                self._folder.remove_unlisted()
            self._tidy()
        self._to_read_again = []
        self.trouble = None

    def _take(self, parts: Sequence[Part], mark: Mark, digest: str) -> None:
        """Use `parts`, which are what the disk holds."""
        for part in parts:
            _make_ready(part.segment)
        with self._changing:
            self.generation += 1
            self._state = State(tuple(parts))
            self._seen, self._saved, self._digest = mark.seen, mark, digest
            self._unsaved = {}

    def _with(self, parts: Sequence[Part], changed: dict[str, CaseDocument | None]) -> State:
        """A state of `parts` in which the cases `changed` are as given, or gone for None."""
        replaced = [uid for uid, document in changed.items() if document is not None]
        deleted = [uid for uid, document in changed.items() if document is None]
        parts = [part.without(replaced, deleted) for part in parts]
        self._terms.new_segment()
        cases = [self._terms.read(document) for document in changed.values() if document is not None]
        if cases:
            largest = max((part.segment for part in parts), key=lambda segment: segment.size, default=None)
            parts.append(Part.of(segment_in_memory(new_name(), cases, largest)))
        return State(tuple(part for part in parts if part.count))

    def _save(self) -> None:
        mark = Mark(self._seen, UNFINISHED if self._to_read_again else self.analysis.fingerprint)
        try:
            if self._folder is not None:
                with self._folder.locked(_WAIT_S):
                    self._write(self._folder, mark)
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

    def _write(self, folder: IndexFolder, mark: Mark) -> None:
        """Bring the folder from `self._saved` to `mark`.

        Where another process has written meanwhile, what it left is taken over and our changes are made to
        that. Where it has gone further already, or has taken other names in, its index is left as it is.
        """
        manifest = folder.manifest()
        if manifest.digest != self._digest:
            if not may_follow(mark, self._saved, manifest.mark):
                self._digest = ""
                return
            self._state = self._with(folder.parts(manifest, self._state.parts), self._unsaved)
        self._digest = folder.commit(self._state.parts, mark, self.analysis, manifest)

    # Merging

    def _merge_if_grown(self) -> None:
        on_disk = self._folder is None or self._digest
        while self._merging is None and on_disk and not self.trouble:
            span = worth_merging(self._state.parts)
            if span is None:
                return
            parts = self._state.parts[slice(*span)]
            erased, size = sum(part.erased for part in parts), sum(part.segment.size for part in parts)
            if not erased or size > _ERASED_AT_ONCE:
                self._merging = threading.Thread(target=self._merge_all, name="search-merge")
                self._merging.start()
            elif not self._merge(parts):  # the text of a deleted case is gone when the caller goes on
                return

    def _merge_all(self) -> None:
        try:
            while (span := worth_merging(parts := self._state.parts)) and self._merge(parts[slice(*span)]):
                pass
        finally:
            self._merging = None

    def _merge(self, parts: tuple[Part, ...]) -> bool:
        """Puts one segment in the place of `parts`, which are neighbours, where that can be done now."""
        try:
            merged = self._merged(parts)
            with self._changing:
                state = self._state.with_merged(merged, parts)
                if self._folder is not None and not self._commit_merged(self._folder, state, merged.name):
                    return False
                self._state = state
        except Busy:
            return False
        except Exception as error:
            log.exception("segments of the search index could not be merged")
            self.trouble = f"the search index cannot be merged: {type(error).__name__}"
            return False
        return True

    def _merged(self, parts: tuple[Part, ...]) -> Segment:
        like = max((part.segment for part in self._state.parts), key=lambda segment: segment.size)
        if self._folder is None:
            buffer = BytesIO()
            checksum = write_merged(buffer, parts)
            merged = segment_of_bytes(new_name(), checksum, buffer.getvalue(), like)
        else:
            merged = self._folder.new_segment(lambda file: write_merged(file, parts), like)
        _make_ready(merged)
        return merged

    def _commit_merged(self, folder: IndexFolder, state: State, name: str) -> bool:
        """Whether the folder, too, now holds `state`; not where the disk is behind or another process wrote."""
        with folder.locked(_WAIT_S):
            there = (folder.path / name).exists()
            manifest = folder.manifest()
            if self._unsaved or not there or manifest.digest != self._digest:
                folder.remove(name)
                return False
            self._digest = folder.commit(state.parts, self._saved, self.analysis, manifest)
            if all(part.segment.name != name for part in state.parts):
                folder.remove(name)  # all of its cases were deleted meanwhile
        return True

    # Searching

    def search(
        self,
        query: str,
        filters: Filters = Filters(),
        *,
        limit: int = 20,
        offset: int = 0,
        prefer_family: str | None = None,
        meant: Meant = NOTHING_MEANT,
    ) -> Results:
        """The cases that answer `query` within `filters`, best first; any text is answered.

        Raises `Damaged` where the files of the index have become unreadable since it was opened.
        `limit` is held between 0 and 200, `offset` at 0 or more. With `prefer_family` its cases come first
        where they answer at least half of the query. Words that no case holds are replaced by words that
        begin with them or by near spellings; codes and numbers never are. `meant` is what a reader found in it.
        """
        limit, offset = max(0, min(limit, MOST_HITS)), max(0, min(offset, 2**31))
        self._tidy()
        state = self._state
        plan = read_query(query, self.analysis, meant)
        plan, unknown, did_you_mean = Expander(state, self.analysis).expand(plan)
        matches = find(state, plan, filters, prefer_family)
        worth = {
            term: idf(state.count, holding) * factor
            for group in plan.groups
            for term, factor in group.terms
            if (holding := state.holding(term))
        }
        hits = []
        for slot, score in matches.top(limit, offset):
            document = state.document(slot)
            snippet = self._snippets.make(document, worth)
            hits.append(Hit(document.uid, document.family, round(score, 6), snippet))
        facets = facet_counts(state, matches.matched)
        return Results(len(matches.slots), tuple(hits), facets, did_you_mean, unknown)

    def every(
        self,
        query: str,
        filters: Filters,
        prefer_family: str | None = None,
        meant: Meant = NOTHING_MEANT,
    ) -> list[str]:
        """The uids of all cases that `search` would find, in order of uid."""
        state, plan = self._state, read_query(query, self.analysis, meant)
        matches = find(state, Expander(state, self.analysis).expand(plan)[0], filters, prefer_family)
        return sorted(document.uid for document in state.documents(matches.slots.tolist()))

    def complete(self, prefix: str, limit: int = 10) -> tuple[str, ...]:
        """Symptoms, families, parts, classes and past complaints that begin with, or hold a word that
        begins with, `prefix`; then other names of symptoms and classes that some case has; failing these
        the last word of `prefix` completed."""
        prefix = " ".join(prefix[:80].split())
        if not prefix:
            return ()
        state = self._state
        completers = [part.segment.completer for part in state.parts]
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


def _make_ready(segment: Segment) -> None:
    """Make what the first search would have to wait for."""
    _ = segment.completer, segment.speller
