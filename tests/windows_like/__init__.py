"""Linux with what Windows lacks taken away, to run the program where no Windows is at hand.

    PYTHONPATH=tests/windows_like:tests:. kb serve ...                 # sitecustomize.py beside this file
    python -m pytest -p tests.windows_like tests/search/test_folder.py

Gone are the modules and functions that `unit/missing_on_windows.toml` lists, but for those of `_NEEDED`, which
Python's own library on Linux or a library of others asks for by itself. Otherwise than on Linux are:

- what this process has open is neither removed nor renamed nor replaced, nor is a folder opened;
- what is open for reading only is not synced;
- a text without an encoding is cp1252, one without line ends that are named has CRLF;
- names that Windows refuses are refused, and so is one that differs in case only from one that is there;
- pairs of sockets are TCP, there are no Unix sockets, and the loop waits by select();
- standard streams that are no console take what cp1252 has (set PYTHONIOENCODING=cp1252);
- `kb.system.KIND` is "windows".

What that leaves out: paths with drives and backslashes, other processes' open files, access lists, the loop of
asyncio on Windows, code pages of consoles, and all that nobody thought of. It is no Windows.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
PATHS = (str(HERE), str(HERE.parent), str(HERE.parents[1]))
_MISSING = tomllib.loads((HERE.parent / "unit" / "missing_on_windows.toml").read_text(encoding="utf-8"))
# Asked for while they run: by subprocess and multiprocessing (processes), asyncio (set_blocking, siginterrupt),
# NumPy (uname), platformdirs and pytest (getuid), tempfile (O_NOFOLLOW, O_TMPFILE), shutil (sendfile, statvfs)
# and, from 3.13 on, os itself where it counts the processors (sched_getaffinity).
_NEEDED: dict[str, set[str]] = {
    "os": {
        "WNOHANG",
        "sched_getaffinity",
        "WIFSTOPPED",
        "WSTOPSIG",
        "set_blocking",
        "getuid",
        "geteuid",
        "O_NOFOLLOW",
        "O_TMPFILE",
        "sendfile",
        "statvfs",
        "uname",
    },
    "signal": {"pthread_sigmask", "SIG_BLOCK", "SIG_UNBLOCK", "siginterrupt"},
    "socket": set(),
    "time": set(),
}
_RESERVED = re.compile(r"(?i)(?:con|prn|aux|nul|com[1-9]|lpt[1-9])(?:\.|$)")
_REFUSED = re.compile(r'[<>:"|?*\x00-\x1f]|[ .]$')


def environment(base: dict[str, str]) -> dict[str, str]:
    """That of a process that starts so."""
    paths = os.pathsep.join([*PATHS, base.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    return {**base, "PYTHONPATH": paths, "PYTHONIOENCODING": "cp1252"}


def take_away() -> None:
    """Does it to this process, once."""
    if "msvcrt" in sys.modules:
        return
    _processes_and_sockets()
    _files()
    _texts()
    _modules_and_names()
    import kb.system

    kb.system.KIND = "windows"


def _processes_and_sockets() -> None:
    import asyncio.selector_events  # noqa: F401  # before its names go
    import multiprocessing.resource_tracker  # noqa: F401
    import selectors
    import shutil
    import signal
    import socket
    import subprocess
    import tempfile

    selectors.DefaultSelector = selectors.SelectSelector  # type: ignore[misc,assignment]
    killed = signal.SIGKILL
    subprocess.Popen.kill = lambda self: self.send_signal(killed)  # type: ignore[method-assign]
    subprocess.Popen.terminate = subprocess.Popen.kill  # type: ignore[method-assign]
    subprocess._USE_POSIX_SPAWN = False  # type: ignore[attr-defined]
    shutil._use_fd_functions = False  # type: ignore[attr-defined]
    tempfile.TemporaryFile = tempfile.NamedTemporaryFile  # type: ignore[assignment,misc]
    socket.socketpair = _pair


def _pair(family: int = 0, type: int = 0, proto: int = 0) -> Any:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as listener:
        one = socket.create_connection(listener.getsockname())
        other, _ = listener.accept()
    return one, other


def _files() -> None:
    import fcntl

    plain_open, plain_sync, nameless = os.open, os.fsync, os.O_TMPFILE

    def opened(path: Any, flags: int, mode: int = 0o777, **more: Any) -> int:
        if isinstance(path, (str, bytes, os.PathLike)):
            _refuse_name(path, bool(flags & os.O_CREAT))
            if os.path.isdir(path) and flags & nameless != nameless:
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return plain_open(path, flags, mode, **more)

    def synced(file: Any) -> None:
        number = file if isinstance(file, int) else file.fileno()
        if fcntl.fcntl(number, fcntl.F_GETFL) & 3 == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        plain_sync(number)

    def guarded(call: Any, *, creates: bool) -> Any:
        def checked(source: Any, *rest: Any, **more: Any) -> Any:
            for path in (source, *rest[:1]):
                _refuse_open(path)
            if creates and rest:
                _refuse_name(rest[0], True, besides=source)
            if call is plain_rename and os.path.exists(rest[0]):
                raise FileExistsError(errno.EEXIST, "File exists", str(source))
            return call(source, *rest, **more)

        return checked

    plain_rename, plain_make = os.rename, os.mkdir

    def made(path: Any, mode: int = 0o777, **more: Any) -> None:
        _refuse_name(path, True)
        plain_make(path, mode, **more)

    os.open, os.fsync, os.mkdir = opened, synced, made
    os.unlink = os.remove = guarded(os.unlink, creates=False)
    os.replace = guarded(os.replace, creates=True)
    os.rename = guarded(os.rename, creates=True)
    os.chmod = lambda path, mode, **more: None  # there it sets whether a file may be written, and no more


def _refuse_open(path: Any) -> None:
    """Raises what Windows does for a file that this process has open."""
    if not isinstance(path, (str, bytes, os.PathLike)):
        return
    real = os.path.realpath(os.fsdecode(path))
    for number in os.listdir("/proc/self/fd"):
        try:
            held = os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue
        if held == real:
            raise PermissionError(errno.EACCES, "The file is used by another process", os.fsdecode(path))


def _refuse_name(path: Any, creates: bool, besides: Any = None) -> None:
    """Raises what Windows does for a name that it cannot have, or has in other letters."""
    folder, name = os.path.split(os.fsdecode(path))
    if folder.startswith(("/proc", "/dev", "/sys")) or not name:
        return
    if _RESERVED.match(name) or _REFUSED.search(name):
        raise OSError(errno.EINVAL, "Invalid argument", name)
    if creates and not os.path.lexists(path) and os.path.isdir(folder or "."):
        same = [one for one in os.listdir(folder or ".") if one.casefold() == name.casefold()]
        if besides is not None:
            same = [one for one in same if os.path.join(folder, one) != os.fsdecode(besides)]
        if same:
            raise FileExistsError(errno.EEXIST, f"There it is the same as {same[0]}", name)


def _texts() -> None:
    plain = io.open

    def opened(
        file: Any, mode: str = "r", buffering: int = -1, encoding: Any = None, errors: Any = None,
        newline: Any = None, closefd: bool = True, opener: Any = None,
    ) -> Any:  # fmt: skip
        if not isinstance(file, int) and opener is None:
            _refuse_name(file, mode[0] in "wxa")
            if os.path.isdir(file):
                raise PermissionError(errno.EACCES, "Permission denied", str(file))
        if "b" not in mode:
            encoding = "cp1252" if encoding in (None, "locale") else encoding
            newline = "\r\n" if newline is None and mode[0] in "wxa" else newline
        return plain(file, mode, buffering, encoding, errors, newline, closefd, opener)

    builtins.open = io.open = opened

    def fdopened(
        number: int, mode: str = "r", buffering: int = -1, encoding: Any = None, *more: Any, **named: Any
    ) -> Any:
        return opened(number, mode, buffering, encoding, *more, **named)

    os.fdopen = fdopened
    import locale

    locale.getpreferredencoding = lambda do_setlocale=True: "cp1252"


def _modules_and_names() -> None:
    import fcntl
    import importlib
    import types

    import psutil  # noqa: F401  # which on Windows needs none of what goes now

    def locking(number: int, mode: int, _length: int) -> None:
        try:
            fcntl.flock(number, fcntl.LOCK_UN if mode == 0 else fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise PermissionError(errno.EACCES, "Permission denied") from None

    stand_in = types.ModuleType("msvcrt", "The lock of files, with the numbers of <sys/locking.h>.")
    stand_in.LK_UNLCK, stand_in.LK_LOCK, stand_in.LK_NBLCK, stand_in.locking = 0, 1, 2, locking  # type: ignore[attr-defined]
    sys.modules["msvcrt"] = stand_in
    for name in _MISSING["modules"]:
        if name != "posix":  # os itself is made of it
            sys.modules[name] = None  # type: ignore[assignment]
    for name, needed in _NEEDED.items():
        module = importlib.import_module(name)
        for gone in set(_MISSING["names"][name]) - needed:
            if hasattr(module, gone):
                delattr(module, gone)


def pytest_configure() -> None:
    """As a plugin: what the tests start is so as well."""
    os.environ.update(environment(dict(os.environ)))
    sys.path[:0] = PATHS  # which the program hands to the processes that it starts


if __name__ == "tests.windows_like":  # named to pytest with -p
    take_away()
