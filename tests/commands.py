"""Runs `kb` and code of the tests in processes of their own without loading the program for each one.

A server that has loaded the program once forks a process for each: what runs is the real command line with its own
environment, standard streams and exit status, in hundredths of a second instead of a second. What depends on how
the interpreter itself starts asks for a `fresh` one. Where a process cannot be watched from elsewhere
(pidfd_open(2) is Linux's) every one is fresh.
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import gc
import importlib
import io
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
import warnings
from pathlib import Path
from typing import IO, Any

# So long only what hangs takes, however busy the machine is.
STUCK_S = 400.0
# What a server is asked for first.
FIRST_PAGES = ("/", "/cases", "/cases/new", "/families/new", "/diagnose?text=relay+ticks", "/search?q=relay")
_CAN_FORK = hasattr(os, "fork") and hasattr(os, "pidfd_open")
# The program from the checkout, and the modules of the tests.
_PATHS = [str(Path(__file__).parent), str(Path(__file__).parents[1])]


def run(
    arguments: list[str],
    environment: dict[str, str],
    *,
    stdin: bytes | None = None,
    fresh: bool = False,
) -> subprocess.CompletedProcess[bytes]:
    """`kb` with `arguments`, to its end."""
    if fresh or not _CAN_FORK:
        return subprocess.run(
            [sys.executable, "-m", "kb", *arguments],
            input=stdin, capture_output=True, env=environment, timeout=STUCK_S, check=False,
        )  # fmt: skip
    with contextlib.ExitStack() as files:
        given, out, err = (files.enter_context(tempfile.TemporaryFile()) for _ in range(3))
        given.write(stdin or b"")
        given.seek(0)
        process = _SERVER.start(
            {"arguments": arguments}, environment, [file.fileno() for file in (given, out, err)]
        )
        status = process.wait(STUCK_S)
        for file in (out, err):
            file.seek(0)
        return subprocess.CompletedProcess(["kb", *arguments], status, out.read(), err.read())


def start(arguments: list[str], environment: dict[str, str]) -> Process:
    """`kb` with `arguments`, under way; what it says is read as text."""
    return _start({"arguments": arguments}, environment, ["-m", "kb", *arguments])


def start_code(code: str, arguments: list[str], environment: dict[str, str]) -> Process:
    """A piece of Python that may import the program and the modules of the tests, under way."""
    paths = f"import sys; sys.path[:0] = {_PATHS!r}\n"
    return _start({"code": code, "arguments": arguments}, environment, ["-c", paths + code, *arguments])


def _start(order: dict[str, Any], environment: dict[str, str], fresh: list[str]) -> Process:
    if not _CAN_FORK:
        return _Fresh(  # type: ignore[return-value]  # it has all that a Process has
            [sys.executable, *fresh], env=environment, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", errors="replace",
        )  # fmt: skip
    out, out_end = os.pipe()
    # A file takes whatever is written, also where nobody reads; it is read by a place of its own.
    err_end, name = tempfile.mkstemp(prefix="kb-said-")
    err = os.open(name, os.O_RDONLY)
    os.unlink(name)
    nothing = os.open(os.devnull, os.O_RDONLY)
    try:
        process = _SERVER.start(order, environment, [nothing, out_end, err_end])
    finally:
        for number in (nothing, out_end, err_end):
            os.close(number)
    process.stdout = os.fdopen(out, encoding="utf-8", errors="replace")
    process.stderr = os.fdopen(err, encoding="utf-8", errors="replace")
    return process


class _Fresh(subprocess.Popen[str]):
    """One with an interpreter of its own."""

    def close(self) -> None:
        """Ends it at once where it still runs, and closes what it was read by."""
        self.kill()
        self.wait()
        for stream in (self.stdout, self.stderr):
            if stream is not None:
                stream.close()


class Process:
    """A process that the server has forked, with what the tests use of subprocess.Popen."""

    def __init__(self, pid: int, end: int, arguments: list[str]) -> None:
        self.pid = pid
        self.args = arguments
        self.returncode: int | None = None
        self.stdout: IO[str] = io.StringIO()
        self.stderr: IO[str] = io.StringIO()
        self._end = end  # the server writes the exit status there

    def wait(self, timeout: float | None = STUCK_S) -> int:
        """The exit status, once it has ended. Raises subprocess.TimeoutExpired."""
        if self.returncode is None:
            ready, _, _ = select.select([self._end], [], [], timeout)
            if not ready:
                raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
            said = os.read(self._end, 20)
            os.close(self._end)
            self.returncode = int(said) if said else -signal.SIGKILL  # the server has gone and taken it along
        return self.returncode

    def poll(self) -> int | None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0)
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def communicate(self, timeout: float = STUCK_S) -> tuple[str, str]:
        """What it still says on both streams, and waits for its end."""
        out = "" if self.stdout.closed else self.stdout.read()  # until it has ended, or closed it
        self.wait(timeout)
        err = "" if self.stderr.closed else self.stderr.read()
        self.stdout.close()
        self.stderr.close()
        return out, err

    def close(self) -> None:
        """Ends it at once where it still runs, and closes what it was read by."""
        self.kill()
        self.wait()
        self.stdout.close()
        self.stderr.close()


class _Server:
    """The process that forks, started with the first order that any process of the run has.

    What one has started ends with it, and the server with the last of them.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._orders: socket.socket | None = None
        self._lock = threading.Lock()

    def start(self, order: dict[str, Any], environment: dict[str, str], streams: list[int]) -> Process:
        order |= {"environment": environment, "folder": os.getcwd()}
        status, status_end = os.pipe()
        try:
            with self._lock:
                pid = self._ask(json.dumps(order).encode(), [*streams, status_end])
        finally:
            os.close(status_end)
        return Process(pid, status, ["kb", *order["arguments"]])

    def _ask(self, order: bytes, descriptors: list[int]) -> int:
        if self._orders is None:
            self._orders = self._found()
            atexit.register(self.stop)
        socket.send_fds(self._orders, [len(order).to_bytes(4, "big")], descriptors)
        self._orders.sendall(order)
        answer = self._orders.recv(20)
        if not answer:
            raise RuntimeError("the process that starts the commands of the tests has ended")
        return int(answer)

    def _found(self) -> socket.socket:
        """A connection to the server of the run, which is started where there is none yet. Its address is one of
        Linux's own, without a file: whoever takes it first starts the server."""
        address = f"\0kb-tests-{os.environ.get('PYTEST_XDIST_TESTRUNUID', os.getpid())}"
        while True:
            orders = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            with contextlib.suppress(ConnectionRefusedError):
                orders.connect(address)
                return orders
            orders.close()
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as ear:
                try:
                    ear.bind(address)
                except OSError as error:
                    if error.errno != errno.EADDRINUSE:
                        raise
                    continue  # another is about to start it
                ear.listen()
                self._process = subprocess.Popen(
                    [sys.executable, __file__, str(ear.fileno())],
                    stdin=subprocess.DEVNULL, pass_fds=[ear.fileno()], start_new_session=True,
                    env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # only one thread lives on in a child
                )  # fmt: skip

    def stop(self) -> None:
        """Ends all that was started from here, and the server with the last process of the run."""
        orders, self._orders = self._orders, None
        process, self._process = self._process, None
        if orders is not None:
            orders.close()
        if process is not None:
            process.wait()


_SERVER = _Server()


def _serve(number: int) -> None:
    for name in ("factories", "kb.web.server", "kb.cli.main"):
        importlib.import_module(name)  # what the commands need is loaded here, once
    shared = importlib.import_module("shared_statements")
    shared.share_choices()
    shared.hash_lightly()
    shared.share_templates()
    gc.collect()
    gc.freeze()  # children share these pages as long as nobody counts in them
    ear = socket.socket(fileno=number)
    asking: dict[int, socket.socket] = {}  # the processes of the run that have orders, by descriptor
    children: dict[int, tuple[int, int, int]] = {}  # by pidfd: its pid, where its exit status goes, who asked
    has_served = has_shown = False
    poll = select.poll()
    poll.register(ear, select.POLLIN)
    while True:
        for ready, _ in poll.poll():
            if ready == number:
                connection, _ = ear.accept()
                asking[connection.fileno()] = connection
                poll.register(connection, select.POLLIN)
                continue
            if ready in children:
                pid, status_end, _ = children.pop(ready)
                _, status = os.waitpid(pid, 0)
                poll.unregister(ready)
                os.close(ready)
                with contextlib.suppress(BrokenPipeError):
                    os.write(status_end, str(os.waitstatus_to_exitcode(status)).encode())
                os.close(status_end)
                continue
            given, descriptors = _order(asking[ready])
            if given is None:
                poll.unregister(ready)
                asking.pop(ready).close()
                _end([pid for pid, _, who in children.values() if who == ready])
                if not asking:
                    return
                continue
            if not has_served and given["arguments"][:1] == ["serve"]:
                _have_served()
                has_served = True
            if not has_shown and "--demo" in given["arguments"]:
                _have_shown_the_demo()
                has_shown = True
            pid = os.fork()
            if pid == 0:
                for connection in (ear, *asking.values()):
                    connection.close()
                for _, other, _ in children.values():
                    os.close(other)
                _become(given, descriptors[:3], descriptors[3])
            for descriptor in descriptors[:3]:
                os.close(descriptor)
            watched = os.pidfd_open(pid)
            children[watched] = pid, descriptors[3], ready
            poll.register(watched, select.POLLIN)
            with contextlib.suppress(BrokenPipeError):
                asking[ready].sendall(str(pid).encode())


def _order(connection: socket.socket) -> tuple[dict[str, Any] | None, list[int]]:
    """One order and its descriptors; None where the process that asks has ended."""
    size, descriptors, _, _ = socket.recv_fds(connection, 4, 4)
    order = b""
    while len(order) < int.from_bytes(size, "big"):
        part = connection.recv(65_536)
        if not part:
            break
        order += part
    return (json.loads(order) if order else None), descriptors


def _end(pids: list[int]) -> None:
    """Ends processes, and what they have started."""
    for pid in pids:
        for end in (os.kill, os.killpg):
            with contextlib.suppress(OSError):
                end(pid, signal.SIGKILL)


def _have_served() -> None:
    """Answers the pages that most tests ask for, of a store in memory: the table of routes, the templates and the
    word lists, which every server works out at its first pages, are then worked out for all of them."""
    from factories import fresh_shop
    from web_client import Client

    client = Client(fresh_shop())
    for address in FIRST_PAGES:
        assert client.get(address, headers={"Accept": "text/html"}).status_code == 200, address
    client.close()
    _alone()


def _have_shown_the_demo() -> None:
    """Chooses the weights for the demo's cases, which every server of the demo does at its start."""
    from factories import demo_shop

    shop = demo_shop()
    shop.derived.warm()
    _alone()
    shop.close()
    gc.collect()
    gc.freeze()


def _alone() -> None:
    """Waits for all other threads: a thread is not forked, but what it holds is."""
    for thread in threading.enumerate():
        if thread is not threading.current_thread():
            thread.join(STUCK_S)
    gc.collect()
    gc.freeze()


def _become(order: dict[str, Any], streams: list[int], status_end: int) -> None:
    """Turns the forked process into the command, and ends it."""
    from kb.cli.main import main

    status: object = 1
    try:
        os.close(status_end)
        os.setpgid(0, 0)
        os.environ.clear()
        os.environ.update(order["environment"])
        time.tzset()
        os.chdir(order["folder"])
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
            os.close(stream)
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = os.fdopen(
            2, "w", encoding="utf-8", errors="backslashreplace", buffering=1, closefd=False
        )
        warnings.filterwarnings("error", category=ResourceWarning)
        code, arguments = order.get("code"), order["arguments"]
        sys.argv = ["-c" if code else "kb", *arguments]
        if code is None:
            status = main(arguments)
        else:
            exec(compile(code, "<code of a test>", "exec"), {"__name__": "__main__"})
            status = 0
    except SystemExit as end:
        status = end.code
    except BaseException:
        traceback.print_exc()
    finally:
        gc.collect()  # says what was left open
        with contextlib.suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status if isinstance(status, int) else 0 if status is None else 1)


if __name__ == "__main__":
    sys.path[:0] = _PATHS
    _serve(int(sys.argv[1]))
