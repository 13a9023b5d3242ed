"""What differs between Linux, macOS and Windows. Everything else in the program is the same on all three.

What can be asked of Python is looked for by name (a module or function that is there or not), so that tests can
take it away; what cannot is decided by `KIND`. A test reads the rest of the program for anything that Python's
library reference does not promise on Windows, which therefore lives here and nowhere else.
"""

from __future__ import annotations

import ctypes
import importlib
import logging
import math
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import IO, Any, TextIO

log = logging.getLogger(__name__)
KIND = {"win32": "windows", "darwin": "macos"}.get(sys.platform, "linux")
"""The system that runs the program; `linux` stands for all that are like it."""
_TRIES, _BETWEEN_TRIES_S = 20, 0.05
_M_ARENA_MAX = -8  # from malloc.h
# The first account of a person: Debian's adduser and others 1000, macOS 501 (common practice, no published source).
_FIRST_PERSON, _FIRST_PERSON_MACOS, _LAST_PERSON = 1000, 501, 60_000
_NO_SHELLS = ("nologin", "false", "sync")


def _module(name: str) -> Any:
    """A module that only some systems have, None where this one has not."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


_fcntl, _msvcrt, _resource, _pwd = map(_module, ("fcntl", "msvcrt", "resource", "pwd"))


# Files


def sync(number: int) -> None:
    """Puts what was written to an open file on the disk itself; `number` is its descriptor, open for writing.

    macOS leaves it in the memory of the disk unless F_FULLFSYNC asks for more, see fcntl(2) there.
    """
    full = getattr(_fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with suppress(OSError):  # a share or stick that cannot do it
            _fcntl.fcntl(number, full)
            return
    os.fsync(number)


def sync_file(path: Path) -> None:
    """The same for a file that somebody else has written and closed."""
    with path.open("r+b") as file:  # Windows syncs nothing that is open for reading only
        sync(file.fileno())


def sync_folder(path: Path) -> None:
    """Puts the names in a folder on the disk; systems that cannot open a folder do so by themselves."""
    try:
        number = os.open(path, os.O_RDONLY)
    except PermissionError:
        return
    try:
        sync(number)
    finally:
        os.close(number)


def replace(source: Path, target: Path) -> None:
    """Gives `source` the name `target`, whatever had it.

    On Windows a file that somebody has open, if only to look for viruses, keeps its name: then it is tried
    again for a second. Raises OSError.
    """
    for left in range(_TRIES if KIND == "windows" else 1, 0, -1):
        try:
            os.replace(source, target)
            return
        except PermissionError:
            if left == 1:
                raise
            time.sleep(_BETWEEN_TRIES_S)


def remove(path: Path) -> bool:
    """Removes a file; False where it stays because somebody reads it, which happens on Windows only.

    One that is not there is gone already. Raises OSError.
    """
    try:
        path.unlink(missing_ok=True)
    except PermissionError:
        if KIND != "windows":
            raise
        return False
    return True


def put_in_place(part: Path, target: Path) -> None:
    """Gives a finished file its name once the disk has it, so that the name never stands for half of it."""
    sync_file(part)
    replace(part, target)
    sync_folder(target.parent)


def put_in_free_place(part: Path, target: Path) -> bool:
    """Gives a file a name that nothing has; False, and the file stays, where something has it."""
    try:
        if KIND == "windows":
            os.rename(part, target)  # which refuses there what has a name already
        else:
            os.link(part, target)
            part.unlink()
    except FileExistsError:
        return False
    return True


class PlacedFile:
    """A file that is read at any place by any number of threads; it stays open until it is forgotten."""

    def __init__(self, path: Path) -> None:
        """Raises OSError."""
        self._number = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))  # Python inherits it to nobody
        self._lock = threading.Lock()
        self.size = os.fstat(self._number).st_size

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Lets go of the file, after which it can be removed on every system."""
        if hasattr(self, "_number"):
            os.close(self._number)
            del self._number

    def read(self, position: int, length: int) -> bytes:
        """Raises OSError where the file is shorter."""
        content = self._some(position, length)
        while len(content) < length:
            more = self._some(position + len(content), length - len(content))
            if not more:
                raise OSError("a file ends early")
            content += more
        return content

    def _some(self, position: int, length: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self._number, length, position)
        with self._lock:
            os.lseek(self._number, position, os.SEEK_SET)
            return os.read(self._number, length)


class FileLock:
    """A lock that processes hold by a file, and lose with their end."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._number: int | None = None

    def acquire(self) -> bool:
        """Whether it could be had at once. Raises OSError where the file cannot be made."""
        number = os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600)
        try:
            if _fcntl is not None:
                _fcntl.flock(number, _fcntl.LOCK_EX | _fcntl.LOCK_NB)
            else:
                _msvcrt.locking(number, _msvcrt.LK_NBLCK, 1)
        except (BlockingIOError, PermissionError):  # what flock(2) and Windows say of a lock that is taken
            os.close(number)
            return False
        except BaseException:
            os.close(number)
            raise
        self._number = number
        return True

    def release(self) -> None:
        """Gives it back."""
        if self._number is None:
            return
        number, self._number = self._number, None
        try:
            if _fcntl is None:
                os.lseek(number, 0, os.SEEK_SET)
                _msvcrt.locking(number, _msvcrt.LK_UNLCK, 1)
        finally:
            os.close(number)  # which gives flock(2)'s back


def open_private(path: Path, mode: str, **options: Any) -> IO[Any]:
    """`path.open`, for writing, where a file that this makes is for its owner alone."""
    return open(path, mode, opener=lambda name, flags: os.open(name, flags, 0o600), **options)


def make_private_folder(path: Path) -> None:
    """Makes a folder that no other account of this machine may read, where there is none.

    On Windows the folder of a user is closed to others and what is made in it too; elsewhere (another drive) the
    folder gets a list of its own with icacls, and the log says where that was not to be had. Raises OSError where
    it cannot be made.
    """
    if path.is_dir():
        return
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    if KIND != "windows" or _is_within(path, os.environ.get("USERPROFILE", "")):
        return
    if why := _refused_by_icacls(path):
        log.warning("kb: other accounts of this machine may read %s: %s", path, why)


def _refused_by_icacls(path: Path) -> str:
    """Gives a folder to this account alone; why that failed, "" where it did not."""
    account = "\\".join(
        part for part in (os.environ.get("USERDOMAIN"), os.environ.get("USERNAME", "")) if part
    )
    # Without what it inherits: this account, and by their numbers the system and the administrators.
    allowed = [f"{who}:(OI)(CI)F" for who in (account, "*S-1-5-18", "*S-1-5-32-544")]
    command = ["icacls", str(path), "/inheritance:r", "/grant:r", *allowed]
    try:
        done = subprocess.run(
            command, capture_output=True, stdin=subprocess.DEVNULL, check=False, **without_window()
        )
    except OSError as error:
        return f"icacls cannot be run: {error.strerror}"
    return "" if done.returncode == 0 else f"icacls refused with {done.returncode}"


def _is_within(path: Path, folder: str) -> bool:
    return bool(folder) and path.resolve().is_relative_to(Path(folder).resolve())


# Accounts


def own_accounts() -> frozenset[int]:
    """The numbers of the account that runs the program and of root, who may do everything anyway.

    Empty where accounts have no numbers.
    """
    real, effective = (getattr(os, name, None) for name in ("getuid", "geteuid"))
    if KIND == "windows" or real is None or effective is None:
        return frozenset()
    own = {0, int(real()), int(effective())}
    if effective() == 0 and (caller := os.environ.get("SUDO_UID", "")).isdigit():
        own.add(int(caller))
    return frozenset(own)


def people() -> int | None:
    """How many people have an account on this machine, as far as its list says; None where there is none."""
    if _pwd is None:
        return None
    first = _FIRST_PERSON_MACOS if KIND == "macos" else _FIRST_PERSON
    return len(
        {
            entry.pw_uid
            for entry in _pwd.getpwall()
            if first <= entry.pw_uid <= _LAST_PERSON and not entry.pw_shell.endswith(_NO_SHELLS)
        }
    )


# Processes


def without_window() -> dict[str, Any]:
    """Options of subprocess.Popen that open no console window where the program has none."""
    return {"creationflags": getattr(subprocess, "CREATE_NO_WINDOW", 0)} if KIND == "windows" else {}


def limits_memory() -> bool:
    """Whether the system itself holds a process to `limit_memory`. macOS takes the limit and does not keep it."""
    return _resource is not None and KIND == "linux"


def limit_memory(most_bytes: int) -> None:
    """Limits the memory of this process, where the system can, and lets it leave no core file."""
    if _resource is not None:
        with suppress(ValueError, OSError):  # a lower limit of the system's own stays
            _resource.setrlimit(_resource.RLIMIT_CORE, (0, 0))
            _resource.setrlimit(_resource.RLIMIT_AS, (most_bytes, most_bytes))


def allow_processor_time(seconds: float) -> None:
    """Lets this process use so much more processor time; the system ends it then, where it can."""
    if _resource is not None:
        hard = _resource.getrlimit(_resource.RLIMIT_CPU)[1]
        with suppress(ValueError, OSError):
            _resource.setrlimit(_resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds), hard))


def ended_by_processor_time(status: int) -> bool:
    """Whether an exit status says that the time of `allow_processor_time` was used up."""
    number = getattr(signal, "SIGXCPU", None)
    return number is not None and status == -number


class Used:
    """What another process uses, for systems that do not hold it to its limits; see `limits_memory`."""

    def __init__(self, pid: int) -> None:
        self._psutil = _module("psutil")
        self._process = None
        if self._psutil is not None:
            with suppress(self._psutil.Error):
                self._process = self._psutil.Process(pid)

    def now(self) -> tuple[float, int] | None:
        """(seconds of processor time, bytes of memory), None where it has ended or nothing can be known."""
        if self._process is None:
            return None
        try:
            times, memory = self._process.cpu_times(), self._process.memory_info()
            # Windows counts what was asked for (private) and limits that, not what was touched of it.
            return times.user + times.system, max(memory.rss, getattr(memory, "private", 0))
        except self._psutil.Error:
            return None


def since_boot() -> float:
    """Seconds that nothing sets, the time that the machine slept included.

    Each system has another clock for that: Linux CLOCK_BOOTTIME, macOS CLOCK_MONOTONIC, see clock_gettime(2) of
    each; on Windows time.monotonic() includes it.
    """
    number = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))
    if number is None or not hasattr(time, "clock_gettime"):
        return time.monotonic()
    return float(time.clock_gettime(number))


def after_fork_in_child(call: Callable[[], object]) -> None:
    """Has `call` called in every child that is forked, where there are such."""
    if hasattr(os, "register_at_fork"):
        os.register_at_fork(after_in_child=call)


def work_behind_others() -> None:
    """Lets processes that are waited for go first, where a process can say so of itself."""
    give_way = getattr(os, "nice", None)
    if give_way is not None:
        with suppress(OSError):
            give_way(5)


def ignore_interrupts() -> None:
    """Leaves Ctrl+C, which reaches every process of a console, to the process that started this one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def keep_memory_small() -> bool:
    """Lets all threads share two heaps; False where the C library cannot be asked.

    The GNU C library would give up to eight heaps for each core to threads, and what is free in one is of no
    use to the others. See mallopt(3); it counts for heaps that are made after this call.
    """
    return _asked_of_libc("mallopt", _M_ARENA_MAX, 2)


def give_back_memory() -> bool:
    """Gives the system back what is free after large work, see malloc_trim(3); False where none was."""
    return _asked_of_libc("malloc_trim", 0)


def _asked_of_libc(name: str, *given: int) -> bool:
    if KIND != "linux":
        return False
    try:
        return bool(getattr(ctypes.CDLL(None), name)(*given))
    except (OSError, AttributeError, TypeError):
        return False


def tell_supervisor(state: str) -> bool:
    """Sends `READY=1` or `STOPPING=1` to the supervisor that asked for it; False where none did.

    The protocol is that of sd_notify(3): a datagram to the socket that NOTIFY_SOCKET names, where a leading
    @ stands for the abstract namespace.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    family = getattr(socket, "AF_UNIX", None)
    if family is None or not address.startswith(("/", "@")):
        return False
    with socket.socket(family, socket.SOCK_DGRAM) as sender:
        try:
            sender.connect("\0" + address[1:] if address.startswith("@") else address)
            sender.sendall(state.encode())
        except OSError:
            return False  # a supervisor that has gone must not take the server with it
    return True


# Sockets and streams


def claim_port(listener: socket.socket) -> None:
    """Sets how a socket takes a port: at once after a restart, and alone.

    SO_REUSEADDR does the first on POSIX systems. On Windows it would let any program take the port away, and
    SO_EXCLUSIVEADDRUSE keeps it; a port can be had at once there.
    """
    alone = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
    if KIND == "windows" and alone is not None:
        listener.setsockopt(socket.SOL_SOCKET, alone, 1)
    else:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


def own_addresses() -> tuple[str, ...]:
    """The addresses of this machine's network cards, the one that the rest of the network is reached from first.

    Linux lists them in /proc/net (proc(5)); elsewhere psutil does. Those that change by themselves every day
    (RFC 8981, from memory) and those of one cable only (fe80::) are left out: nobody can be led there. Empty
    where there is no network.
    """
    found = [_reached_from("192.0.2.1"), *_listed_addresses()]  # RFC 5737: an address that is nobody's
    return tuple(dict.fromkeys(one for one in found if one and not one.startswith("127.")))


def _reached_from(other: str) -> str:
    """The own address that a packet to another would leave from; nothing is sent to find out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((other, 9))
            return str(asking.getsockname()[0])
        except OSError:
            return ""


def _listed_addresses(proc: Path = Path("/proc/net")) -> list[str]:
    psutil = _module("psutil") if KIND != "linux" else None
    if psutil is not None:
        families = (socket.AF_INET, socket.AF_INET6)
        cards = psutil.net_if_addrs().values()
        listed = [one.address for card in cards for one in card if one.family in families]
        return [one for one in listed if "%" not in one and one != "::1"]
    found: list[str] = []
    with suppress(OSError):
        lines = (proc / "fib_trie").read_text(encoding="ascii").splitlines()
        for line, below in pairwise(lines):
            if below.strip() == "/32 host LOCAL":
                found.append(line.rpartition(" ")[2])
    with suppress(OSError):
        for line in (proc / "if_inet6").read_text(encoding="ascii").splitlines():
            digits, _, _, scope, flags, _ = line.split()
            # Scope 0 is the whole network; of the flags, 0x01 is temporary, 0x20 deprecated, 0x40 not sure yet.
            if scope == "00" and not int(flags, 16) & 0x61:
                found.append(socket.inet_ntop(socket.AF_INET6, bytes.fromhex(digits)))
    return found


def write_anything(stream: TextIO | None) -> None:
    """Lets a stream take every character: what its encoding lacks is written as \\u2126.

    What is sent to a file or a pipe on Windows is written in the code page of the country.
    """
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None and getattr(stream, "errors", "") == "strict":
        reconfigure(errors="backslashreplace")
