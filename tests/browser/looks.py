"""What every page must hold: no finding of axe, and nothing wider than the window."""

from __future__ import annotations

import re
import time
import zlib
from typing import Any

import pytest
import tiers
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, Route, expect

# How long a test waits for one thing, however busy the machine is.
PATIENT_MS = 120_000

# How Chromium is started.
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

# Axe leaves this one of WCAG 2.2, level AA, out unless it is asked for.
# What passed is not worked out in detail.
ALL_RULES = {"resultTypes": ["violations"], "rules": {"target-size": {"enabled": True}}}
# Contrast takes as long as all other rules together. In the quick tier it is looked at where a test goes through the
# pages one after the other; everywhere, and in both schemes, in the long one. No other rule asks for colours.
BUT_CONTRAST = {**ALL_RULES, "rules": {**ALL_RULES["rules"], "color-contrast": {"enabled": False}}}
SCHEMES = ("light", "dark") if tiers.IS_LONG else ("dark",)

# The narrowest and the darkest in every run, where most goes wrong; the other pairs in the long tier.
WIDTHS_AND_SCHEMES = [
    (390, "dark"),
    pytest.param(1280, "light", marks=pytest.mark.long),
    pytest.param(390, "light", marks=pytest.mark.long),
    pytest.param(1280, "dark", marks=pytest.mark.long),
]


def faults(page: Page, *, contrast: bool = tiers.IS_LONG) -> list[str]:
    """What is wrong with the page as it stands, one line each. Where a click led to it, `follow` first."""
    found = Axe().run(page, options=ALL_RULES if contrast else BUT_CONTRAST).response["violations"]
    lines = [f"{one['id']}: {[node['html'][:120] for node in one['nodes'][:3]]}" for one in found]
    if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
        lines.append("wider than the window")
    return lines


def is_right(page: Page) -> None:
    """Fails with what is wrong with the page."""
    found = faults(page)
    assert not found, "\n".join(found)


def follow(link: Locator) -> None:
    """Clicks what opens another page and waits for that page.

    A click alone does not wait: what looks at the page next may see the old one, or none. Neither does a change of
    the address alone, which the ranking makes for itself and which counts as a navigation.
    """
    with link.page.expect_event("load"):
        link.click()


def told(page: Page, script: str, argument: object = None) -> Any:
    """What a function of the page answers; fails where its promise is never kept, which `evaluate` would wait for."""
    late = f"new Promise((_, failed) => setTimeout(failed, {PATIENT_MS}, new Error('it never answered')))"
    return page.evaluate(f"(argument) => Promise.race([({script})(argument), {late}])", argument)


def comes(page: Page, what: str, script: str, argument: object = None) -> Any:
    """Waits until a function of the page answers something that counts as true; returns that, or fails with what
    never came."""
    end = time.monotonic() + PATIENT_MS / 1000
    while not (found := told(page, script, argument)):
        assert time.monotonic() < end, f"{what} never came"
        page.wait_for_timeout(20)
    return found


class Held:
    """Requests of a page that match a pattern, held until they are let go."""

    def __init__(self, page: Page, pattern: str, method: str = "") -> None:
        self.page = page
        self.routes: list[Route] = []
        self._method = method
        self._is_open = False
        self.is_cut = False  # what comes meanwhile is lost at once
        page.context.route(pattern, self._hold)

    def _hold(self, route: Route) -> None:
        if self._is_open or (self._method and route.request.method != self._method):
            route.fallback()
        elif self.is_cut:
            route.abort("connectionreset")
        else:
            self.routes.append(route)

    def wait(self, number: int = 1) -> Route:
        """The request of that number, once it was made."""
        end = time.monotonic() + PATIENT_MS / 1000
        while len(self.routes) < number:
            assert time.monotonic() < end, f"request {number} was never made"
            self.page.wait_for_timeout(20)
        return self.routes[number - 1]

    def let_go(self, first: int = 1) -> None:
        """Lets through what is held, from a number on, and all that comes; what the page gave up is gone."""
        self._is_open = True
        for route in self.routes[first - 1 :]:
            route.continue_()


def press(page: Page, name: str) -> None:
    """Presses a button and waits for nothing."""
    page.get_by_role("button", name=name).first.dispatch_event("click")


def is_drawn(image: Locator) -> None:
    """Waits for a picture, which comes after its page, and fails where what came is none."""
    expect(image).to_be_visible()
    expect(image).to_have_js_property("complete", True)
    assert int(image.evaluate("image => image.naturalWidth")) > 100, "no picture came"


def is_kept_here(page: Page) -> None:
    """Waits until what was typed is written on the device: a page that is left at once may take it along."""
    expect(page.locator("form[data-keeping]")).to_have_count(0)


def prints_as_one_a4_page(page: Page) -> None:
    """Fails where the report of a bench test, with three gauges, does not print as one page with their drawings."""
    page.emulate_media(media="print")
    gauges = page.locator(".gauge__drawing")
    expect(gauges).to_have_count(3)
    for number in range(3):
        box = gauges.nth(number).bounding_box()
        assert box is not None
        assert box["width"] > 100
        assert box["height"] > 15
    expect(page.get_by_text("Demo store")).to_be_hidden()
    band = gauges.first.locator(".g-band").evaluate("(one) => getComputedStyle(one).fill")
    pdf = page.pdf(format="A4")
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1
    assert re.search(rb"/MediaBox\s*\[0 0 59[45][.\d]* 84[12]", pdf)
    assert fills(pdf, band) >= 3, f"the bands of the gauges, {band}, are not in the PDF"


def fills(pdf: bytes, colour: str) -> int:
    """How often a PDF sets a fill colour, given as `rgb(…)`, in its drawing."""
    wanted = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    found = 0
    for packed in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.S):
        try:
            drawing = zlib.decompress(packed)
        except zlib.error:
            continue
        for set_to in re.findall(rb"([.\d]+) ([.\d]+) ([.\d]+) rg\b", drawing):
            found += all(abs(float(one) - other) < 0.003 for one, other in zip(set_to, wanted, strict=True))
    return found
