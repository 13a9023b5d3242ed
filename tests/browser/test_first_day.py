"""What a technician does on the first day, in a real browser."""

from __future__ import annotations

import re

import pytest
import tiers
from looks import WIDTHS_AND_SCHEMES, faults, told
from playwright.sync_api import Browser, Page, expect

FIX = ("standby output", "electrolytic capacitor")
PAGES = (
    "/",
    "/search?q=relay+ticks+no+picture",
    "/search?q=zzzzqqq",
    "/diagnose",
    "/diagnose?family=HX-210&text=relay+ticks+no+picture&reading=5VSB+4.3+standby&reading=nonsense",
    "/cases",
    "/cases?show=binned",
    "/cases/new?family=HX-210",
    "/families",
    "/families/HX-210",
    "/families/HX-210/edit",
    "/data",
    "/data/symptoms?name=dead",
    "/data/part-classes",
    "/help",
    "/connect",
    "/api/docs",
    "/no-such-page",
)
# Of the same making as others: axe looks at them in the long tier.
LONG_ONLY = {
    "/search?q=zzzzqqq",
    "/diagnose",
    "/cases",
    "/families",
    "/help",
    "/api/docs",
    "/cases?show=binned",
    "/data/symptoms?name=dead",
    "/data/part-classes",
    "/no-such-page",
}


def cured_of_tried(page: Page, url: str) -> tuple[int, int]:
    """How often the fix is said to have cured, on the family's page."""
    page.goto(f"{url}/families/HX-210")
    row = page.locator("tr", has_text=FIX[0]).filter(has_text=FIX[1]).first
    found = re.search(r"(\d+) of (\d+) cured", row.inner_text())
    assert found, row.inner_text()
    return int(found[1]), int(found[2])


def find_a_similar_case(page: Page, url: str) -> None:
    page.goto(url)
    page.get_by_label("Symptom, part or board").fill("relay ticks no picture")
    page.keyboard.press("Enter")
    expect(page.locator("mark").first).to_be_visible()
    page.locator("a.case-line__name").first.click()
    expect(page.get_by_role("heading", name="What was tried")).to_be_visible()


def give_evidence(page: Page, url: str) -> None:
    page.goto(f"{url}/diagnose")
    page.get_by_label("Board family").fill("hx210")
    page.get_by_label("Symptom 1").fill("relay clicks repeatedly")
    if page.get_by_label("Symptom 2").count() == 0:
        page.get_by_role("button", name="Update the ranking").click()
    page.get_by_label("Symptom 2").fill("no picture")
    page.get_by_label("Reading 1", exact=True).fill("5VSB 4.3 standby")
    if page.get_by_label("Reading 2", exact=True).count() == 0:
        page.get_by_role("button", name="Update the ranking").click()
    page.get_by_label("Reading 2", exact=True).fill("12V 0 running")


def keep_the_repair(page: Page) -> None:
    expect(page.get_by_label("Verdict")).to_have_value("repaired")
    page.get_by_label("Complaint").fill("stays dark, relay ticks twice")
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_text("The case is saved.")).to_be_visible()


def test_a_found_case_a_diagnosis_and_a_repair_raise_the_fixs_count_by_one(page: Page, demo_url: str) -> None:
    cured, tried = cured_of_tried(page, demo_url)
    find_a_similar_case(page, demo_url)
    give_evidence(page, demo_url)
    leading = page.locator("#ranking .cause").first
    expect(leading).to_contain_text("electrolytic capacitor")
    expect(leading).to_contain_text("standby output")
    leading.get_by_role("link", name="This cured it").click()
    keep_the_repair(page)
    assert cured_of_tried(page, demo_url) == (cured + 1, tried + 1)


def test_the_same_way_works_without_javascript(browser: Browser, demo_url: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    cured, tried = cured_of_tried(page, demo_url)
    find_a_similar_case(page, demo_url)
    give_evidence(page, demo_url)
    page.get_by_role("button", name="Update the ranking").click()
    leading = page.locator("#ranking .cause").first
    expect(leading).to_contain_text("standby output")
    leading.get_by_role("link", name="This cured it").click()
    keep_the_repair(page)
    assert cured_of_tried(page, demo_url) == (cured + 1, tried + 1)
    context.close()


def test_a_click_that_is_faster_than_the_ranking_takes_along_what_was_typed(
    page: Page, demo_url: str
) -> None:
    page.goto(f"{demo_url}/diagnose")
    page.get_by_label("Complaint").fill("stays dark")
    page.get_by_label("Board family").fill("HX-210")
    # One task of the page: typing and clicking, with no time for the ranking in between.
    page.evaluate(
        """() => {
            const family = document.querySelector("[name=family]");
            family.value = "hx210";
            family.dispatchEvent(new Event("input", { bubbles: true }));
            document.querySelector("#ranking a[href^='/cases/new']").click();
        }"""
    )
    page.wait_for_url("**/cases/new?*")
    expect(page.get_by_label("Board family")).to_have_value("HX-210")
    expect(page.get_by_label("Complaint")).to_have_value("stays dark")


def test_the_ranking_follows_the_evidence_as_it_is_typed(page: Page, demo_url: str) -> None:
    page.goto(f"{demo_url}/diagnose?family=HX-210")
    before = page.locator("#ranking").inner_text()
    page.get_by_label("Symptom 1").fill("fuse blown")
    expect(page.locator("#ranking")).not_to_have_text(before)
    expect(page.locator("#ranking .cause").first).to_contain_text("MOSFET")
    expect(page).to_have_url(re.compile(re.escape("symptom=fuse+blown")))


def test_a_new_case_can_be_kept_by_keyboard_alone(page: Page, demo_url: str) -> None:
    page.goto(f"{demo_url}/cases/new")
    expect(page.get_by_label("Board family")).to_be_focused()
    page.keyboard.type("HX-210")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("dark again")
    page.keyboard.press("Tab")
    page.keyboard.type("no picture")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The case is saved.")).to_be_visible()
    expect(page.get_by_text("on the bench").first).to_be_visible()


def test_a_mistake_keeps_everything_that_was_typed(page: Page, demo_url: str) -> None:
    page.goto(f"{demo_url}/cases/new?family=HX-210")
    page.get_by_label("Complaint").fill("a long story\nin two lines")
    page.get_by_label("Reading", exact=True).fill("5VSB 4.7")
    page.get_by_label("Minutes").fill("some")
    page.get_by_label("Part", exact=True).fill("C9")
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_role("alert")).to_contain_text("attention")
    expect(page.get_by_label("Complaint")).to_have_value("a long story\nin two lines")
    expect(page.get_by_label("Reading", exact=True)).to_have_value("5VSB 4.7")
    expect(page.get_by_label("Minutes")).to_have_value("some")


def test_slash_goes_to_the_search_box(page: Page, demo_url: str) -> None:
    page.goto(f"{demo_url}/families/HX-210")
    page.keyboard.press("/")
    expect(page.locator("[data-find]").first).to_be_focused()


@pytest.mark.parametrize(("width", "scheme"), WIDTHS_AND_SCHEMES)
def test_every_page_is_accessible_and_fits(browser: Browser, demo_url: str, width: int, scheme: str) -> None:
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme=scheme,
        bypass_csp=True,  # the checker is a script of its own; the pages' policy is tested elsewhere
    )
    page = context.new_page()
    found: list[str] = []
    page.on("pageerror", lambda error: found.append(str(error)))
    for path in PAGES if tiers.IS_LONG else sorted(set(PAGES) - LONG_ONLY):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(demo_url + path)
        # All of the page at once: a bar that stays at the window's edge covers whatever lies there just now.
        whole = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": width, "height": whole})
        found += [f"{path}: {fault}" for fault in faults(page, contrast=True)]
        # WCAG 2.2, 1.4.10: 320 px, and a window of 1280 px at 200 % (1.4.4).
        for narrow in (320, 640) if scheme == "dark" and width == 390 else ():
            page.set_viewport_size({"width": narrow, "height": 900})
            if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
                found.append(f"{path}: wider than {narrow} px")
    context.close()
    assert not found, "\n".join(found)


def test_no_page_reports_a_broken_policy(page: Page, demo_url: str) -> None:
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    for path in PAGES[:-1]:
        page.goto(demo_url + path)
        # Modules have run when the page is loaded; what they draw in the next frame counts as well.
        told(page, "() => new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
    assert complaints == []
