"""What every page must hold: no finding of axe, and nothing wider than the window."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page

# Axe leaves this one of WCAG 2.2, level AA, out unless it is asked for.
# What passed is not worked out in detail.
ALL_RULES = {"resultTypes": ["violations"], "rules": {"target-size": {"enabled": True}}}

# The narrowest and the darkest in every run, where most goes wrong; the other pairs in the long tier.
WIDTHS_AND_SCHEMES = [
    (390, "dark"),
    pytest.param(1280, "light", marks=pytest.mark.long),
    pytest.param(390, "light", marks=pytest.mark.long),
    pytest.param(1280, "dark", marks=pytest.mark.long),
]


def faults(page: Page) -> list[str]:
    """What is wrong with the page as it stands, one line each. Where a click led to it, `follow` first."""
    found = Axe().run(page, options=ALL_RULES).response["violations"]
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

    A click alone does not wait: what looks at the page next may see the old one, or none.
    """
    with link.page.expect_navigation():
        link.click()
