"""Keeps the search index and the counts in step with the store, following its change feed.

Each copy remembers the change number it has seen. They catch up at the start, after every commit and
whenever somebody asks them something, since another process may have written meanwhile. A copy that
claims a change the store never made (an older store was restored) is built again.

The shop's own names of symptoms and parts are part of how search reads words. A change of those lists is
seen in the feed like any other: queries are read with the new names at once, and so are the cases that hold
them; where these are very many, the rest follows in the background, which the pages say.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from sqlmodel import Session

from kb import system
from kb.config import Settings
from kb.errors import StoreAway
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.search import Analysis, Damaged, SearchIndex
from kb.service.shop import comparison
from kb.service.shop.copies import Copy, CountsCopy, IndexCopy, Known, Progress, Seen, changed_uids, rebuild
from kb.store import Store
from kb.store.records import cases, changes, lists
from kb.suggest import Ledger, Tuning, choose_strength
from kb.suggest import Settings as Weights
from kb.suggest.general_knowledge import general_knowledge
from kb.suggest.snapshot import from_bytes, to_bytes

log = logging.getLogger(__name__)
_BATCH = 500
# Read again with new names while the asker waits (about a second), and when closing.
_READ_AT_ONCE = 1_000
_READ_AT_CLOSE = 5_000
_READ_BEHIND = 100  # at a time, so that others wait a tenth of a second at most
_PAUSE_S = 0.01  # in which others get at the lock
# Past this share of the store, building again costs less than replacing case by case.
_REBUILD_SHARE = 0.5
_SAVE_EVERY = 2_000
_NAMED = ("symptom", "part_class")  # lists whose names search knows
# Until weights can be chosen on own cases: beside general knowledge a few cases of a kind say little of the next.
_KIND_CASES = 128.0
# Leave-one-out over so many cases takes well under a second; the choice hardly moves with more.
_TUNING_CASES = 2_000


class Derived:
    """The copies and the lock under which they change; see `counts` for readers."""

    def __init__(
        self, store: Store, settings: Settings, index_folder: Path | None, counts_file: Path | None
    ) -> None:
        self._store = store
        self._settings = settings
        self._lock = threading.RLock()
        self._index_folder = index_folder
        self._counts_file = counts_file
        self._unsaved = 0
        self._tuning: Tuning | None = None
        self._serving = False
        self._chooser: threading.Thread | None = None
        self._reader: threading.Thread | None = None
        self._closing = threading.Event()
        self.failure: str | None = None
        self._opened_index: IndexCopy | None = None
        self._read_ledger: CountsCopy | None = None
        self.computed: dict[str, object] = {}
        """What use cases have worked out from the counts and keep with them, by the name of what it is."""

    @classmethod
    def on_disk(cls, store: Store, settings: Settings) -> Derived:
        """Copies kept in the data folder."""
        return cls(store, settings, settings.index_folder, settings.counts_file)

    @classmethod
    def in_memory(cls, store: Store, settings: Settings) -> Derived:
        """Copies that leave nothing behind."""
        return cls(store, settings, None, None)

    # Opened when first asked for: commands that only move records need neither.

    @property
    def _index(self) -> IndexCopy:
        if self._opened_index is None:
            with self._store.read() as session:
                analysis = analysis_of(session)
            self._opened_index = IndexCopy(SearchIndex.open(self._index_folder, analysis))
        return self._opened_index

    @property
    def _counts(self) -> CountsCopy:
        if self._read_ledger is None:
            self._read_ledger = CountsCopy(self._read_counts())
        return self._read_ledger

    @property
    def index(self) -> SearchIndex:
        """The search index, caught up as far as it can be."""
        self.catch_up()
        return self._index.index

    @contextmanager
    def ledger(self) -> Iterator[Ledger]:
        """The counts, held still for the length of the block. Whoever only looks into them waits for no choice of
        weights."""
        self.catch_up()
        with self._lock:
            yield self._counts.ledger

    @contextmanager
    def counts(self) -> Iterator[tuple[Ledger, Weights]]:
        """The counts and the weights chosen for them, held still for the length of the block."""
        with self.ledger() as ledger:
            yield ledger, self._weights()

    @property
    def trouble(self) -> str | None:
        """Why an answer may miss something, in words for the pages; None where nothing is amiss."""
        left = self._index.index.to_read_again if self._opened_index is not None else 0
        if self.failure or not left:
            return self.failure
        return f"New names of symptoms or parts are being taken in: {left} cases are not found by them yet."

    @property
    def index_rebuilt_because(self) -> str | None:
        """Why the search index was made again since the start; None where it was not."""
        return self._index.index.was_rebuilt_because

    @property
    def index_trouble(self) -> str | None:
        """Why the index on disk is behind while searches are right; None where it is in step."""
        return self._index.index.trouble

    def warm(self) -> None:
        """Chooses the weights ahead of the first question, and goes on to choose them thoroughly behind it."""
        self._serving = True
        with self.counts():
            pass

    def seen(self) -> dict[str, int]:
        """Change numbers that the copies have reached."""
        with self._lock:
            return {"index": self._index.seen[0], "counts": self._counts.seen[0]}

    def catch_up(self, progress: Progress | None = None) -> None:
        """Brings both copies to the store's newest change; `progress` is told of long work only.

        A failure here never fails the caller, whose record is safe in the store: it is kept in
        `failure`, shown on the pages and tried again at the next occasion.
        """
        try:
            if self._in_step():
                return
            with self._lock:
                copies: tuple[Copy, ...] = (self._index, self._counts)  # opening them reads the store too
                with self._store.read() as session:
                    newest = changes.latest(session)
                    behind = [copy for copy in copies if copy.seen != newest]
                    strange = [copy for copy in behind if not changes.is_on_record(session, copy.seen)]
                    for copy in strange:
                        self._note(copy, "it had seen a change that this store never made")
                    if strange:
                        self._miss(max(copy.seen[0] for copy in behind) - newest[0])
                    if self._index in behind:
                        self._adopt_names(session)
                    stale = [
                        copy for copy in behind if copy in strange or not self._follow(session, copy, newest)
                    ]
                    if stale:
                        self._rebuild(session, stale, newest, progress)
                if self._reader is None:
                    self._read_names(progress)
                self.failure = None
            if self._unsaved >= _SAVE_EVERY:
                self.save()
        except StoreAway as error:
            self.failure = f"{error.message} What is shown may be old."
        except Exception:
            log.exception("the derived copies could not catch up")
            self.failure = "Search and suggestions may miss the latest cases; the log says why."

    def _in_step(self) -> bool:
        """Whether nothing is to be done: the one short question that most answers cost."""
        if self.failure or self._opened_index is None or self._read_ledger is None:
            return False
        if self._index.index.to_read_again:
            return False
        with self._store.asking() as session:
            newest = changes.latest(session)
        return self._index.seen == newest == self._counts.seen

    def _adopt_names(self, session: Session) -> None:
        index = self._index.index
        if changes.is_on_record(session, index.seen) and not changes.touched(session, index.seen[0], _NAMED):
            return
        index.adopt(analysis_of(session))

    def _read_names(self, progress: Progress | None) -> None:
        """Reads cases again with new names; in the background where more hold them than can be waited for."""
        index = self._index.index
        if not index.read_again(_READ_AT_ONCE if progress is None else index.count) or self._closing.is_set():
            return
        self._reader = threading.Thread(target=self._read_the_rest, name="search-names", daemon=True)
        self._reader.start()

    def _read_the_rest(self) -> None:
        try:
            while not self._closing.wait(_PAUSE_S):
                with self._lock:
                    if not self._index.index.read_again(_READ_BEHIND):
                        return
        except Exception:
            log.exception("cases could not be read again with new names")
        finally:
            self._reader = None

    def rebuild_index(self, progress: Progress | None = None) -> int:
        """Builds the search index again; returns how many cases it holds."""
        with self._lock:
            index = self._index
            with self._store.read() as session:
                self._adopt_names(session)
                rebuild(session, index, None, changes.latest(session), progress)
            return index.index.count

    def mend_index(self, generation: int, reason: str) -> None:
        """Builds again an index of that `generation` whose files turned out to be damaged while in use."""
        with self._lock:
            index = self._index.index
            if index.generation == generation:
                log.error("the search index is damaged and is built again: %s", reason)
                index.was_rebuilt_because = reason
                self.rebuild_index()

    def prove(self) -> list[str]:
        """Compares both copies with the store, case by case, and makes again what differs; says what it did."""
        self.catch_up()
        with self._lock, self._store.read() as session:
            newest = changes.latest(session)
            wrong = comparison.compare(session, self._index, self._counts)
            if wrong.index:
                rebuild(session, self._index, None, newest)
            if wrong.counts:
                rebuild(session, None, self._counts, newest)
                self._unsaved += _SAVE_EVERY
            return wrong.told()

    def sizes(self) -> dict[str, int]:
        """How many cases each copy holds."""
        with self._lock:
            return {"index": self._index.index.count, "counts": len(self._counts.ledger)}

    def close(self) -> None:
        """Waits for background work and keeps what makes the next start quick."""
        self._closing.set()
        reader = self._reader
        if reader is not None:
            reader.join()
        with self._lock:
            if self._opened_index is not None:
                self._index.index.read_again(_READ_AT_CLOSE)
                self._index.index.close()
            if self._read_ledger is not None:
                self.save()

    def save(self) -> None:
        """Keeps the counts on disk, so that the next start need not read every case."""
        if self._counts_file is None:
            return
        with self._lock, suppress(OSError):
            part = self._counts_file.with_suffix(".part")
            with system.open_private(part, "wb") as file:
                file.write(to_bytes(self._counts.ledger))
            system.replace(part, self._counts_file)
            self._unsaved = 0

    def _read_counts(self) -> Ledger:
        if self._counts_file is not None and self._counts_file.exists():
            try:
                ledger = from_bytes(self._counts_file.read_bytes())
                if ledger.warranty_days == self._settings.warranty_days:
                    return ledger
            except (ValueError, OSError):
                log.warning("the saved counts cannot be used and are made again")
        return Ledger(warranty_days=self._settings.warranty_days)

    def _weights(self) -> Weights:
        """What was chosen on the store. A rough choice takes a second or so and is waited for.

        A server chooses thoroughly as well, on a copy of the counts in the background; until then the last
        choice stands.
        """
        base = Weights(
            warranty_days=self._settings.warranty_days,
            bench_rate_per_hour=self._settings.bench_rate_per_hour,
            general=general_knowledge(),
            k_kind=_KIND_CASES,
        )
        ledger = self._counts.ledger
        stale = self._tuning is None or self._tuning.worth_redoing(ledger)
        if self._tuning is None or (stale and not (self._serving and self._tuning.chose)):
            self._tuning = choose_strength(ledger, base, max_cases=_TUNING_CASES, thorough=False)
        if self._serving and self._chooser is None and (stale or not self._tuning.thorough):
            self._chooser = threading.Thread(
                target=self._choose, args=(to_bytes(ledger), base), name="weights", daemon=True
            )
            self._chooser.start()
        return self._tuning.settings

    def _choose(self, counts: bytes, base: Weights) -> None:
        try:
            chosen = choose_strength(from_bytes(counts), base, max_cases=_TUNING_CASES)
            with self._lock:
                self._tuning = chosen
        except Exception:
            log.exception("the weights of the ranking could not be chosen; the last ones stand")
            if self._tuning is not None:
                self._tuning = replace(self._tuning, thorough=True)
        finally:
            self._chooser = None

    def _follow(self, session: Session, copy: Copy, newest: Seen) -> bool:
        """Takes in what changed since the copy last looked; False where it has to be made again."""
        uids = changed_uids(session, copy.seen[0])
        # Counting reads the whole store, so a single save must not ask for it.
        if len(uids) > _BATCH and len(uids) > _REBUILD_SHARE * cases.count(session):
            self._note(copy, f"{len(uids)} cases had changed at once")
            return False
        known = Known(session)
        try:
            for start in range(0, max(len(uids), 1), _BATCH):
                part = uids[start : start + _BATCH]
                changed = cases.many(session, part)
                there = {case.record.uid for case in changed}
                done = start + _BATCH >= len(uids)
                gone = [uid for uid in part if uid not in there]
                copy.take(changed, gone, known, newest if done else copy.seen)
        except (OSError, ValueError, Damaged):
            log.exception("a derived copy cannot follow and is made again")
            self._note(copy, "it could not take changes in")
            return False
        if copy is self._counts:
            self._unsaved += len(uids)
        return True

    def _miss(self, changes_gone: int) -> None:
        """Keeps on record that the store ends before a change that was seen here, unless it was put back so."""
        if self._counts_file is None or self._store.is_shared:
            return
        if self._settings.restored_file.exists():
            self._settings.restored_file.unlink()
        elif changes_gone > 0:
            sentence = (
                f"The store lacks the last {changes_gone} changes that this machine has seen: a file beside it, "
                "its write-ahead log, was lost, or an older copy was put in its place."
            )
            log.error(sentence)
            with system.open_private(self._settings.lost_file, "w", encoding="utf-8", newline="\n") as file:
                file.write(sentence + "\n")

    def lost(self) -> str | None:
        """What was found to be gone from the store, until somebody has removed the file that says so."""
        if self._counts_file is None or not self._settings.lost_file.exists():
            return None
        return self._settings.lost_file.read_text(encoding="utf-8").strip()

    def _note(self, copy: Copy, reason: str) -> None:
        """Remembers why the index is about to be made again; a reason found at the start stays."""
        index = self._index.index
        if copy is self._index and index.was_rebuilt_because is None:
            index.was_rebuilt_because = reason

    def _rebuild(self, session: Session, stale: list[Copy], newest: Seen, progress: Progress | None) -> None:
        rebuild(
            session,
            self._index if self._index in stale else None,
            self._counts if self._counts in stale else None,
            newest,
            progress,
        )
        if self._counts in stale:
            self._unsaved += _SAVE_EVERY


def analysis_of(session: Session) -> Analysis:
    """The analysis chain with the shop's own synonyms.

    An added entry without synonyms is found by its own words anyway; leaving it out spares reading cases
    again for nothing.
    """
    standard = {entry.name for entry in SYMPTOMS} | {entry.name for entry in PART_CLASSES}
    symptoms, part_classes = lists.symptoms(session), lists.part_classes(session)
    return Analysis(
        *(
            tuple(
                (entry.name, tuple(entry.synonyms))
                for entry in entries
                if entry.synonyms or entry.name in standard
            )
            for entries in (symptoms, part_classes)
        )
    )
