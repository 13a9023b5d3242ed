"""A test that hangs in a browser, or breaks when it is over, is reported as one failure: the next ones run."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from commands import STUCK_S

HERE = Path(__file__).parent
NEXT = HERE.parent / "web" / "test_job_pages.py"  # it needs an event loop of its own


@pytest.mark.long
def test_what_hangs_or_breaks_in_a_browser_fails_alone() -> None:
    order = ["test_hangs", "test_is_well", "test_breaks_when_it_is_over"]
    tests = [f"{HERE / 'hanging.py'}::{name}" for name in order]
    told = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests, str(NEXT)],
        cwd=HERE.parents[1],
        env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")},
        capture_output=True,
        text=True,
        timeout=STUCK_S,
        check=False,
    ).stdout
    failed = [
        line.partition("::")[2].partition(" - ")[0]
        for line in told.splitlines()
        if line[:6] in ("FAILED", "ERROR ")
    ]
    assert sorted(failed) == [
        "test_breaks_when_it_is_over",
        "test_hangs[busy]",
        "test_hangs[waiting]",
    ], told
