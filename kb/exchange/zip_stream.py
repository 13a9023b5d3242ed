"""A zip file that is handed on while it is made: it may be larger than memory and disk together."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from datetime import date
from typing import BinaryIO

_CHUNK_BYTES = 1 << 20


class _Held:
    """What the zip file was last given to write. It has no `seek`, so sizes are written after each member."""

    def __init__(self) -> None:
        self._bytes = bytearray()

    def write(self, data: bytes) -> int:
        self._bytes += data
        return len(data)

    def flush(self) -> None:
        """Nothing waits anywhere else."""

    def take(self) -> bytes:
        data = bytes(self._bytes)
        self._bytes.clear()
        return data


class ZipStream:
    """Makes the bytes of a zip file, a member at a time; every member bears the day `made`.

    All that is yielded, `end` last, one after another is the file.
    """

    def __init__(self, made: date) -> None:
        self._held = _Held()
        self._zip = zipfile.ZipFile(self._held, "w")  # type: ignore[call-overload]
        self._made = (made.year, made.month, made.day, 0, 0, 0)

    def member(self, name: str, source: BinaryIO, size_bytes: int, *, packed: bool) -> Iterator[bytes]:
        """Adds what is left to read of `source`, as it is or `packed`; the size is to be known before."""
        info = zipfile.ZipInfo(name, self._made)
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        info.external_attr = 0o644 << 16
        info.file_size = size_bytes
        with self._zip.open(info, "w") as target:
            while chunk := source.read(_CHUNK_BYTES):
                target.write(chunk)
                yield self._held.take()

    def end(self) -> bytes:
        """The last bytes, with the list of all members."""
        self._zip.close()
        return self._held.take()
