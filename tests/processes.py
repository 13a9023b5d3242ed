"""`kb serve` as processes of their own, for tests of several on one database."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx


@contextmanager
def serving(folder: Path, address: str, **settings: str) -> Iterator[httpx.Client]:
    """A `kb serve` process of its own with its own data folder; `settings` are further ones of `KB_…`."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    process = subprocess.Popen(
        [sys.executable, "-m", "kb", "serve", "--no-browser", "--port", "0"],
        env={
            **environment,
            "KB_DATA": str(folder),
            "KB_DATABASE_URL": address,
            "KB_BACKUP_DAILY": "false",
            **settings,
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert "answers at" in line, line
        with httpx.Client(base_url=line.split()[-1], timeout=60) as client:
            yield client
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


def until(holds: Callable[[], Any], seconds: float) -> float:
    """Waits until something holds; answers how long that took."""
    start = time.monotonic()
    while not holds():
        assert time.monotonic() - start < seconds, "it did not come about in time"
        time.sleep(0.05)
    return time.monotonic() - start
