"""Writing many cases at once: whole segments, by more than one process."""

from __future__ import annotations

import gc
import multiprocessing
import queue
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from typing import Any

from whoosh.filedb.filestore import FileStorage

from kb.search.analysis import Analysis
from kb.search.document import CaseDocument
from kb.search.grouped import GroupedWriter
from kb.search.prepare import Prepared, Preparer
from kb.search.schema import ALL, BODY, TAGS, UID
from kb.search.stored import keep_snapshot

BATCH = 250
_AHEAD = 8  # batches that wait for each helper, so that it is never idle while the giver reads on
PART = 100_000
_WAIT_S = 300.0
_COLLECTED_AT = 200_000


class HelperFailed(OSError):
    """A helper process could not do its part; one process alone can."""


@contextmanager
def _seldom_collecting() -> Iterator[None]:
    """Makes the search for cyclic garbage rare: it walks all words and postings kept so far, and finds none."""
    before = gc.get_threshold()
    gc.set_threshold(_COLLECTED_AT, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def add_case(writer: Any, case: Prepared) -> None:
    """Give one prepared case to a Whoosh writer."""
    document = case.document
    writer.add_document(
        **{UID: document.uid, BODY: document.as_stored(), ALL: case.postings, TAGS: case.tags}
    )


class PartWriter:
    """Writes cases into segments that belong to no index until somebody lists them.

    Those in a folder `path` get their snapshots at once.
    """

    def __init__(self, storage: Any, path: str | None, analysis: Analysis) -> None:
        self._storage, self._path = storage, path
        self._preparer = Preparer(analysis, kept=20_000)
        self._writer: Any = None
        self._count = 0
        self.segments: list[Any] = []

    def add(self, documents: Iterable[CaseDocument]) -> None:
        """Analyse and add `documents`."""
        for document in documents:
            if self._writer is None:
                self._preparer.new_run()
                self._writer = GroupedWriter(self._storage)
                self._count = 0
            self._writer.add(self._preparer.prepare(document))
            self._count += 1
            if self._count >= PART:
                self.finish()

    def drop(self) -> None:
        """Let go of the segment at hand, if there is one."""
        if self._writer is not None:
            self._writer.drop()
            self._writer = None

    def finish(self) -> list[Any]:
        """Complete the segment at hand; all segments so far."""
        if self._writer is not None:
            writer, self._writer = self._writer, None
            segment, schema = writer.finish(), writer.schema
            self.segments.append(segment)
            if self._path is not None:
                keep_snapshot(self._path, schema, segment)
        return self.segments


def _help(path: str, analysis: Analysis, jobs: Any, answers: Any) -> None:
    """The life of a helper process: batches of stored cases in, segments out."""
    gc.disable()
    part = PartWriter(FileStorage(path), path, analysis)
    answer: Any = None
    while (batch := _next_job(jobs)) is not None:
        if answer is None:
            try:
                part.add(CaseDocument(*stored) for stored in batch)
            except Exception as error:
                answer = f"{type(error).__name__}: {error}"
    try:
        answers.put(answer or part.finish())
    except Exception as error:
        answers.put(f"{type(error).__name__}: {error}")


def _next_job(jobs: Any) -> Any:
    """The next batch; None at the end, also when the process that gives them has died."""
    while True:
        try:
            return jobs.get(timeout=2.0)
        except queue.Empty:
            parent = multiprocessing.parent_process()
            if parent is None or not parent.is_alive():
                return None


@_seldom_collecting()
def write_parts(
    storage: Any,
    path: str | None,
    analysis: Analysis,
    documents: Iterable[CaseDocument],
    progress: Callable[[int], None] | None,
    processes: int,
) -> tuple[list[Any], int]:
    """Segments of all `documents` and their count; nothing is listed in an index yet.

    With `processes` above 1 helper processes take batches as fast as they can, and this one does the
    rest. Raises HelperFailed when one of them cannot be started or ends early.
    """
    own = PartWriter(storage, path, analysis)
    helpers = _Helpers(path, analysis, processes - 1) if path is not None and processes > 1 else None
    source, done = iter(documents), 0
    try:
        while batch := list(islice(source, BATCH)):
            if helpers is None or not helpers.take(batch):
                own.add(batch)
            for _ in batch:
                done += 1
                if progress is not None:
                    progress(done)
        if helpers is not None:
            helpers.tell_end()  # before our own part is finished, so that all finish at the same time
        segments = list(own.finish())
        if helpers is not None:
            segments += helpers.segments()
        return segments, done
    finally:
        own.drop()
        if helpers is not None:
            helpers.close()


class _Helpers:
    """Helper processes with one queue of batches each way."""

    def __init__(self, path: str, analysis: Analysis, count: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._told_end = False
        try:
            self._jobs = context.Queue(maxsize=_AHEAD * count)
            self._answers = context.Queue()
            arguments = (path, analysis, self._jobs, self._answers)
            made = [context.Process(target=_help, args=arguments, daemon=True) for _ in range(count)]
            for process in made:
                process.start()
            self._processes = made
        except OSError as error:
            raise HelperFailed(f"no helper process can be started: {error}") from error

    def take(self, batch: list[CaseDocument]) -> bool:
        try:
            self._jobs.put_nowait([document.as_stored() for document in batch])
        except queue.Full:
            return False
        return True

    def segments(self) -> list[Any]:
        self.tell_end()
        segments: list[Any] = []
        for _ in self._processes:
            answer = self._answer()
            if isinstance(answer, str):
                raise HelperFailed(f"a helper process failed while indexing: {answer}")
            segments += answer
        return segments

    def _answer(self) -> Any:
        waited = 0.0
        while waited < _WAIT_S:
            try:
                return self._answers.get(timeout=1.0)
            except queue.Empty:
                waited += 1.0
                if self._all_dead() and self._answers.empty():
                    break
        raise HelperFailed("a helper process ended while indexing")

    def tell_end(self) -> None:
        """No more batches will come."""
        if self._told_end:
            return
        self._told_end = True
        for _ in self._processes:
            self._tell_one()

    def _tell_one(self) -> None:
        while True:
            try:
                self._jobs.put(None, timeout=1.0)
                return
            except queue.Full:
                if self._all_dead():
                    raise HelperFailed("a helper process ended while indexing") from None

    def _all_dead(self) -> bool:
        return not any(process.is_alive() for process in self._processes)

    def close(self) -> None:
        for process in self._processes:
            if self._told_end:
                process.join(timeout=5.0)
            if process.is_alive():
                process.terminate()
                process.join()
        self._jobs.cancel_join_thread()
        self._jobs.close()
        self._answers.close()
