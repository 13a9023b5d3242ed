"""Content kept beside the database: photographs and documents, each under the SHA-256 of its bytes.

    <folder>/ab/ab12…          content, named by its hash (64 hexadecimal digits)
    <folder>/derived/ab/…      what can be made again from it, such as small pictures
    <folder>/part-…            being written; never read

Content is written to a part file, flushed to the disk and then renamed, so a name is there with all its
bytes or not at all. It is added before the row that refers to it is committed: a crash leaves at most
content that nothing refers to, which `sweep` removes when it is older than a day, and never a row whose
content is missing. No name that anybody sent ever becomes a path.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import re
import tempfile
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from kb import system
from kb.errors import BadInput, StoreTrouble

DAY_S = 86_400.0
_HASH = re.compile(r"[0-9a-f]{64}")
_KIND = re.compile(r"[a-z0-9-]{1,20}")
_CHUNK_BYTES = 1 << 20


class FileStore:
    """The content store in one folder, which may be shared by several machines.

    `must_exist` is for a folder that somebody named: one that is not there is then more likely a share
    that is not mounted than one to be made.
    """

    def __init__(self, folder: Path | None, *, must_exist: bool = False) -> None:
        self._folder = folder
        self._must_exist = must_exist
        self._scratch: tempfile.TemporaryDirectory[str] | None = None

    @classmethod
    def temporary(cls) -> FileStore:
        """A store in a folder of its own, made when first needed and gone after `close`."""
        return cls(None)

    @property
    def folder(self) -> Path:
        """The folder that holds everything."""
        if self._folder is not None:
            return self._folder
        if self._scratch is None:
            self._scratch = tempfile.TemporaryDirectory(prefix="kb-files-")
        return Path(self._scratch.name)

    def close(self) -> None:
        """Throws a temporary store away; leaves any other as it is."""
        if self._scratch is not None:
            self._scratch.cleanup()
            self._scratch = None

    def path(self, content: str) -> Path:
        """Where content of this hash lies or would lie. Raises BadInput for what is no SHA-256."""
        if not _HASH.fullmatch(content):
            raise BadInput("This is not the SHA-256 of a file.", field="hash", remedy="Give 64 hex digits.")
        return self.folder / content[:2] / content

    def derived_path(self, content: str, kind: str) -> Path:
        """Where something made from content lies or would lie, such as its `small` picture."""
        if not _KIND.fullmatch(kind):
            raise BadInput("This is not a kind of derived file.", field="kind", remedy="Use small letters.")
        return self.folder / "derived" / content[:2] / f"{self.path(content).name}-{kind}"

    def has(self, content: str) -> bool:
        """Whether there is content of this hash; `verify` says whether it is sound."""
        return os.path.isfile(self.path(content))  # a folder that cannot be looked into has none

    def put(self, source: bytes | BinaryIO) -> str:
        """Keeps all that is left to read of `source` and returns its hash; the same bytes are kept once.

        Content that is there but damaged is replaced by what was given. Raises StoreTrouble where the
        folder cannot be written.
        """
        reader = io.BytesIO(source) if isinstance(source, bytes) else source
        with _plain_errors(self.folder), self._part() as (part, file):
            digest = hashlib.sha256()
            while chunk := reader.read(_CHUNK_BYTES):
                digest.update(chunk)
                file.write(chunk)
            content = digest.hexdigest()
            if not self._touch(content):
                _settle(file, part, self.path(content))
        return content

    def put_derived(self, content: str, kind: str, made: bytes) -> None:
        """Keeps something made from content, in place of what was there. Raises StoreTrouble."""
        with _plain_errors(self.folder), self._part() as (part, file):
            file.write(made)
            _settle(file, part, self.derived_path(content, kind))

    def open(self, content: str) -> BinaryIO:
        """The bytes of this hash. Raises StoreTrouble where they are not there or cannot be read."""
        try:
            return self.path(content).open("rb")
        except FileNotFoundError as error:
            raise StoreTrouble(
                "A file is missing from the folder of photographs and files.",
                remedy="Restore it from a backup, or run kb check to see which are missing. Machines that share "
                "a database need one folder of files that all of them reach (KB_FILES).",
            ) from error
        except OSError as error:
            raise _trouble(self.folder, error) from error

    def verify(self, content: str) -> str | None:
        """What is wrong with the content of this hash, in one sentence; None when its bytes hash to it."""
        path = self.path(content)
        try:
            with path.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
        except FileNotFoundError:
            return f"File {content} is missing."
        except OSError as error:
            return f"File {content} cannot be read: {error.strerror}."
        return (
            None
            if found == content
            else f"File {content} is damaged: its bytes are not those it is named by."
        )

    def all_hashes(self) -> Iterator[str]:
        """The hash of everything that is kept, in order; derived and part files are left out."""
        if not self.folder.is_dir():
            return
        for shelf in sorted(self.folder.iterdir()):
            if len(shelf.name) == 2 and shelf.is_dir():
                yield from sorted(entry.name for entry in shelf.iterdir() if _HASH.fullmatch(entry.name))

    def sweep(self, referred: Collection[str], *, older_than_s: float = DAY_S) -> list[str]:
        """Removes content that is not in `referred` and was last put longer ago than that; returns it.

        Read `referred` from the database before calling. Content put again while the sweep runs stays,
        also when another machine puts it: the file is moved aside, looked at again, and moved back.
        """
        limit = time.time() - older_than_s
        removed = []
        with _plain_errors(self.folder):
            for content in self.all_hashes():
                path = self.path(content)
                if content not in referred and _age_ok(path, limit) and self._drop(path, limit):
                    removed.append(content)
                    for derived in (self.folder / "derived" / content[:2]).glob(f"{content}-*"):
                        system.remove(derived)
            for part in self.folder.glob("part-*"):
                if _age_ok(part, limit):
                    system.remove(part)
        return removed

    def _drop(self, path: Path, limit: float) -> bool:
        aside = self.folder / f"part-swept-{path.name}"
        try:
            system.replace(path, aside)
        except FileNotFoundError:
            return False
        except PermissionError:
            if system.KIND != "windows":
                raise
            return False  # somebody looks at it; a later sweep takes it
        if not _age_ok(aside, limit):
            system.replace(aside, path)
            return False
        system.remove(aside)  # or a later sweep does
        return True

    def _touch(self, content: str) -> bool:
        """Marks sound content as wanted now, so that no sweep takes it; False where there is none."""
        with suppress(FileNotFoundError):
            os.utime(self.path(content))
            return self.verify(content) is None
        return False

    @contextmanager
    def _part(self) -> Iterator[tuple[Path, BinaryIO]]:
        if not self._must_exist:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, name = tempfile.mkstemp(prefix="part-", dir=self.folder)  # for its owner alone, 0600
        part = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                yield part, file
        finally:
            part.unlink(missing_ok=True)


def _settle(file: BinaryIO, part: Path, target: Path) -> None:
    """Makes a part file the target, on the disk before its name says so; closes it."""
    file.flush()
    system.sync(file.fileno())
    file.close()  # what is open keeps its name on Windows
    for shelf in (target.parent.parent, target.parent):
        shelf.mkdir(exist_ok=True, mode=0o700)
    system.replace(part, target)
    system.sync_folder(target.parent)
    system.sync_folder(target.parent.parent)


def _age_ok(path: Path, limit: float) -> bool:
    try:
        return path.stat().st_mtime <= limit
    except FileNotFoundError:
        return False


def _trouble(folder: Path, error: OSError) -> StoreTrouble:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreTrouble(
            "The disk is full, so the file was not saved.", remedy="Free some space and send it again."
        )
    return StoreTrouble(
        f"The folder for photographs and files, {folder}, cannot be used: {error.strerror}.",
        remedy="Check that it is there and that this user may write to it (KB_FILES, KB_DATA).",
    )


@contextmanager
def _plain_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _trouble(folder, error) from error
