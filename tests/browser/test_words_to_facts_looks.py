"""The first board of an empty store: from a messy complaint to a case that holds everything, on phone and desk."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from looks import SCHEMES, faults, follow
from playwright.sync_api import Browser, Page, expect
from processes import served

COMPLAINT = "dead!! relay ticks, standby 4,2 V. changed C9 no good, wobbly"
SIZES = {"phone": (390, 844), "desk": (1280, 900)}


@pytest.fixture(scope="module")
def empty_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a server on a store without any record."""
    with served(Path(tmp_path_factory.mktemp("empty"))) as (url, _):
        yield url


@pytest.fixture(params=["desk", pytest.param("phone", marks=pytest.mark.long)])
def device(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A page of a phone's and of a desk's size, with nothing of a script going wrong."""
    width, height = SIZES[request.param]
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    yield page
    context.close()
    assert not wrong


def looks_right(page: Page, what: str) -> None:
    """No finding in any scheme, all of the page at once."""
    size = page.viewport_size
    assert size
    whole = page.evaluate("document.documentElement.scrollHeight")
    page.set_viewport_size({"width": size["width"], "height": whole})
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        found = faults(page)
        assert not found, f"{what}, {scheme}:\n" + "\n".join(found)
    page.set_viewport_size(size)


def the_answer_is_in_sight(page: Page) -> None:
    """On a phone what was read takes a line or two, and the first cause stands above the bar at the lower edge."""
    expect(page.locator("#heard mark").first).not_to_be_visible()
    cause = page.locator("#ranking .cause h3").first
    expect(cause).to_be_in_viewport(ratio=1)
    box, bar = cause.bounding_box(), page.locator(".lead-bar").bounding_box()
    assert box
    assert bar
    assert box["y"] + box["height"] <= bar["y"]
    assert page.evaluate("window.scrollY") == 0


def complain(page: Page, url: str) -> None:
    """Types the complaint; what it says is marked, and the first cause is in sight without scrolling."""
    page.goto(f"{url}/diagnose")
    looks_right(page, "nothing said yet")
    page.get_by_label("Complaint").fill(COMPLAINT)
    expect(page.locator("#understood summary")).to_be_visible()
    phone = (page.viewport_size or {})["width"] < 600
    if phone:
        the_answer_is_in_sight(page)
        page.locator("#understood summary").click()
    expect(page.locator("#heard mark", has_text="relay ticks")).to_be_visible()
    facts = page.locator("#heard .fact")
    expect(facts.filter(has_text="relay clicks repeatedly")).to_be_visible()
    expect(facts.filter(has_text="4.2V standby")).to_be_attached()
    expect(facts.filter(has_text="C9")).to_be_attached()
    expect(page.locator("#heard")).to_contain_text("Not understood: “wobbly”")
    assert page.evaluate("window.scrollY") == 0
    lead = page.locator("[data-lead-shown]" if phone else "#ranking .cause h3").first
    expect(lead).to_be_in_viewport(ratio=1)
    expect(lead).to_contain_text(" in ")
    looks_right(page, "a complaint")


def keep(page: Page, code: str) -> str:
    """Keeps it as an open case; the case's address."""
    page.get_by_label("Board family").fill(code)
    expect(page.locator("#ranking [data-problem=family]")).to_be_attached()
    follow(page.get_by_role("link", name="Keep this as an open case"))
    expect(page.locator("#read .fact", has_text="relay clicks repeatedly")).to_be_visible()
    looks_right(page, "the form")
    follow(page.get_by_role("button", name="Save the case"))
    if page.get_by_label("Add the new words to the lists").count():
        page.get_by_label("Add the new words to the lists").check()
        follow(page.get_by_role("button", name="Save the case"))
    expect(page.get_by_text("The case is saved.")).to_be_visible()
    expect(page.locator("#read .fact", has_text="4.2V standby")).to_be_visible()
    looks_right(page, "the case")
    return page.url.partition("?")[0]


def take_off_and_back(page: Page) -> None:
    """One press takes a fact off the case, another brings it back."""
    follow(page.get_by_role("button", name=re.compile("^Take off ?: dead$")))
    expect(page.locator(".chip", has_text=re.compile(r"^\s*dead\s*$"))).to_have_count(0)
    follow(page.get_by_role("button", name=re.compile("^Note it ?: dead$")))
    expect(page.locator(".chip", has_text=re.compile(r"^\s*dead\s*$"))).to_have_count(1)


def measure(page: Page) -> None:
    """Diagnoses with the case's evidence and adds a reading."""
    follow(page.get_by_role("link", name="Diagnose with this evidence"))
    expect(page.get_by_text("Written into")).to_be_visible()
    before = page.locator("#ranking").inner_text()
    blank = page.locator("[name=reading]").last
    blank.fill("bulk 325 standby")
    expect(page.locator("#ranking")).not_to_have_text(before)
    expect(page.locator("#ranking")).to_contain_text("Ruled out by what was found")


def try_in_vain(page: Page) -> str:
    """Notes that a fix changed nothing, which lowers its cause; its part class."""
    untried = page.locator("#ranking .cause").filter(has=page.get_by_role("button")).first
    name = untried.locator("h3").inner_text().partition(" ")[2]
    before = probability(untried.locator(".likely__value").inner_text())
    expect(page.locator("#ranking .was-tried")).to_have_count(1)  # what the complaint says was changed
    follow(untried.get_by_role("button", name="Tried, no change"))
    expect(page.locator("#ranking")).to_contain_text("Ruled out by what was found")
    again = page.locator("#ranking .cause", has_text=name)
    if again.count():
        assert probability(again.locator(".likely__value").inner_text()) < before
        expect(again.locator(".was-tried")).to_be_visible()
        again.locator("summary").first.click()
        expect(again.locator(".weights")).to_contain_text("already tried, no change")
    else:
        expect(page.locator("#more-causes")).to_contain_text(name)
    looks_right(page, "after a failed fix")
    return name


def probability(said: str) -> float:
    return float(said.replace("<", "").replace(">", "").replace("%", "").strip())


def cure(page: Page) -> None:
    """The cause that leads now cured it."""
    cause = page.locator("#ranking .cause").filter(has=page.get_by_role("button")).first
    follow(cause.get_by_role("link", name="This cured it"))
    expect(page.get_by_label("Verdict")).to_have_value("repaired")
    follow(page.get_by_role("button", name="Save the case"))
    expect(page.get_by_text("The change is saved")).to_be_visible()


def test_everything_that_was_said_and_done_ends_up_in_one_case(device: Page, empty_url: str) -> None:
    size = device.viewport_size
    assert size
    complain(device, empty_url)
    case = keep(device, f"PQ-{size['width']}")
    take_off_and_back(device)
    measure(device)
    failed = try_in_vain(device)
    cure(device)
    device.goto(case)
    page = device.locator("main")
    for said in (
        "relay clicks repeatedly",
        "dead",
        "C9",
        "bulk",
        "325",
        failed.partition(" in ")[0],
        "repaired",
    ):
        expect(page).to_contain_text(said)
    kept = device.request.get(case.replace("/cases/", "/api/cases/")).json()
    assert kept["verdict"] == "repaired"
    assert kept["complaint"] == COMPLAINT
    assert [one["result"] for one in kept["attempts"]].count("cured") == 1
    assert [one["result"] for one in kept["attempts"]].count("no change") >= 2
    assert len({(one.get("rail") or one["point"]) for one in kept["readings"]}) == 2
    listed = device.request.get(f"{empty_url}/api/search?family=PQ-{size['width']}").json()
    assert listed["total"] == 1


def test_what_is_left_out_while_typing_stays_out(page: Page, empty_url: str) -> None:
    page.goto(f"{empty_url}/cases/new")
    page.get_by_label("Complaint").fill("relay ticks, no picture")
    leave = page.get_by_role("button", name="Leave out: no picture")
    expect(leave).to_be_visible()
    leave.click()
    expect(page.get_by_role("button", name=re.compile("^Take in ?: no picture$"))).to_be_visible()
    page.get_by_label("Complaint").fill("relay ticks, no picture, fuse blown")
    expect(page.locator("#read .fact", has_text="fuse blown")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("^Take in ?: no picture$"))).to_be_visible()
