"""Two people at two browsers change the same case; both changes are there in the end."""

from __future__ import annotations

import pytest
from looks import is_right
from playwright.sync_api import Browser, Page, expect


def a_new_case(page: Page, url: str) -> str:
    page.goto(f"{url}/cases/new?family=HX-210")
    page.get_by_label("Complaint").fill("goes dark when the ferry horn sounds")
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_text("The case is saved")).to_be_visible()
    return page.url.partition("?")[0]


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.long)])
def test_the_second_of_two_sees_both_changes_joins_them_and_both_are_kept(
    browser: Browser, demo_url: str, scheme: str
) -> None:
    contexts = [browser.new_context(color_scheme=scheme) for _ in range(2)]  # type: ignore[arg-type]
    one, two = (context.new_page() for context in contexts)
    case = a_new_case(one, demo_url)
    one.goto(f"{case}/edit")
    two.goto(f"{case}/edit")
    one.get_by_label("Revision").fill("B")
    one.get_by_label("Notes").fill("first words")
    one.get_by_role("button", name="Save the case").click()
    expect(one.get_by_text("earlier version is kept")).to_be_visible()
    two.get_by_label("Customer").fill("the pier office")
    two.get_by_label("Notes").fill("second words")
    two.get_by_role("button", name="Save the case").click()
    expect(two.get_by_role("heading", name="Two changes at once")).to_be_visible()
    is_right(two)
    two.get_by_role("button", name="Save both together").click()
    expect(two.get_by_role("link", name="it is not chosen which stays")).to_be_visible()
    is_right(two)
    two.get_by_label("Yours: second words").check()
    two.get_by_role("button", name="Save both together").click()
    expect(two.get_by_text("earlier version is kept")).to_be_visible()
    for words in ("revision B", "the pier office", "second words"):
        expect(two.locator("main")).to_contain_text(words)
    two.get_by_role("link", name="History of this case").click()
    expect(two.locator("main")).to_contain_text("Notes:")
    is_right(two)
    for context in contexts:
        context.close()


@pytest.mark.parametrize("width", [390, pytest.param(1280, marks=pytest.mark.long)])
def test_the_pages_of_what_changed_can_be_used_by_everybody(page: Page, demo_url: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    case = a_new_case(page, demo_url)
    page.get_by_role("button", name="Put it in the bin").click()
    name = case.rpartition("/")[2]
    for path in (
        "/data/changes",
        f"/cases/{name}/history",
        "/families/HX-210/history",
        "/data/bin",
        f"/data/bin/delete?entity=case&name={name}",
        "/data/merge",
        "/data/merge?entity=family&away=HX-210&into=QK-340",
    ):
        page.goto(demo_url + path)
        is_right(page)
        assert page.evaluate(
            "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        ), path
