"""The folder of an index: segments, and a manifest that says which of them count and what they have seen.

The manifest is put in place as a whole, so an index is always what some commit left: whatever a process that
was stopped had written besides counts for nothing and is removed when the index is opened. The manifest
carries its own SHA-256 and that of each segment, which are compared when the index is opened, and the lists
of names that the cases were read with, so that an index made with other lists need not be rebuilt.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path
from time import monotonic, sleep
from typing import BinaryIO, NamedTuple
from uuid import uuid4
from zlib import compress, decompress
from zlib import error as zlib_error

import numpy as np

from kb import system
from kb.search.analysis import Analysis, Names
from kb.search.segment import Damaged, Mask, Part, Segment, opened_segment

Seen = tuple[int, str]
NOTHING_SEEN: Seen = (0, "")
LAYOUT = 4
UNFINISHED = ""
"""Stands for the chain of an index in which some cases are still to be read with newer names."""
MANIFEST = "manifest.json"
SUFFIX = ".segment"
_LOCK = "KBLOCK"
_RETRY_S = 0.02


class Busy(Exception):
    """Another process is writing to the index."""


class Mark(NamedTuple):
    """How far an index has come: the last change in it, and the fingerprint of the chain it was read with."""

    seen: Seen
    chain: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an index says of itself.

    `segments` are (name, SHA-256, which slots are dead, `Part.erased`), `digest` is its own sum.
    """

    mark: Mark
    names: tuple[Names, ...]
    segments: tuple[tuple[str, str, str, int], ...]
    digest: str

    def analysis(self) -> Analysis:
        """The analysis that the index was made with. Raises `Damaged`."""
        if self.mark.chain == UNFINISHED:
            raise Damaged("it was left while cases were read again with new names")
        made_with = Analysis(*self.names)
        if made_with.fingerprint != self.mark.chain:
            raise Damaged("analysis or word lists have changed")
        return made_with


class IndexFolder:
    """The files of one index. All but `locked` and `new_segment` are called while `locked`."""

    def __init__(self, path: Path) -> None:
        """Raises OSError when the folder cannot be made."""
        self.path = path
        self._in_use: set[str] = set()
        path.mkdir(parents=True, exist_ok=True, mode=0o700)

    @contextmanager
    def locked(self, wait_s: float = 60.0) -> Iterator[None]:
        """Keeps other processes out. Raises `Busy` when one does not let go within `wait_s` seconds."""
        lock = system.FileLock(self.path / _LOCK)
        until = monotonic() + wait_s
        while not lock.acquire():
            if monotonic() > until:
                raise Busy
            sleep(_RETRY_S)
        try:
            yield
        finally:
            lock.release()

    def manifest(self) -> Manifest:
        """What the index says of itself now. Raises `Damaged`."""
        try:
            digest, _, content = (self.path / MANIFEST).read_bytes().partition(b"\n")
            if digest.startswith(b"{"):
                raise Damaged("it was written by another version")
            if sha256(content).hexdigest().encode() != digest:
                raise Damaged("the list of index files has changed")
            held = json.loads(content)
            if held["layout"] != LAYOUT:
                raise Damaged("it was written by another version")
            mark = Mark((held["seq"], held["nonce"]), held["chain"])
            segments = tuple((name, total, dead, erased) for name, total, dead, erased in held["segments"])
            return Manifest(mark, tuple(held["names"]), segments, digest.decode())
        except FileNotFoundError:
            raise Damaged("there is no index yet") from None
        except (ValueError, KeyError, TypeError, OSError) as error:
            raise Damaged("the list of index files cannot be read") from error

    def parts(self, manifest: Manifest, known: Sequence[Part] = ()) -> tuple[Part, ...]:
        """The segments that `manifest` lists, those of `known` as they are; others are compared with their sums.

        Reads each file whole once (some 2 s for 1 GB). Raises `Damaged`.
        """
        segments = {part.segment.name: part.segment for part in known}
        parts: list[Part] = []
        largest: Segment | None = None
        for name, checksum, dead, erased in manifest.segments:
            segment = segments.get(name)
            if segment is None or segment.checksum != checksum:
                segment = self._proved(name, checksum, largest)
            if largest is None or segment.size > largest.size:
                largest = segment
            parts.append(Part.of(segment, _alive(dead, segment.size), erased))
        return tuple(parts)

    def _proved(self, name: str, checksum: str, like: Segment | None) -> Segment:
        path = self.path / name
        try:
            with path.open("rb") as file:
                whole = file_digest(file, "sha256").hexdigest() == checksum
        except OSError:
            raise Damaged(f"{name} is missing") from None
        if not whole:
            raise Damaged(f"{name} has changed")
        return opened_segment(path, checksum, like)

    def new_segment(self, write: Callable[[BinaryIO], str], like: Segment | None = None) -> Segment:
        """The segment that `write` puts into a file of its own and gives the SHA-256 of; no manifest lists it yet."""
        path = self.path / new_name()
        try:
            with path.open("xb") as file:
                checksum = write(file)
                file.flush()
                system.sync(file.fileno())
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return opened_segment(path, checksum, like)

    def commit(
        self, parts: Sequence[Part], mark: Mark, analysis: Analysis, before: Manifest | None = None
    ) -> str:
        """Make `parts` the index; the digest of the new manifest.

        What lies in memory only is written first; what only `before` listed is removed.
        """
        for part in parts:
            content = part.segment.unwritten
            path = self.path / part.segment.name
            if content is not None and not path.exists():
                _write_synced(path, content)
        held = {
            "layout": LAYOUT,
            "seq": mark.seen[0],
            "nonce": mark.seen[1],
            "chain": mark.chain,
            "names": analysis.names,
            "segments": [
                (part.segment.name, part.segment.checksum, _dead(part), part.erased) for part in parts
            ],
        }
        content = json.dumps(held).encode()
        digest = sha256(content).hexdigest()
        _write_synced(self.path / MANIFEST, digest.encode() + b"\n" + content)
        system.sync_folder(self.path)
        listed = {part.segment.name for part in parts}
        for name, *_ in before.segments if before is not None else ():
            if name not in listed:
                self.remove(name)
        return digest

    def remove_unlisted(self) -> None:
        """Remove what the index does not consist of."""
        try:
            listed = {name for name, *_ in self.manifest().segments}
        except Damaged:
            listed = set()
        for path in self.path.iterdir():
            if path.suffix != SUFFIX and path.name.startswith(_OF_EARLIER_VERSIONS):
                path.unlink(missing_ok=True)
            elif path.suffix == SUFFIX and path.name not in listed:
                self.remove(path.name)

    def remove(self, name: str) -> None:
        """Remove one segment, or note it for `remove_unused` where a system refuses because it is in use."""
        try:
            (self.path / name).unlink(missing_ok=True)
        except OSError:
            self._in_use.add(name)

    def remove_unused(self) -> None:
        """Remove what could not be removed before, where nobody reads it any more. Called at any time."""
        while self._in_use:
            names, self._in_use = self._in_use, set()
            for name in names:
                self.remove(name)
            if self._in_use >= names:
                return  # still read; a later call, or a later start, removes it


_OF_EARLIER_VERSIONS = ("MAIN_", "_MAIN_", "arrays_", "names_", "pending.json")


def new_name() -> str:
    """The name of a segment that is yet to be made."""
    return f"{uuid4().hex}{SUFFIX}"


def may_follow(mark: Mark, before: Mark, held: Mark) -> bool:
    """Whether what brings an index from `before` to `mark` does so for one that holds `held`.

    What changed since `before` may be written again over some of it. Of names that is only so for those of
    `before` and `mark` themselves: others may have left their traces in cases that are not written now.
    """
    if held.chain != before.chain and (held.chain == UNFINISHED or held.chain != mark.chain):
        return False
    return held.seen == before.seen or before.seen[0] <= held.seen[0] < mark.seen[0]


def _dead(part: Part) -> str:
    """The dead slots of `part` as text: bits, packed; empty where all live."""
    if part.count == part.segment.size:
        return ""
    return b64encode(compress(np.packbits(part.alive).tobytes(), 1)).decode()


def _alive(dead: str, size: int) -> Mask:
    if not dead:
        return np.ones(size, bool)
    try:
        bits = np.frombuffer(decompress(b64decode(dead)), np.uint8)
        return np.unpackbits(bits, count=size).astype(bool)
    except (ValueError, zlib_error) as error:
        raise Damaged("the list of deleted cases cannot be read") from error


def _write_synced(path: Path, content: bytes) -> None:
    """The file is there whole or not at all."""
    draft = path.with_name(path.name + ".tmp")
    with draft.open("wb") as file:
        file.write(content)
        file.flush()
        system.sync(file.fileno())
    system.replace(draft, path)
