"""The PostgreSQL servers of a test run."""

from __future__ import annotations

import os
import shutil
import signal
from contextlib import suppress
from pathlib import Path

import commands
import pytest
from processes import until

_RUN = """
import signal
from databases import Server
server = Server()
print(server.process.pid, server.folder, flush=True)
signal.pause()
"""


def is_running(pid: int) -> bool:
    """Whether there is such a process that has not ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.once("it starts a server of its own")
def test_a_server_ends_with_a_test_run_that_is_killed() -> None:
    run = commands.start_code(_RUN, [], dict(os.environ))
    pid, _, folder = run.stdout.readline().strip().partition(" ")
    try:
        assert is_running(int(pid))
        run.send_signal(signal.SIGKILL)
        until(lambda: not is_running(int(pid)))
    finally:
        with suppress(ProcessLookupError):
            os.kill(int(pid), signal.SIGQUIT)
        run.close()
        shutil.rmtree(folder, ignore_errors=True)
