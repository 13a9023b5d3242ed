"""A demo server of its own and Debian's Chromium, for tests that click as a person does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import needs
import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright
from processes import served

PATIENT_MS = 120_000
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def _then_settle(press: Callable[..., None]) -> Callable[..., None]:
    """A press that waits, as for a link, until a form that it sent has led to a page or stays where it is."""

    def pressed(self: Locator, *arguments: Any, **options: Any) -> None:
        press(self, *arguments, **options)
        expect(self.page.locator("form[data-sent]")).to_have_count(0)

    return pressed


@pytest.fixture(scope="session", autouse=True)
def _forms_are_waited_for() -> Iterator[None]:
    """Pages send their forms by script (static/js/offline.js), which a click alone does not wait for."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("click", "press"):
            patch.setattr(Locator, name, _then_settle(getattr(Locator, name)))
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium, ended with the module: its event loop keeps that of other tests from running."""
    path = needs.browser()
    if path is None or "libatomic1" in needs.missing():
        pytest.fail(needs.sentence(needs.missing()), pytrace=False)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        open_context = started.new_context

        def patient_context(**options: Any) -> BrowserContext:
            """A context that waits for what it looks for however busy the machine is; one whose matter is not what
            is kept for the server's absence does without a service worker."""
            context = open_context(**{"service_workers": "block"} | options)
            context.set_default_timeout(PATIENT_MS)
            return context

        started.new_context = patient_context  # type: ignore[method-assign]
        expect.set_options(timeout=PATIENT_MS)
        yield started
        started.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page in a context of its own."""
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.fixture(scope="session")
def demo_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a demo server for all tests; what one adds must not matter to another."""
    folder = tmp_path_factory.mktemp("demo")
    with served(folder / "untouched", "--demo") as (url, _):
        yield url
        assert not (folder / "untouched").exists(), "the demo wrote into the data folder"
