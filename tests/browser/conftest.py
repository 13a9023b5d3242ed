"""A demo server of its own and Debian's Chromium, for tests that click as a person does."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    if not Path(CHROMIUM).exists():
        pytest.fail("Chromium is missing: install Debian's package chromium and run the tests again.")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page in a context of its own."""
    context = browser.new_context()
    context.set_default_timeout(15_000)
    yield context.new_page()
    context.close()


@pytest.fixture(scope="session")
def demo_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a demo server for all tests; what one adds must not matter to another."""
    folder = tmp_path_factory.mktemp("demo")
    process = subprocess.Popen(
        [sys.executable, "-m", "kb", "serve", "--demo", "--no-browser", "--port", "0"],
        env={**os.environ, "KB_DATA": str(folder / "untouched")},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert "answers at" in line, line
        yield line.split()[-1].rstrip("/")
        assert not (folder / "untouched").exists(), "the demo wrote into the data folder"
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()
