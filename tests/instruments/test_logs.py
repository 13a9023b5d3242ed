"""Logs of instruments as files: how long they are kept, and how often they are read."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from kb.errors import NotFound
from kb.instruments.logs import About, Logs

ABOUT = About("12V of HX-210")
WEEK_S = 7 * 86_400


def test_the_rows_of_a_log_of_an_earlier_program_are_counted_once(tmp_path: Path) -> None:
    first = Logs(tmp_path)
    log = first.begin("bench meter", ABOUT, "2026-11-28 09:00:00 UTC")
    log.add(0.0, None)
    first.close()
    later = Logs(tmp_path)
    found = later.get(log.id)
    assert (found.failed, found.running) == (1, False)
    assert later.get(log.id) is found
    assert later.all() == [found]


def test_a_log_goes_a_week_after_its_end_and_one_that_runs_stays(tmp_path: Path) -> None:
    logs = Logs(tmp_path)
    ended, running = (logs.begin("bench meter", ABOUT, "2026-11-01 09:00:00 UTC") for _ in range(2))
    ended.end()
    long_ago = time.time() - WEEK_S - 60
    for one in (ended, running):
        os.utime(one.path, (long_ago, long_ago))
    logs.begin("bench meter", ABOUT, "2026-11-28 09:00:00 UTC")
    with pytest.raises(NotFound):
        logs.get(ended.id)
    assert logs.get(running.id) is running
    logs.close()
