"""A part from the shelf, a quote, its answer and the report, clicked as a person does, on a desktop and a phone."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from looks import follow, is_right
from playwright.sync_api import Browser, Page, expect

WIDE, PHONE = {"width": 1200, "height": 900}, {"width": 390, "height": 844}


@pytest.fixture(params=["phone", pytest.param("desktop", marks=pytest.mark.long)])
def place(browser: Browser, demo_url: str, request: pytest.FixtureRequest) -> Iterator[Page]:
    scheme, size = {"desktop": ("light", WIDE), "phone": ("dark", PHONE)}[request.param]
    context = browser.new_context(base_url=demo_url, color_scheme=scheme, viewport=size)
    yield context.new_page()
    context.close()


def press(page: Page, name: str | re.Pattern[str]) -> None:
    follow(page.get_by_role("button", name=name).first)


def new_case(page: Page) -> str:
    """An open case of the timetable display's supply, whose C9 the shelf has."""
    page.goto("/cases/new?family=HX-210")
    page.get_by_label("Complaint").fill("stays dark, relay ticks")
    press(page, "Save the case")
    is_right(page)
    return page.url.partition("?")[0]


def count_of(page: Page, name: str) -> int:
    page.goto("/shelf?q=" + name.replace(" ", "+"))
    row = page.get_by_role("row").filter(has_text=name).first
    return int(re.search(r"\d+", row.get_by_role("cell").first.inner_text())[0])  # type: ignore[index]


def test_a_part_is_taken_a_quote_accepted_and_a_report_issued(place: Page) -> None:
    name = "470 µF 25 V low ESR"
    before = count_of(place, name)
    is_right(place)
    case = new_case(place)
    follow(place.get_by_role("button", name="Take one from the shelf").first)
    expect(place.get_by_text("Taken from the shelf and counted off.")).to_be_visible()
    expect(place.get_by_role("link", name=name)).to_be_visible()
    is_right(place)
    assert count_of(place, name) == before - 1

    place.goto(f"{case}/quote?replacement=180")
    expect(place.get_by_text("Covers nine in ten", exact=True)).to_be_visible()
    is_right(place)
    place.get_by_label("or at most").fill("")
    place.get_by_label("Fixed price").fill("75,00")
    press(place, "Keep the quote")
    expect(place.get_by_role("heading", name="Quote for the repair of your board")).to_be_visible()
    expect(place.get_by_text("75.00").first).to_be_visible()
    is_right(place)
    press(place, "Accepted")
    expect(place.get_by_text("Noted: the customer accepted.")).to_be_visible()

    place.goto(f"{case}/report")
    expect(place.get_by_label("Price")).to_have_value(re.compile(r"75\.00 €, as quoted on "))
    is_right(place)
    press(place, re.compile("Issue"))
    expect(place.get_by_role("heading", name="Report on your board")).to_be_visible()

    place.goto(case)
    press(place, "Put it back")
    assert count_of(place, name) == before


@pytest.mark.parametrize(
    "path",
    [
        "/shelf/part?name=470+µF+25+V+low+ESR",
        "/order-list",
        "/families/HX-210/notes",
        "/figures",
        # The first is looked at in the story above, the others are a form and a table like those.
        *(
            pytest.param(path, marks=pytest.mark.long)
            for path in ("/shelf", "/shelf/new", "/families/HX-210/good-boards")
        ),
    ],
)
def test_each_page_of_the_shelf_and_the_notes_holds_what_every_page_must(place: Page, path: str) -> None:
    place.goto(path)
    for fold in place.locator("details.fold").all():
        fold.evaluate("fold => fold.open = true")
    is_right(place)


def test_a_tip_is_written_once_and_shown_at_its_rail(place: Page) -> None:
    place.goto("/families/QK-340/notes?place=rail&name=5VS")
    text = f"Needs a load, said on {place.viewport_size['width']} px."  # type: ignore[index]
    place.get_by_label(re.compile("^Tip")).fill(text)
    press(place, "Add the tip")
    is_right(place)
    place.goto("/families/QK-340")
    expect(place.get_by_text(text)).to_be_visible()
