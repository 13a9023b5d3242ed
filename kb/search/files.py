"""Reads the segments of an index where they lie.

Whoosh maps a segment and then copies each of its parts into memory as a whole, at every opening, and a save
opens them all. Here each read asks the file for just the bytes it needs, so that neither memory nor the time
of a save grows with the index.
"""

from __future__ import annotations

import io
import os
import weakref
from array import array
from typing import Any, cast

from whoosh.filedb.filestore import FileStorage
from whoosh.filedb.structfile import StructFile


class SegmentStorage(FileStorage):
    """The folder of an index; its segments are read in place."""

    def __init__(self, path: str) -> None:
        super().__init__(path, supports_mmap=False)

    def open_file(self, name: str, **options: Any) -> StructFile:
        """A file to read. Raises FileNotFoundError."""
        if name.endswith(".seg"):
            return _Piece(_Opened(self._fpath(name)))
        return super().open_file(name, **options)


class _Opened:
    """One open file, closed with the last of its pieces; another process may have removed its name since."""

    def __init__(self, path: str) -> None:
        self.number = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        weakref.finalize(self, os.close, self.number)
        self.size = os.fstat(self.number).st_size


class _Span(io.RawIOBase):
    """A part of an open file with a position of its own."""

    def __init__(self, opened: _Opened, start: int, length: int) -> None:
        self.opened, self.start, self.length = opened, start, length
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        self._at = offset + (0, self._at, self.length)[whence]
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, size: int | None = -1) -> bytes:
        left = max(0, self.length - self._at)
        content = self.at(self._at, left if size is None or size < 0 else min(size, left))
        self._at += len(content)
        return content

    def readinto(self, buffer: Any) -> int:
        content = self.read(len(buffer))
        buffer[: len(content)] = content
        return len(content)

    def at(self, position: int, length: int) -> bytes:
        """The bytes from `position` on. Raises OSError where the file is shorter than it says."""
        content = os.pread(self.opened.number, length, self.start + position)
        while len(content) < length:
            more = os.pread(self.opened.number, length - len(content), self.start + position + len(content))
            if not more:
                raise OSError("a segment of the search index ends early")
            content += more
        return content


class _Piece(StructFile):
    """What Whoosh reads numbers and strings from; pieces of it share its open file."""

    def __init__(self, opened: _Opened, start: int = 0, length: int | None = None, name: str = "") -> None:
        self._span = _Span(opened, start, opened.size - start if length is None else length)
        super().__init__(cast(Any, self._span), name=name)
        self.is_real = False  # so that arrays are not read past the piece's own position
        self._called = name

    def subset(self, position: int, length: int, name: str | None = None) -> _Piece:
        """A part of this piece, by which Whoosh opens the parts of a segment."""
        return _Piece(self._span.opened, self._span.start + position, length, name or self._called)

    def get(self, position: int, length: int) -> bytes:
        return self._span.at(position, length)

    def get_array(self, position: int, typecode: str, length: int) -> array[Any]:
        self.seek(position)
        return self.read_array(typecode, length)
