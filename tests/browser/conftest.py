"""A demo server of its own and Debian's Chromium, for tests that click as a person does."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import needs
import psutil
import pytest
from commands import STUCK_S
from looks import ARGUMENTS, PATIENT_MS
from playwright.sync_api import Browser, BrowserContext, Error, Locator, Page, expect, sync_playwright
from processes import served

HERE = Path(__file__).parent
_FAILED, _HUNG = pytest.StashKey[bool](), pytest.StashKey[bool]()


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
        self._driver: list[psutil.Process] = []

    def at_hand(self) -> Browser:
        """The browser, started where none runs."""
        if self._started is None:
            path = needs.browser()
            if path is None or "libatomic1" in needs.missing():
                pytest.fail(needs.sentence(needs.missing()), pytrace=False)
            before = psutil.Process().children()
            playwright = self._stack.enter_context(sync_playwright())
            self._driver = [one for one in psutil.Process().children() if one not in before]
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

    def kill(self) -> None:
        """Ends its processes at once: what hangs in it would keep whoever asks it to close waiting."""
        for driver in self._driver:
            with suppress(psutil.NoSuchProcess):
                for process in [*driver.children(recursive=True), driver]:
                    with suppress(psutil.NoSuchProcess):
                        process.kill()

    def end(self) -> None:
        """Ends it; the next test that asks gets a new one."""
        stack, self._stack = self._stack, ExitStack()
        self._started, self._driver = None, []
        try:
            with suppress(Error):  # it may have ended already
                stack.close()
        finally:
            asyncio._set_running_loop(None)  # whatever befell it, other tests run loops of their own


_CHROMIUM = _Chromium()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What hangs here fails sooner than elsewhere, but for what takes minutes by nature."""
    for item in items:
        if item.path.is_relative_to(HERE) and not item.get_closest_marker("long"):
            item.add_marker(pytest.mark.timeout(STUCK_S))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Notes what befell a test here: a hang is what pytest-timeout ended."""
    report = yield
    if report.failed and call.excinfo is not None:
        item.stash[_FAILED] = True
        if "from pytest-timeout" in str(call.excinfo.value):
            item.stash[_HUNG] = True
            _CHROMIUM.kill()
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> Generator[None]:
    """Ends the browser after the last test here, however that ended: its event loop keeps those of other tests from
    running. After a failure all starts anew, servers too, so that one failure is no other's cause."""
    failed = item.stash.get(_FAILED, False)
    try:
        if failed:
            # What a browser that was killed cannot close says nothing new.
            with suppress(*[Exception] if item.stash.get(_HUNG, False) else []):
                item.session._setupstate.teardown_exact(None)
        yield
    finally:
        if failed or nextitem is None or not nextitem.path.is_relative_to(HERE):
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
