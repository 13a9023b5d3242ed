"""The index on disk: Whoosh's files, the change it has seen, and sums that tell whether it is whole.

The change number is part of the index commit itself, so the two can never part. Whoosh neither syncs
nor checks its files, so after each commit new files are synced and their SHA-256 written to a manifest,
which is compared when the index is opened. The lists of names that the cases were read with are kept beside
it, so that an index made with other lists need not be made anew.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

from whoosh.filedb.filestore import RamStorage
from whoosh.util.filelock import try_for

from kb.search.analysis import Analysis
from kb.search.bulk import add_case, write_parts
from kb.search.document import CaseDocument
from kb.search.files import SegmentStorage
from kb.search.prepare import Prepared
from kb.search.schema import BODY, META_UID, UID, LongBlocks, make_schema
from kb.search.snapshot import Damaged

Seen = tuple[int, str]
NOTHING_SEEN: Seen = (0, "")
LAYOUT = 3
_MANIFEST = "manifest.json"
_PENDING = "pending.json"
_LOCK = "KBLOCK"
_NAMES = "names_"
UNFINISHED = ""
"""Stands for the chain of an index in which some cases are still to be read with newer names."""
_CHUNK = 1 << 20
_SORTED_MB, _MANY_CASES, _MANY_SORTED_MB = 2, 1_000, 128
"""What a save sorts in memory, by Whoosh's own count; what is more goes through files. A save that merges a
thousand cases would else take 20 MB of small objects for two seconds, and hardly any of it is given back. One
that brings very many cases may have the memory: through files it takes half as long again."""


class Busy(Exception):
    """Another process is writing to the index."""


class Mark(NamedTuple):
    """How far an index has come: the last change in it, and the fingerprint of the chain it was read with."""

    seen: Seen
    chain: str


@dataclass(frozen=True, slots=True)
class Meta:
    """What an index says of itself."""

    mark: Mark
    count: int


class IndexFolder:
    """One index, in `path` or, for None, in memory."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._sums: dict[str, str] = {}
        if path is not None:
            path.mkdir(parents=True, exist_ok=True)
            self._storage: Any = SegmentStorage(str(path))
        else:
            self._storage = RamStorage()

    @contextmanager
    def _locked(self, wait_s: float) -> Iterator[None]:
        lock = self._storage.lock(_LOCK)
        if not try_for(lock.acquire, timeout=wait_s, delay=0.02):
            raise Busy
        try:
            yield
        finally:
            lock.release()

    def open(self, analysis: Analysis, wait_s: float = 60.0) -> tuple[Any, Meta, Analysis]:
        """A reader, what the index says of itself, and the analysis it was made with.

        That is `analysis` wherever the index was made with the same lists. Raises `Damaged` when files are
        missing, changed or unreadable, or the chain that made it is another one.
        """
        if self.path is None:
            raise Damaged("there is no index yet")
        with self._locked(wait_s):
            self._verify()
            try:
                opened = self._storage.open_index()
                reader = opened.reader()
                meta = read_meta(reader)
            except Exception as error:
                raise Damaged(f"index cannot be read: {type(error).__name__}") from error
            if meta is None:
                raise Damaged("index has no change number")
            if meta.mark.chain != analysis.fingerprint:
                analysis = _kept_analysis(self.path, meta.mark.chain)
        return reader, meta, analysis

    def create(self, analysis: Analysis, wait_s: float = 60.0) -> Any:
        """Start with an empty index, whatever was there; a reader of it."""
        with self._locked(wait_s):
            self._wipe()
            created = self._storage.create_index(make_schema())
            writer = created.writer(codec=LongBlocks())
            self._add_meta(writer, Mark(NOTHING_SEEN, analysis.fingerprint), 0)
            self._commit(writer, analysis)
            return created.reader()

    def write(
        self,
        upserts: Sequence[Prepared],
        deletes: Iterable[str],
        mark: Mark,
        before: Mark,
        analysis: Analysis,
        wait_s: float,
    ) -> bool:
        """Bring the index from `before` to `mark`. False when another process has gone further already, or
        has taken other names in.

        Raises `Busy` when the other process does not let go within `wait_s` seconds.
        """
        with self._locked(wait_s):
            opened = self._storage.open_index()
            reader = opened.reader()
            try:
                meta = read_meta(reader)
            finally:
                reader.close()
            if meta is None or not _may_follow(mark, before, meta.mark):
                return False
            sorted_mb = _MANY_SORTED_MB if len(upserts) > _MANY_CASES else _SORTED_MB
            writer = opened.writer(codec=LongBlocks(), timeout=wait_s, limitmb=sorted_mb)
            try:
                gone = set(deletes)
                count = meta.count
                for case in upserts:
                    count += 1 - writer.delete_by_term(UID, case.document.uid)
                    add_case(writer, case)
                for uid in gone:
                    count -= writer.delete_by_term(UID, uid)
                writer.delete_by_term(UID, META_UID)
                self._add_meta(writer, mark, count)
            except BaseException:
                writer.cancel()
                raise
            self._commit(writer, analysis)
            return True

    def replace(
        self,
        documents: Iterable[CaseDocument],
        analysis: Analysis,
        seen: Seen,
        progress: Callable[[int], None] | None = None,
        processes: int = 1,
        wait_s: float = 60.0,
    ) -> None:
        """Replace everything; until the end readers and other processes keep the old index."""
        with self._locked(wait_s):
            try:
                opened = self._storage.open_index()
            except Exception:
                self._wipe()
                opened = self._storage.create_index(make_schema())
            writer = opened.writer(codec=LongBlocks(), timeout=wait_s)
            try:
                path = str(self.path) if self.path is not None else None
                segments, count = write_parts(self._storage, path, analysis, documents, progress, processes)
                self._add_meta(writer, Mark(seen, analysis.fingerprint), count)
            except BaseException:
                writer.cancel()
                raise
            self._commit(writer, analysis, mergetype=lambda _, __: segments)

    def reader(self) -> tuple[Any, Meta]:
        """A reader of the index as it now is, without the check of its files."""
        reader = self._storage.open_index().reader()
        meta = read_meta(reader)
        if meta is None:
            raise Damaged("index has no change number")
        return reader, meta

    def _add_meta(self, writer: Any, mark: Mark, count: int) -> None:
        writer.add_document(uid=META_UID, body=(LAYOUT, mark.chain, *mark.seen, count))

    def _commit(self, writer: Any, analysis: Analysis, **how: Any) -> None:
        if self.path is None:
            writer.commit(**how)
            return
        names = self.path / f"{_NAMES}{analysis.fingerprint}.json"
        others = [path for path in self.path.glob(f"{_NAMES}*") if path != names]
        if not names.exists():
            _write_synced(names, analysis.names)
        _write_synced(self.path / _PENDING, {"boot": _boot_id()})
        writer.commit(**how)
        self._write_manifest(self.path)
        for path in others:
            path.unlink(missing_ok=True)

    def _names(self, path: Path) -> list[str]:
        return sorted(
            item.name
            for item in path.iterdir()
            if item.name.startswith(("MAIN_", "_MAIN_")) and item.suffix in (".seg", ".toc")
        )

    def _write_manifest(self, path: Path) -> None:
        sums: dict[str, str] = {}
        for name in self._names(path):
            known = self._sums.get(name) if name.endswith(".seg") else None
            sums[name] = known or _sum_and_sync(path / name)
        self._sums = sums
        _write_synced(path / _MANIFEST, {"layout": LAYOUT, "files": sums})
        (path / _PENDING).unlink(missing_ok=True)

    def _verify(self) -> None:
        """Compare every file with the manifest; reads the whole index once (about 1 s for 500 MB)."""
        if self.path is None:
            return
        try:
            manifest = json.loads((self.path / _MANIFEST).read_text("utf-8"))
            listed = dict(manifest["files"])
        except FileNotFoundError:
            raise Damaged("there is no index yet") from None
        except (ValueError, KeyError, TypeError, OSError) as error:
            raise Damaged("the list of index files cannot be read") from error
        names = set(self._names(self.path))
        interrupted = self._was_interrupted(self.path)
        for name, expected in listed.items():
            if name not in names:
                if interrupted:
                    continue
                raise Damaged(f"{name} is missing")
            if _sum(self.path / name) != expected:
                raise Damaged(f"{name} has changed")
        # Only a list of segments (.toc) makes a segment count; one that nothing lists was never finished.
        if any(name.endswith(".toc") for name in names - listed.keys()) and not interrupted:
            raise Damaged("there are index files that are not listed")
        self._sums = {name: value for name, value in listed.items() if name in names}
        if interrupted:
            self._write_manifest(self.path)

    def _was_interrupted(self, path: Path) -> bool:
        """Whether a commit of this boot was cut short before its manifest.

        Then only the process died: whatever it wrote is in the file system's memory and whole. After a
        power cut (another boot) half-written files are possible and nothing unlisted is trusted.
        """
        try:
            boot = json.loads((path / _PENDING).read_text("utf-8")).get("boot")
        except (OSError, ValueError, AttributeError):
            return False
        return bool(boot) and boot == _boot_id()

    def _wipe(self) -> None:
        if self.path is None:
            self._storage = RamStorage()
            return
        for item in self.path.iterdir():
            ours = item.name.startswith(("MAIN_", "_MAIN_", "arrays_", _NAMES))
            if ours or item.name in (_MANIFEST, _PENDING):
                if item.is_dir():
                    shutil.rmtree(item, ignore_errors=True)
                elif not item.name.endswith("LOCK"):
                    item.unlink(missing_ok=True)
        self._sums = {}


def read_meta(reader: Any) -> Meta | None:
    """What the index behind `reader` says of itself, or None."""
    matcher = reader.postings(UID, META_UID) if (UID, META_UID) in reader else None
    if matcher is None or not matcher.is_active():
        return None
    layout, chain, seq, nonce, count = reader.stored_fields(matcher.id())[BODY]
    return Meta(Mark((seq, nonce), chain), count) if layout == LAYOUT else None


def _may_follow(mark: Mark, before: Mark, held: Mark) -> bool:
    """Whether what brings an index from `before` to `mark` does so for one that holds `held`.

    What changed since `before` may be written again over some of it. Of names that is only so for those of
    `before` and `mark` themselves: others may have left their traces in cases that are not written now.
    """
    if held.chain != before.chain and (held.chain == UNFINISHED or held.chain != mark.chain):
        return False
    return held.seen == before.seen or before.seen[0] <= held.seen[0] < mark.seen[0]


def _kept_analysis(path: Path, chain: str) -> Analysis:
    """The analysis of an index that was made with other lists of names."""
    if chain == UNFINISHED:
        raise Damaged("it was left while cases were read again with new names")
    try:
        analysis = Analysis(*json.loads((path / f"{_NAMES}{chain}.json").read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        raise Damaged("the names that the index was made with are lost") from None
    if analysis.fingerprint != chain:
        raise Damaged("analysis or word lists have changed")
    return analysis


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""


def _sum(path: Path) -> str:
    digest = sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _sum_and_sync(path: Path) -> str:
    with path.open("rb") as file:
        os.fsync(file.fileno())
    return _sum(path)


def _write_synced(path: Path, content: object) -> None:
    draft = path.with_suffix(".tmp")
    with draft.open("w", encoding="utf-8") as file:
        json.dump(content, file)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
