"""Photographs in a real browser: sent from a phone, looked at, marked, and the pages under axe."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pictures_made as made
import pytest
from looks import Held, follow, is_drawn, is_right
from playwright.sync_api import Browser, Locator, Page, Route, expect


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    """A telephone's page; whatever the browser blocks or stumbles over fails the test."""
    context = browser.new_context(viewport={"width": 390, "height": 800}, has_touch=True)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    yield page
    context.close()
    blocked = [text for text in said if "Failed to load resource" not in text]
    assert blocked == []


@pytest.fixture
def pictures(tmp_path: Path) -> dict[str, str]:
    """Files as a phone holds them: two photographs, a document, and a GIF under a false name."""
    given = {
        "board.jpg": made.jpeg(made.marked(900, 600)),
        "upright.jpg": made.jpeg(made.marked(600, 900), orientation=1),
        "sheet.pdf": made.pdf(),
        "false.jpg": made.saved(made.marked(), "GIF"),
    }
    for name, content in given.items():
        (tmp_path / name).write_bytes(content)
    return {name: str(tmp_path / name) for name in given}


def a_case(page: Page, url: str, number: int) -> str:
    """The address of one of the demo's cases; each test has one of its own."""
    page.goto(f"{url}/cases")
    return url + str(page.locator(".case-line__name").nth(number).get_attribute("href"))


def test_two_photographs_are_sent_from_a_phone_and_one_is_marked(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    case = a_case(phone, demo_url, 0)
    phone.goto(case)
    follow(phone.get_by_role("link", name="Photographs", exact=True))
    is_right(phone)
    camera = phone.get_by_label("Take a photograph")
    assert camera.get_attribute("capture") == "environment"
    camera.set_input_files(pictures["board.jpg"])
    phone.get_by_label("Choose pictures or documents").set_input_files(
        [pictures["upright.jpg"], pictures["false.jpg"], pictures["sheet.pdf"]]
    )
    sending = phone.locator(".sending > li")
    expect(sending).to_have_count(4)
    expect(sending.nth(2)).to_contain_text("is a GIF picture inside")
    for number in (0, 1, 3):
        expect(sending.nth(number)).to_contain_text("kept")
    expect(phone.locator(".shot")).to_have_count(3)
    is_right(phone)

    phone.locator(".shot a").first.click()
    stage = phone.locator("[data-stage]")
    phone.get_by_role("button", name="Circle").click()
    is_drawn(stage.locator("img"))
    box = stage.locator("img").bounding_box()
    assert box is not None
    phone.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.5)
    phone.mouse.down()
    phone.mouse.move(box["x"] + box["width"] * 0.7, box["y"] + box["height"] * 0.5, steps=4)
    phone.mouse.up()
    expect(phone.get_by_text("The marks are saved.")).to_be_visible()
    phone.reload()
    circle = stage.locator("circle.drawn__line")
    expect(circle).to_have_count(1)
    assert [round(float(str(circle.get_attribute(name))), -1) for name in ("cx", "r")] == [500, 200]
    expect(phone.get_by_role("img", name="Marks: Circle, 50 % from the left")).to_be_visible()
    is_right(phone)

    phone.get_by_role("link", name="Next").click()
    phone.get_by_label("Caption").fill("C9 bulged")
    phone.get_by_role("button", name="Save the caption").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("C9 bulged")
    phone.goto(case)
    shown = phone.locator("#photos")
    expect(shown.get_by_role("link", name="C9 bulged")).to_be_visible()
    expect(shown.locator("svg.drawn circle")).to_have_count(2)
    is_right(phone)


def test_words_are_placed_and_a_mark_is_set_and_removed_with_the_keyboard(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    case = a_case(phone, demo_url, 1)
    phone.goto(f"{case}/photos")
    phone.get_by_label("Choose pictures or documents").set_input_files(pictures["board.jpg"])
    phone.locator(".shot a").first.click()
    phone.get_by_role("button", name="Words").click()
    phone.locator("[data-stage] img").click(position={"x": 40, "y": 60})
    phone.keyboard.type("dry joint")
    phone.keyboard.press("Enter")
    expect(phone.locator("text.drawn__text")).to_have_text("dry joint")
    phone.get_by_text("Place a mark by numbers").focus()
    phone.keyboard.press("Enter")
    phone.get_by_label("arrow").focus()
    phone.keyboard.press("Space")
    for label, value in (
        ("From the left, %", "10"),
        ("From the top, %", "10"),
        ("Points to, from the left, %", "50"),
        ("Points to, from the top, %", "60"),
    ):
        phone.get_by_label(label, exact=True).fill(value)
    phone.get_by_role("button", name="Draw it").focus()
    phone.keyboard.press("Enter")
    expect(phone.locator("path.drawn__line")).to_have_count(1)
    is_right(phone)
    phone.get_by_role("button", name="Remove “dry joint”").focus()
    expect(phone.locator(".drawn__chosen text")).to_have_text("dry joint")
    phone.keyboard.press("Enter")
    expect(phone.locator("text.drawn__text")).to_have_count(0)
    expect(phone.locator("path.drawn__line")).to_have_count(1)


def drag(page: Page, image: Locator, start: float, end: float) -> None:
    """Drags across a picture in its middle, from one fraction of its width to another."""
    box = image.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * start, box["y"] + box["height"] * 0.5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * end, box["y"] + box["height"] * 0.5, steps=4)
    page.mouse.up()


def test_a_mark_drawn_while_the_last_is_being_saved_is_refused_and_said(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    phone.goto(a_case(phone, demo_url, 5) + "/photos")
    phone.get_by_label("Take a photograph").set_input_files(pictures["board.jpg"])
    phone.locator(".shot a").first.click()
    image = phone.locator("[data-stage] img")
    is_drawn(image)
    phone.get_by_role("button", name="Circle").click()
    saving = Held(phone, "**/marks*", "POST")
    drag(phone, image, 0.3, 0.4)
    saving.wait()
    drag(phone, image, 0.7, 0.8)
    expect(phone.get_by_text("The last mark is still being saved.")).to_be_visible()
    saving.let_go()
    expect(phone.get_by_text("The marks are saved.")).to_be_visible()
    expect(phone.locator("[data-stage] circle.drawn__line")).to_have_count(1)


def test_the_next_file_goes_where_the_device_failed_to_keep_one(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    phone.goto(a_case(phone, demo_url, 6) + "/photos")
    sending = Held(phone, "**/api/cases/*/files")
    camera = phone.get_by_label("Take a photograph")
    camera.set_input_files(pictures["board.jpg"])
    sending.wait()
    # What the device keeps cannot be read or written any more.
    phone.evaluate("() => { IDBDatabase.prototype.transaction = () => { throw new Error('gone'); }; }")
    sending.routes[0].fulfill(status=415, json={"error": {"message": "It is none.", "remedy": ""}})
    expect(phone.locator(".sending > li").first).to_contain_text("not kept")
    sending.let_go(2)
    camera.set_input_files(pictures["upright.jpg"])
    expect(phone.locator(".sending > li").nth(1)).to_contain_text("kept")
    expect(phone.locator(".shot")).to_have_count(1)


def the_first_of_these_breaks(page: Page) -> list[str]:
    """The first file that the page sends is lost on the way; returns the list into which all that it sends come."""
    sent: list[str] = []

    def breaks_once(route: Route) -> None:
        sent.append(route.request.url)
        if len(sent) == 1:
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/api/cases/*/files", breaks_once)
    return sent


def test_a_file_that_was_lost_on_the_way_is_sent_again_by_itself(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    phone.goto(a_case(phone, demo_url, 2) + "/photos")
    sent = the_first_of_these_breaks(phone)
    phone.get_by_label("Take a photograph").set_input_files(pictures["board.jpg"])
    expect(phone.locator(".shot")).to_have_count(1)
    expect(phone.locator(".sending > li")).to_have_text("board.jpgkept")
    assert len(sent) == 2
    is_right(phone)


def test_where_the_device_cannot_keep_it_a_lost_file_can_be_sent_again(
    phone: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    phone.add_init_script("Object.defineProperty(window, 'isSecureContext', { value: false })")
    phone.goto(a_case(phone, demo_url, 4) + "/photos")
    the_first_of_these_breaks(phone)
    phone.get_by_label("Take a photograph").set_input_files(pictures["board.jpg"])
    expect(phone.get_by_text("The connection broke.")).to_be_visible()
    is_right(phone)
    phone.get_by_role("button", name="Send again").click()
    expect(phone.locator(".shot")).to_have_count(1)
    expect(phone.get_by_text("The connection broke.")).to_have_count(0)


def test_without_javascript_files_are_sent_and_marked_all_the_same(
    browser: Browser, page: Page, demo_url: str, pictures: dict[str, str]
) -> None:
    case = a_case(page, demo_url, 3)
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 800})
    plain = context.new_page()
    plain.goto(f"{case}/photos")
    plain.get_by_label("Choose pictures or documents").set_input_files(
        [pictures["board.jpg"], pictures["false.jpg"]]
    )
    plain.get_by_role("button", name="Send", exact=True).click()
    expect(plain.get_by_text("1 file is kept.")).to_be_visible()
    expect(plain.get_by_role("alert")).to_contain_text("is a GIF picture inside")
    plain.locator(".shot a").click()
    expect(plain.get_by_role("button", name="Circle")).to_have_count(0)
    plain.get_by_text("Place a mark by numbers").click()
    for label in ("From the left, %", "From the top, %", "Radius, %"):
        plain.get_by_label(label, exact=True).fill("25")
    plain.get_by_role("button", name="Draw it").click()
    expect(plain.locator("circle.drawn__line")).to_have_count(1)
    context.close()
