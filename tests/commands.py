"""Runs `kb` commands in processes of their own without loading the program for each one.

A server that has loaded the program once forks a process for each command: what runs is the real command line
with its own environment, standard streams and exit status, in hundredths of a second instead of a second.
What depends on how the interpreter itself starts is told to run in a `fresh` one.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import subprocess
import sys
import tempfile
import threading
import traceback
import warnings
from pathlib import Path


def run(
    arguments: list[str],
    environment: dict[str, str],
    *,
    stdin: bytes | None = None,
    fresh: bool = False,
    timeout_s: float = 120.0,
) -> subprocess.CompletedProcess[bytes]:
    """`kb` with `arguments`. Raises subprocess.TimeoutExpired."""
    if fresh:
        return subprocess.run(
            [sys.executable, "-m", "kb", *arguments],
            input=stdin, capture_output=True, env=environment, timeout=timeout_s, check=False,
        )  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="kb-command-") as folder:
        streams = [str(Path(folder, name)) for name in ("in", "out", "err")]
        Path(streams[0]).write_bytes(stdin or b"")
        order = {
            "arguments": arguments,
            "environment": environment,
            "streams": streams,
            "folder": os.getcwd(),
        }
        status = _SERVER.ask(order, timeout_s)
        out, err = (Path(name).read_bytes() for name in streams[1:])
    return subprocess.CompletedProcess(["kb", *arguments], status, out, err)


class _Server:
    """The process that forks, started with the first command."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def ask(self, order: dict[str, object], timeout_s: float) -> int:
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, __file__],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
            )  # fmt: skip
            atexit.register(self.stop)
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(order) + "\n")
        process.stdin.flush()
        too_long = threading.Timer(timeout_s, self.stop)
        too_long.start()
        answer = process.stdout.readline()
        too_long.cancel()
        if not answer:
            self.stop()
            raise subprocess.TimeoutExpired(["kb", *order["arguments"]], timeout_s)  # type: ignore[misc]
        return int(answer)

    def stop(self) -> None:
        """Ends the server and the command that it may be running."""
        process, self._process = self._process, None
        if process is not None:
            os.killpg(process.pid, 9)
            process.wait()
            for stream in (process.stdin, process.stdout):
                assert stream is not None
                stream.close()


_SERVER = _Server()


def _serve() -> None:
    from kb.cli.main import main  # what the commands need is loaded here, once

    assert main
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            _become(json.loads(line))
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _become(order: dict[str, object]) -> None:
    """Turns the forked process into the command, and ends it."""
    from kb.cli.main import main

    status: object = 1
    try:
        os.environ.clear()
        os.environ.update(order["environment"])  # type: ignore[call-overload]
        os.chdir(str(order["folder"]))
        ways = (os.O_RDONLY, os.O_WRONLY | os.O_CREAT, os.O_WRONLY | os.O_CREAT)
        for number, (name, way) in enumerate(zip(order["streams"], ways, strict=True)):  # type: ignore[call-overload]
            os.dup2(os.open(name, way, 0o600), number)
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = os.fdopen(
            2, "w", encoding="utf-8", errors="backslashreplace", buffering=1, closefd=False
        )
        warnings.filterwarnings("error", category=ResourceWarning)
        arguments = order["arguments"]
        assert isinstance(arguments, list)
        sys.argv = ["kb", *arguments]
        status = main(arguments)
    except SystemExit as end:
        status = end.code
    except BaseException:
        traceback.print_exc()
    finally:
        gc.collect()  # says what was left open
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status if isinstance(status, int) else 0 if status is None else 1)


if __name__ == "__main__":
    _serve()
