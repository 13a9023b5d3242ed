"""A simulated meter is named, asked and read into a step and a case, on desktop and phone, and axe finds nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from looks import Held, follow, is_right, press
from playwright.sync_api import APIResponse, Browser, Page, expect
from processes import served

BENCH = Path(__file__).parents[1] / "instruments" / "bench.yaml"
METER = "TCPIP0::192.168.7.40::5025::SOCKET"
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A demo server whose instruments are simulated."""
    folder = tmp_path_factory.mktemp("instruments")
    with served(folder / "untouched", "--demo", KB_VISA_LIBRARY=f"{BENCH}@sim") as (address, _):
        yield address


@pytest.fixture(
    params=[
        pytest.param(("light", WIDE, "bench meter"), marks=pytest.mark.long),
        ("dark", PHONE, "quay meter"),
    ],
    ids=["desktop", "phone"],
)
def place(browser: Browser, url: str, request: pytest.FixtureRequest) -> Iterator[tuple[Page, str]]:
    scheme, size, name = request.param
    context = browser.new_context(base_url=url, color_scheme=scheme, viewport=size)
    yield context.new_page(), name
    context.close()


def name_it(page: Page, name: str) -> None:
    page.goto("/instruments")
    is_right(page)
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("Address").fill("http://192.168.7.40/")
    follow(page.get_by_role("button", name="Keep it"))
    expect(page.get_by_role("link", name="This is no address of an instrument.")).to_be_visible()
    is_right(page)
    page.get_by_label("Address").fill(METER if name == "bench meter" else "ASRL3::INSTR")
    follow(page.get_by_role("button", name="Keep it"))
    follow(page.get_by_role("listitem").filter(has_text=name).get_by_role("button", name="Ask it now"))
    expect(page.get_by_text("QUAYSIDE BM-5 0042")).to_be_visible()
    is_right(page)


def test_a_meter_is_named_and_fills_the_field_of_a_step_and_of_a_case(place: tuple[Page, str]) -> None:
    page, name = place
    name_it(page, name)
    page.goto("/bench/new?family=HX-210")
    follow(page.get_by_role("button", name="Begin the test"))
    follow(page.locator("main form button[type=submit]").first)
    page.get_by_label("Instrument", exact=True).select_option(name)
    page.get_by_role("button", name="Take the reading").click()
    said = page.locator("[data-meter-said]").first
    expect(said).to_contain_text(f"From {name}, ")
    value = page.get_by_label("What the meter shows")
    expect(value).to_have_value("5.0312 V")
    expect(value).to_be_focused()
    is_right(page)
    # What is changed by hand is no longer the instrument's.
    value.press("End")
    value.press("Backspace")
    expect(said).to_have_text("")
    value.fill("0.3")
    follow(page.get_by_role("button", name="Enter", exact=True))
    follow(page.get_by_role("link", name="Next:"))

    # The fuse is measured in ohms: an open one is what the meter calls an overload.
    page.get_by_role("button", name="Take the reading").click()
    expect(page.get_by_label("What the meter shows")).to_have_value("OL")

    page.goto("/cases/new?family=HX-210")
    line = page.locator("[name='readings.0.line']")
    line.fill("12V running")
    page.get_by_label("Takes").select_option("hz")
    take = page.locator("[data-take-row]").first
    take.click()
    expect(page.locator(".meter__said--trouble")).to_contain_text(
        "answered “HELLO” where one number was expected"
    )
    expect(line).to_have_value("12V running")
    page.get_by_label("Takes").select_option("dc_v")
    take.click()
    expect(line).to_have_value("12V running 5.0312 V")
    take.click()
    expect(line).to_have_value("12V running 5.0312 V")
    is_right(page)


def recording(step: APIResponse) -> str:
    """The page of a step, with the button that steps with power have beside an instrument."""
    button = '<button type="button" data-record-now aria-pressed="false">Record lowest and highest</button>'
    return step.text().replace('<p class="meter__said', f'<p>{button}</p><p class="meter__said', 1)


@pytest.fixture
def step(browser: Browser, url: str) -> Iterator[Page]:
    """The first step of a test, beside an instrument; it can record, as steps with power can."""
    context = browser.new_context(base_url=url, viewport=PHONE)
    page = context.new_page()
    page.goto("/instruments")
    if not page.get_by_role("button", name="Ask it now").count():
        page.get_by_label("Name", exact=True).fill("slow meter")
        page.get_by_label("Address").fill(METER)
        follow(page.get_by_role("button", name="Keep it"))
    page.route(
        "**/steps/1", lambda route: route.fulfill(response=(step := route.fetch()), body=recording(step))
    )
    page.goto("/bench/new?family=HX-210")
    follow(page.get_by_role("button", name="Begin the test"))
    follow(page.locator("main form button[type=submit]").first)
    yield page
    context.close()


def test_a_reading_that_comes_late_leaves_what_was_typed_meanwhile(step: Page) -> None:
    taking = Held(step, "**/api/instruments/**")
    press(step, "Take the reading")
    taking.wait()
    value = step.get_by_label("What the meter shows")
    value.fill("0.4 V")
    taking.let_go()
    expect(step.locator("[data-meter-said]").first).to_contain_text("5.0312 V from ")
    expect(value).to_have_value("0.4 V")
    assert step.locator("[name=taken]").input_value() == ""


def test_a_recording_that_is_stopped_before_it_began_does_not_go_on(step: Page) -> None:
    recording = Held(step, "**/api/instruments/**")
    record = step.locator("[data-record-now]")
    record.dispatch_event("click")
    recording.wait()
    record.dispatch_event("click")
    expect(record).to_have_text("Record lowest and highest")
    assert recording.routes[0].request.post_data_json["action"] == "begin"
    with step.expect_request(lambda one: one.url.endswith("/record")) as asked:
        recording.let_go()
    assert asked.value.post_data_json["action"] == "stop"
    expect(record).to_have_attribute("aria-pressed", "false")
