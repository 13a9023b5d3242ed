"""A demo server of its own and Debian's Chromium, for tests that click as a person does."""

from __future__ import annotations

from collections.abc import Iterator

import needs
import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from processes import served

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    path = needs.browser()
    if path is None or "libatomic1" in needs.missing():
        pytest.fail(needs.sentence(needs.missing()), pytrace=False)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
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
    with served(folder / "untouched", "--demo") as (url, _):
        yield url
        assert not (folder / "untouched").exists(), "the demo wrote into the data folder"
