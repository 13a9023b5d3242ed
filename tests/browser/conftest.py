"""A demo server of its own and Debian's Chromium, for tests that click as a person does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import needs
import pytest
from looks import ARGUMENTS
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright
from processes import served

HERE = Path(__file__).parent
PATIENT_MS = 120_000


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


class _Chromium:
    """One headless Chromium for tests that follow one another here."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._started: Browser | None = None

    def at_hand(self) -> Browser:
        """The browser, started where none runs."""
        if self._started is None:
            path = needs.browser()
            if path is None or "libatomic1" in needs.missing():
                pytest.fail(needs.sentence(needs.missing()), pytrace=False)
            playwright = self._stack.enter_context(sync_playwright())
            self._started = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
            self._stack.callback(self._started.close)
            open_context = self._started.new_context

            def patient_context(**options: Any) -> BrowserContext:
                """A context that waits for what it looks for however busy the machine is; one whose matter is not
                what is kept for the server's absence does without a service worker."""
                context = open_context(**{"service_workers": "block"} | options)
                context.set_default_timeout(PATIENT_MS)
                return context

            self._started.new_context = patient_context  # type: ignore[method-assign]
            expect.set_options(timeout=PATIENT_MS)
        return self._started

    def end(self) -> None:
        """Ends it; the next test that asks gets a new one."""
        self._started = None
        self._stack.close()


_CHROMIUM = _Chromium()


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(nextitem: pytest.Item | None) -> None:
    """Ends the browser after the last test here: its event loop keeps that of other tests from running."""
    if nextitem is None or not nextitem.path.is_relative_to(HERE):
        _CHROMIUM.end()


@pytest.fixture(scope="module")
def browser() -> Browser:
    """Headless Chromium; each test opens contexts of its own."""
    return _CHROMIUM.at_hand()


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
