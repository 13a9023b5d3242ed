"""A disk that fails on request under SQLite: a file system of our own for the library that Python itself uses.

SQLite reaches files through a table of functions (https://www.sqlite.org/vfs.html). `installed` puts a copy of its
table for Unix in front, in which reading, writing, cutting off and syncing can fail when they are told to, and in
which all that was written is kept until a sync, so that a power cut can be played: what was not synced is kept,
lost or torn at chance. It is made with ctypes, so that no compiler is needed; SQLite's own tests do the same in C.
"""

from __future__ import annotations

import ctypes
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    addressof,
    c_char_p,
    c_int,
    c_int64,
    c_void_p,
    cast,
    memmove,
    sizeof,
    string_at,
)
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

NEEDED = (
    "The tests of failing disks need a Python whose sqlite3 is linked with the system's library (libsqlite3.so.0), "
    "as Debian's is."
)
IO_ERROR_READ, IO_ERROR_WRITE, IO_ERROR_SYNC, IO_ERROR_TRUNCATE, FULL = 266, 778, 1034, 1546, 13
SECTOR = 512
KINDS = ("read", "write", "short write", "full", "sync")

_XClose = CFUNCTYPE(c_int, c_void_p)
_XMove = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_XTruncate = CFUNCTYPE(c_int, c_void_p, c_int64)
_XSync = CFUNCTYPE(c_int, c_void_p, c_int)
_XOpen = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, POINTER(c_int))


class _Methods(Structure):
    """sqlite3_io_methods, version 3."""

    _fields_ = [
        ("version", c_int),
        ("close", _XClose),
        ("read", _XMove),
        ("write", _XMove),
        ("truncate", _XTruncate),
        ("sync", _XSync),
        ("rest", c_void_p * 13),
    ]


class _Vfs(Structure):
    """sqlite3_vfs, version 3."""

    _fields_ = [
        ("version", c_int),
        ("file_bytes", c_int),
        ("longest_path", c_int),
        ("next", c_void_p),
        ("name", c_char_p),
        ("data", c_void_p),
        ("open", _XOpen),
        ("rest", c_void_p * 15),
    ]


@dataclass
class Image:
    """What of a file would be there after a power cut: all that was synced, and some of what came since."""

    synced: bytearray
    since: list[tuple[int, bytes | None]] = field(
        default_factory=list
    )  # (place, what was written) or (size, None)

    def settle(self) -> None:
        for step in self.since:
            _apply(self.synced, *step)
        self.since.clear()

    def after_a_cut(self, chance: random.Random) -> bytes:
        """The file as the disk might have it."""
        found = bytearray(self.synced)
        for place, written in self.since:
            fate = chance.random()
            if fate < 0.4:
                continue
            if written is not None and fate < 0.7:
                written = written[: SECTOR * chance.randint(0, len(written) // SECTOR)]
            _apply(found, place, written)
        return bytes(found)


def _apply(content: bytearray, place: int, written: bytes | None) -> None:
    if written is None:
        del content[place:]
        return
    if len(content) < place:
        content.extend(bytes(place - len(content)))
    content[place : place + len(written)] = written


class FaultyDisk:
    """Armed with a kind of fault, it fails once, `after` so many steps of that kind; without one it is sound."""

    def __init__(self) -> None:
        self.fired = 0
        self.images: dict[str, Image] = {}
        self.steps_to_cut: int | None = None
        self.is_dead = False
        self._kind, self._left = "", 0

    def arm(self, kind: str, after: int) -> None:
        self._kind, self._left = kind, after

    def disarm(self) -> None:
        self._kind = ""

    def cut_power_after(self, steps: int) -> None:
        """From so many writes, cuts and syncs on nothing reaches the disk any more."""
        self.steps_to_cut, self.is_dead = steps, False

    def opened(self, path: str) -> None:
        if path not in self.images:
            file = Path(path)
            self.images[path] = Image(bytearray(file.read_bytes() if file.exists() else b""))

    def fails(self, *kinds: str) -> str:
        """The kind of fault that comes now, "" for none."""
        if self._kind not in kinds:
            return ""
        if self._left > 0:
            self._left -= 1
            return ""
        kind, self._kind = self._kind, ""
        self.fired += 1
        return kind

    def is_cut(self) -> bool:
        if self.steps_to_cut is not None:
            self.steps_to_cut -= 1
            if self.steps_to_cut < 0 and not self.is_dead:
                self.is_dead = True
                self.fired += 1
        return self.is_dead


# A connection that a failed test left open still calls these.
_ALIVE: list[_Layer] = []


class _Layer:
    """The functions that SQLite calls, and what must stay in memory while it may."""

    def __init__(self, library: Any, disk: FaultyDisk) -> None:
        self.disk = disk
        self._paths: dict[int, str] = {}
        self._wrapped: dict[int, _Methods] = {}
        self._kept: list[Any] = []
        library.sqlite3_vfs_find.restype = c_void_p
        library.sqlite3_vfs_register.argtypes = [c_void_p, c_int]
        library.sqlite3_vfs_unregister.argtypes = [c_void_p]
        self._library = library
        self._under_at = library.sqlite3_vfs_find(None)
        self._under = cast(self._under_at, POINTER(_Vfs)).contents
        self.vfs = _Vfs()
        memmove(addressof(self.vfs), self._under_at, sizeof(_Vfs))
        self.vfs.name = b"faulty"
        self.vfs.open = _XOpen(self._open)
        library.sqlite3_vfs_register(addressof(self.vfs), 1)

    def take_away(self) -> None:
        self._library.sqlite3_vfs_register(self._under_at, 1)
        self._library.sqlite3_vfs_unregister(addressof(self.vfs))

    def _open(self, _vfs: int, name: int | None, file: int, flags: int, out: Any) -> int:
        code: int = self._under.open(self._under_at, name, file, flags, out)
        methods = cast(file, POINTER(c_void_p))
        if code == 0 and name and methods[0]:
            path = string_at(name).decode()
            if path.endswith((".sqlite3", ".sqlite3-wal")):
                self._paths[file] = path
                self.disk.opened(path)
                methods[0] = addressof(self._over(methods[0]))
        return code

    def _over(self, at: int) -> _Methods:
        if at not in self._wrapped:
            under = cast(at, POINTER(_Methods)).contents
            over = _Methods()
            memmove(addressof(over), at, sizeof(_Methods))
            self._wrapped[at] = over
            functions: dict[str, Callable[..., int]] = self._functions(under)
            for name, kind in (
                ("close", _XClose),
                ("read", _XMove),
                ("write", _XMove),
                ("truncate", _XTruncate),
                ("sync", _XSync),
            ):
                setattr(over, name, kind(functions[name]))
            self._kept.append(over)
        return self._wrapped[at]

    def _functions(self, under: _Methods) -> dict[str, Callable[..., int]]:
        disk = self.disk

        def close(file: int) -> int:
            self._paths.pop(file, None)
            return int(under.close(file))

        def read(file: int, into: int, amount: int, place: int) -> int:
            if disk.fails("read"):
                return IO_ERROR_READ
            return int(under.read(file, into, amount, place))

        def write(file: int, source: int, amount: int, place: int) -> int:
            if disk.is_cut():
                return IO_ERROR_WRITE
            kind = disk.fails("write", "short write", "full")
            if kind == "write":
                return IO_ERROR_WRITE
            if kind == "short write":
                amount //= 2
            if kind == "full":
                return FULL
            disk.images[self._paths[file]].since.append((place, string_at(source, amount)))
            code = int(under.write(file, source, amount, place))
            return IO_ERROR_WRITE if kind else code

        def truncate(file: int, size: int) -> int:
            if disk.is_cut():
                return IO_ERROR_TRUNCATE
            disk.images[self._paths[file]].since.append((size, None))
            return int(under.truncate(file, size))

        def sync(file: int, flags: int) -> int:
            if disk.is_cut() or disk.fails("sync"):
                return IO_ERROR_SYNC
            disk.images[self._paths[file]].settle()
            return int(under.sync(file, flags))

        return {"close": close, "read": read, "write": write, "truncate": truncate, "sync": sync}


def library() -> Any:
    """SQLite as Python's sqlite3 has it. Raises AssertionError where it cannot be reached."""
    try:
        found = ctypes.CDLL("libsqlite3.so.0")
        found.sqlite3_libversion.restype = c_char_p
        version = found.sqlite3_libversion().decode()
    except OSError as error:
        raise AssertionError(NEEDED) from error
    assert version == sqlite3.sqlite_version, NEEDED
    return found


@contextmanager
def installed() -> Iterator[FaultyDisk]:
    """Databases that are opened within the block lie on the disk; they must be closed before its end."""
    disk = FaultyDisk()
    layer = _Layer(library(), disk)
    _ALIVE.append(layer)
    try:
        yield disk
    finally:
        layer.take_away()


@contextmanager
def little_memory(more_bytes: int) -> Iterator[None]:
    """SQLite gets no more than so many bytes beside what it holds now."""
    found = library()
    found.sqlite3_hard_heap_limit64.restype = found.sqlite3_memory_used.restype = c_int64
    found.sqlite3_hard_heap_limit64.argtypes = [c_int64]
    found.sqlite3_hard_heap_limit64(found.sqlite3_memory_used() + more_bytes)
    try:
        yield
    finally:
        found.sqlite3_hard_heap_limit64(0)
