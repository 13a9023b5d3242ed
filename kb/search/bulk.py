"""Writing many cases at once: whole segments, by more than one process."""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from io import BytesIO
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from kb.search.analysis import Analysis
from kb.search.case_terms import TermReader
from kb.search.document import CaseDocument
from kb.search.folder import new_name
from kb.search.segment import MOST_CASES, Segment, SegmentWriter, opened_segment, segment_of_bytes
from kb.system import sync

_BATCH = 250
_AHEAD = 8  # batches that wait for each helper, so that it is never idle while the giver reads on
_COLLECTED_AT = 200_000


class HelperFailed(OSError):
    """A helper process could not do its part; one process alone can."""


class _Bulk:
    """Writes cases into segments of up to `MOST_CASES`, in files of `folder` or (None) in memory."""

    def __init__(self, folder: Path | None, analysis: Analysis) -> None:
        self._folder = folder
        self._reader = TermReader(analysis, cached=20_000)
        self._file: BinaryIO | None = None
        self._name = ""
        self._done: list[tuple[str, str, bytes]] = []

    def add(self, documents: Iterable[CaseDocument]) -> None:
        """Analyse and add `documents`."""
        for document in documents:
            if self._file is None:
                self._name = new_name()
                self._file = BytesIO() if self._folder is None else (self._folder / self._name).open("xb")
                self._writer = SegmentWriter(self._file)
                self._reader.new_segment()
            self._writer.add(self._reader.read(document))
            if len(self._writer) >= MOST_CASES:
                self.finish()

    def finish(self) -> list[tuple[str, str, bytes]]:
        """Complete the segment at hand; (name, SHA-256, content where it lies in no file) of all so far."""
        if self._file is not None:
            checksum = self._writer.finish()
            content = self._file.getvalue() if isinstance(self._file, BytesIO) else b""
            self._file.flush()
            if self._folder is not None:
                sync(self._file.fileno())
            self.close()
            self._done.append((self._name, checksum, content))
        return self._done

    def close(self) -> None:
        """Let go of the file at hand."""
        if self._file is not None:
            self._file.close()
            self._file = None


def write_segments(
    folder: Path | None,
    analysis: Analysis,
    documents: Iterable[CaseDocument],
    progress: Callable[[int], None] | None,
    processes: int,
) -> list[Segment]:
    """Segments of all `documents`; no manifest lists them yet.

    With `processes` above 1 and a `folder`, helper processes take batches as fast as they can, and this one
    does the rest. `progress` is called with how many cases are done. Raises OSError when the disk is full,
    HelperFailed when a helper cannot be started or ends early; what was written then is for the caller to
    remove.
    """
    own = _Bulk(folder, analysis)
    with _seldom_collecting(), _helpers(folder, analysis, processes - 1) as helpers:
        try:
            done = 0
            source = iter(documents)
            while batch := list(islice(source, _BATCH)):
                if not any(helper.take(batch) for helper in helpers):
                    own.add(batch)
                for _ in batch:
                    done += 1
                    if progress is not None:
                        progress(done)
            # Asked before our own part is finished, so that all finish at the same time.
            theirs = [helper.finish() for helper in helpers]
            written = own.finish() + [entry for answer in theirs for entry in answer()]
        finally:
            own.close()
    segments: list[Segment] = []
    for name, checksum, content in written:
        like = segments[0] if segments else None
        if folder is None:
            segments.append(segment_of_bytes(name, checksum, content, like))
        else:
            segments.append(opened_segment(folder / name, checksum, like))
    return segments


@contextmanager
def _seldom_collecting() -> Iterator[None]:
    """Makes the search for cyclic garbage rare: it walks all words and postings gathered so far, and finds none."""
    before = gc.get_threshold()
    gc.set_threshold(_COLLECTED_AT, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


@contextmanager
def _helpers(folder: Path | None, analysis: Analysis, count: int) -> Iterator[list[_Helper]]:
    helpers: list[_Helper] = []
    try:
        while folder is not None and len(helpers) < count:
            helpers.append(_Helper(folder, analysis))
        yield helpers
    except BrokenProcessPool as error:
        raise HelperFailed("a helper process ended while indexing") from error
    finally:
        for helper in helpers:
            helper.close()


class _Helper:
    """One more process, which writes segments of its own.

    Batches go to it in files, which the folder's own cleaning removes wherever the work is broken off. Sent through
    the pool's pipe, one that no longer fits into it waits for a process that has died, and closing the pool waits
    for that: Python mended this in 3.11.5 (its issue 94777), and Debian 12 has 3.11.2.
    """

    def __init__(self, folder: Path, analysis: Analysis) -> None:
        self._folder = folder
        try:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, context, initializer=_start, initargs=(folder, analysis))
            self._waiting: deque[Future[None]] = deque([self._pool.submit(_add, None)])
        except OSError as error:
            raise HelperFailed(f"no helper process can be started: {error}") from error

    def take(self, batch: list[CaseDocument]) -> bool:
        """Whether the helper takes the batch: not while it has enough to do."""
        while self._waiting and self._waiting[0].done():
            self._waiting.popleft().result()
        if len(self._waiting) >= _AHEAD:
            return False
        path = self._folder / new_name()
        path.write_bytes(pickle.dumps(batch, pickle.HIGHEST_PROTOCOL))
        self._waiting.append(self._pool.submit(_add, path))
        return True

    def finish(self) -> Callable[[], list[tuple[str, str, bytes]]]:
        """Have the helper complete its segments, which the callable that is returned waits for."""
        written = self._pool.submit(_finish)

        def answer() -> list[tuple[str, str, bytes]]:
            for future in self._waiting:
                future.result()
            return written.result()

        return answer

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)


# What follows runs in a helper process, which is one for one rebuild.

_bulk: _Bulk


def _start(folder: Path, analysis: Analysis) -> None:
    global _bulk
    gc.disable()
    _bulk = _Bulk(folder, analysis)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A pool's process would wait for work for ever when its parent was killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _add(batch: Path | None) -> None:
    if batch is not None:
        documents: list[CaseDocument] = pickle.loads(batch.read_bytes())
        batch.unlink()
        _bulk.add(documents)


def _finish() -> list[tuple[str, str, bytes]]:
    return _bulk.finish()
