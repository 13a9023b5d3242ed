"""What hangs or breaks in a browser, for test_one_failure_is_one.py. pytest does not collect it by itself."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page


@pytest.fixture(scope="module")
def device(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context()
    yield context
    context.close()


@pytest.fixture
def phone(device: BrowserContext) -> Iterator[Page]:
    page = device.new_page()
    yield page
    page.close()


@pytest.mark.timeout(5)
@pytest.mark.parametrize(
    "wait", ["", "await new Promise((done) => setTimeout(done, 20))"], ids=["busy", "waiting"]
)
def test_hangs(phone: Page, wait: str) -> None:
    phone.evaluate(f"async () => {{ for (;;) {{ {wait} }} }}")


@pytest.mark.parametrize("number", [1, 2])
def test_is_well(phone: Page, number: int) -> None:
    assert phone.evaluate("1") == 1


@pytest.fixture
def broken(browser: Browser) -> Iterator[Page]:
    context = browser.new_context()
    yield context.new_page()
    context.close()
    raise RuntimeError("broken")


def test_breaks_when_it_is_over(broken: Page) -> None:
    assert broken.evaluate("1") == 1
