"""Whole bench tests in a real browser on a phone's width, and the bench's pages under axe."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import pytest
from looks import follow, is_right, prints_as_one_a4_page
from playwright.sync_api import Browser, Page, expect

PAGES = (
    "/bench",
    "/bench/new?family=HX-210",
    "/loads/plan?family=QK-340&share=50",
    "/helpers/log",
    # Of the same making as those.
    *(
        pytest.param(path, marks=pytest.mark.long)
        for path in (
            "/bench/sheet?family=HX-210",
            "/bench/new?family=LBD-52",
            "/loads",
            "/loads?name=lamp+21+W+filament",
            "/helpers/discharge?family=HX-210",
            "/helpers/capacitor?rated_f=1000uF&rated_v=16V&measured_f=870uF&measured_esr_ohm=0.4",
            "/helpers/divider?what=choose&in_v=24&out_v=2.5&amps=1mA",
        )
    ),
)
# What a good HX-210 shows, by how the step's title begins or ends.
GOOD = (
    (r"^Bulk", "0.3"),
    (r"^Fuse", "0.2"),
    (r"rectifier, forward|switch, forward", "0.5"),
    (r"to ground$", "1k2"),
    (r"^5VSB ripple", "20 mV"),
    (r"ripple", "60 mV"),
    (r"^5VSB", "5.02"),
    (r"^12V", "11.9"),
    (r"^24V|cold starts|^Soak", "24.2"),
)

# In every run test_whole_story.py takes a board from the counter to the printed report, and web/test_bench_pages.py
# these without a browser.
WHOLE = pytest.mark.long


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 800})
    yield context.new_page()
    context.close()


def begin(page: Page, url: str, label: str) -> None:
    page.goto(f"{url}/bench/new?family=HX-210")
    page.get_by_label("What tells it from others").fill(label)
    page.get_by_role("button", name="Begin the test").click()
    expect(page.get_by_text("a variable autotransformer alone does not isolate").first).to_be_visible()
    page.get_by_role("button", name="I have read them").click()


def walk(page: Page, odd: Mapping[str, Mapping[str, str]], until: str = "") -> None:
    """Enters what a good board shows, and `odd` by title where it differs, until no step is left."""
    for _ in range(60):
        title = page.locator("h1").inner_text()
        if title == until:
            return
        enter(page, title, odd.get(title, {}))
        wide = page.locator("html").evaluate("(page) => page.scrollWidth > innerWidth")
        assert not wide, f"{title} is wider than the phone"
        if page.get_by_role("link", name="See where the board stands").count():
            page.get_by_role("link", name="See where the board stands").click()
            return
        following = page.locator("a.button--big")
        if following.count():
            following.click()
    raise AssertionError("the test has no end")


def enter(page: Page, title: str, odd: Mapping[str, str]) -> None:
    if title.startswith("Enable"):
        page.get_by_role("button", name="It came on").click()
    elif title.startswith("First energising"):
        page.get_by_role("button", name="It flashed and went dark").click()
    elif title.endswith("reverse"):
        page.get_by_role("button", name="OL, no reading").click()
    else:
        value = odd.get("value") or next(shown for pattern, shown in GOOD if re.search(pattern, title))
        page.get_by_label("What the meter shows").fill(value)
        if title.startswith("Soak"):
            page.get_by_label("How long it ran").fill("30 min")
        if "highest" in odd:
            page.get_by_label("Highest, if recorded").fill(odd["highest"])
        page.get_by_role("button", name="Enter", exact=True).click()
    expect(page.locator(".judged")).to_be_visible()


@WHOLE
def test_a_board_that_cycles_unloaded_and_passes_under_load_leaves_with_a_report(
    phone: Page, demo_url: str
) -> None:
    begin(phone, demo_url, "cycling one")
    walk(phone, {"12V unloaded": {"value": "0", "highest": "11.48"}})
    expect(phone.locator(".titleblock")).to_contain_text("passed")
    expect(phone.get_by_text("12V cycled only for want of a load")).to_be_visible()
    phone.get_by_role("button", name="No fault found").click()
    expect(phone.get_by_label("What it means for your set")).to_have_value(
        re.compile("The fault is then most likely elsewhere in the set")
    )
    phone.get_by_label("What you asked").fill("You asked whether this supply is the fault.")
    phone.get_by_role("button", name="Issue the report").click()
    expect(phone.get_by_text("You asked whether this supply is the fault.")).to_be_visible()
    expect(phone.locator(".gauge")).to_have_count(3)
    phone.get_by_role("link", name="The case", exact=True).click()
    expect(phone.locator(".titleblock")).to_contain_text("no fault found")


@WHOLE
def test_a_low_standby_rail_ends_in_suggestions_and_a_repaired_case(phone: Page, demo_url: str) -> None:
    begin(phone, demo_url, "low one")
    walk(phone, {}, until="5VSB in standby")
    enter(phone, "5VSB in standby", {"value": "4.2"})
    expect(phone.locator(".judged")).to_contain_text("wrong")
    expect(phone.get_by_role("heading", name="Likely causes with all readings so far")).to_be_visible()
    phone.get_by_role("link", name="All steps, stop here").click()
    expect(phone.get_by_label("Kind of part")).to_have_value("electrolytic capacitor")
    phone.get_by_role("button", name="Note it and test again").click()
    phone.get_by_role("link", name=re.compile("^Go on: Bulk")).click()
    walk(phone, {})
    phone.get_by_role("button", name="Repaired").click()
    phone.get_by_role("link", name=re.compile("^Case")).click()
    expect(phone.locator(".titleblock")).to_contain_text("repaired")
    expect(phone.get_by_text("after the repair").first).to_be_visible()


def test_a_test_is_stopped_and_taken_up_again_while_another_board_is_under_test(
    phone: Page, demo_url: str
) -> None:
    begin(phone, demo_url, "stopped one")
    enter(phone, "Bulk capacitor discharged", {})
    begin(phone, demo_url, "other one")
    expect(phone.get_by_role("link", name="HX-210, stopped one")).to_be_visible()
    phone.goto(f"{demo_url}/bench")
    phone.locator("li", has_text="stopped one").get_by_role("link", name="Go on").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Fuse T3.15A")


@pytest.mark.parametrize("where", PAGES)
def test_the_benchs_pages_have_no_finding_of_axe_and_fit_a_phone(
    phone: Page, demo_url: str, where: str
) -> None:
    phone.goto(demo_url + where)
    is_right(phone)


def test_a_step_of_a_test_has_no_finding_of_axe(phone: Page, demo_url: str) -> None:
    begin(phone, demo_url, "axe")
    for title in ("Bulk capacitor discharged", "Fuse T3.15A"):
        is_right(phone)
        enter(phone, title, {})
        follow(phone.locator("a.button--big"))
    follow(phone.get_by_role("link", name="All steps, stop here"))
    is_right(phone)


@WHOLE
def test_the_report_prints_as_one_a4_page_with_its_gauges(phone: Page, demo_url: str) -> None:
    phone.goto(f"{demo_url}/bench")
    case = phone.locator("li", has_text="HX-210").locator("a[href^='/bench/new?case=']").first
    phone.goto(demo_url + str(case.get_attribute("href")))
    phone.get_by_role("button", name="Begin the test").click()
    phone.get_by_role("button", name="I have read them").click()
    walk(phone, {})
    phone.get_by_role("button", name="No fault found").click()
    phone.get_by_role("button", name="Issue the report").click()
    expect(phone.get_by_role("button", name="Print or save as PDF")).to_be_visible()
    prints_as_one_a4_page(phone)
