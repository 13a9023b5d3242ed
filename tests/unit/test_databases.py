"""The PostgreSQL servers of a test run."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from processes import until

_RUN = """
import sys, time
from databases import Server
server = Server()
print(server.process.pid, server.folder, flush=True)
time.sleep(300)
"""


def is_running(pid: int) -> bool:
    """Whether there is such a process that has not ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.once("it starts a server of its own")
def test_a_server_ends_with_a_test_run_that_is_killed() -> None:
    tests = Path(__file__).parents[1]
    run = subprocess.Popen(
        [sys.executable, "-c", _RUN],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tests), str(tests.parent)])},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    pid, _, folder = run.stdout.readline().strip().partition(" ")
    try:
        assert is_running(int(pid))
        run.send_signal(signal.SIGKILL)
        until(lambda: not is_running(int(pid)), 20)
    finally:
        with suppress(ProcessLookupError):
            os.kill(int(pid), signal.SIGQUIT)
        run.kill()
        run.wait(10)
        run.stdout.close()
        shutil.rmtree(folder, ignore_errors=True)
