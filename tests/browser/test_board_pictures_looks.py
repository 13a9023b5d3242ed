"""A board in a real browser: its picture is sent and straightened, parts are pinned with finger, mouse and keys, and
a cause, a step and the printed sheet show where they are."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pictures_made as made
import pytest
from demo_town import boards
from looks import follow, is_drawn, is_right
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect

# Of the demo's families one without a picture, and the parts that its cases name; each test takes one of its own.
PHONE, DESK, KEYS = "QK-118", "LBD-52", "MPA-62"


@pytest.fixture(params=["dark", pytest.param("light", marks=pytest.mark.long)])
def scheme(request: pytest.FixtureRequest) -> str:
    """The colours that the person who looks at the pages has chosen."""
    return str(request.param)


def opened(browser: Browser, width: int, height: int, scheme: str = "light") -> Iterator[Page]:
    """A page; whatever the browser blocks or stumbles over fails the test."""
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=width < 500, color_scheme=scheme
    )
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    yield page
    context.close()
    assert [text for text in said if "Failed to load resource" not in text] == []


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    yield from opened(browser, 390, 844)


@pytest.fixture
def desk(browser: Browser) -> Iterator[Page]:
    yield from opened(browser, 1280, 900)


@pytest.fixture
def photograph(tmp_path: Path) -> str:
    """A drawn board, as somebody would photograph it."""
    family = boards.families()[0]
    file = tmp_path / "board.jpg"
    file.write_bytes(made.saved(boards.photographed(boards.drawn(family)), "JPEG", quality=85))
    return str(file)


def spot(image: Locator, x: float, y: float) -> tuple[float, float]:
    """Where a place of a picture lies on the screen."""
    box = image.bounding_box()
    assert box is not None
    return box["x"] + x * box["width"], box["y"] + y * box["height"]


def pin_list(page: Page) -> list[str]:
    """The lines that would be sent."""
    return page.locator("[name=pins]").input_value().splitlines()


def send(page: Page, url: str, code: str, photograph: str) -> None:
    page.goto(f"{url}/families/{code}")
    follow(page.get_by_role("link", name="Add a picture of the board"))
    is_right(page)
    page.get_by_label("or choose a picture").set_input_files(photograph)
    follow(page.get_by_role("button", name="Send the picture"))
    expect(page.get_by_role("heading", name="Lay the corners")).to_be_visible()
    is_right(page)


def drag(page: Page, handle: Locator, to: tuple[float, float]) -> None:
    start = spot(handle, 0.5, 0.5)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move((start[0] + to[0]) / 2, (start[1] + to[1]) / 2)
    page.mouse.move(*to)
    page.mouse.up()


def lay(page: Page) -> None:
    """Drags the four corners where the drawn board's corners are."""
    image = page.locator(".lay > img")
    expect(image).to_have_js_property("complete", True)
    names = ("Upper left", "Upper right", "Lower right", "Lower left")
    for name, corner in zip(names, boards._CORNERS, strict=True):
        page.locator(".lay").scroll_into_view_if_needed()
        drag(page, page.get_by_role("button", name=f"{name} corner"), spot(image, *corner))
    follow(page.get_by_role("button", name="Straighten by these corners"))
    expect(page.get_by_role("heading", name="Pin parts")).to_be_visible()
    expect(page.locator("[data-sheet] > img")).to_have_js_property("complete", True)


def test_a_phone_pins_a_pasted_list_by_pressing_in_its_order(
    phone: Page, demo_url: str, photograph: str
) -> None:
    send(phone, demo_url, PHONE, photograph)
    lay(phone)
    is_right(phone)
    taken = phone.get_by_role("button", name="take all")
    taken.click()
    names = phone.get_by_label("Next names").input_value().split()
    assert {"C12", "U2", "RT1", "C6", "U1", "J2", "D7"} <= set(names)
    phone.get_by_label("Next names").fill(" ".join(name for name in names if name != "J2"))
    image = phone.locator("[data-sheet] > img")
    for number, name in enumerate(name for name in names if name != "J2"):
        expect(phone.locator("[data-told]")).to_contain_text(f"Press where {name} is")
        phone.touchscreen.tap(*spot(image, 0.15 + 0.1 * number, 0.4))
    assert len(pin_list(phone)) == len(names) - 1
    # One too many is taken back, and its name waits again.
    phone.get_by_role("button", name="Take the last one back").click()
    expect(phone.get_by_label("Next names")).not_to_have_value("")
    phone.touchscreen.tap(*spot(image, 0.9, 0.8))
    assert len(pin_list(phone)) == len(names) - 1
    is_right(phone)
    follow(phone.get_by_role("button", name="Save", exact=True))
    expect(phone.get_by_text("The picture is saved.")).to_be_visible()
    is_right(phone)
    phone.goto(f"{demo_url}/families/{PHONE}/pictures")
    phone.get_by_label("Where is").fill("C12")
    follow(phone.get_by_role("button", name="Show it"))
    expect(phone.locator(".place")).to_contain_text("C12")
    is_right(phone)


def test_a_desk_pins_a_connector_outlines_the_hot_side_and_lays_a_ruler(
    desk: Page, demo_url: str, photograph: str
) -> None:
    send(desk, demo_url, DESK, photograph)
    lay(desk)
    image = desk.locator("[data-sheet] > img")
    desk.get_by_label("Next names").fill("CN1 TP2 Q5")
    for place in ((0.5, 0.2), (0.5, 0.6), (0.3, 0.3), (0.7, 0.7)):
        desk.mouse.click(*spot(image, *place))
    kinds = [line.partition(":")[0] for line in pin_list(desk)]
    assert kinds == ["connector", "test point", "part"]
    assert pin_list(desk)[0].endswith("; 8 pins")
    desk.get_by_label("outlines the hot side").check()
    for place in ((0.05, 0.05), (0.25, 0.05), (0.25, 0.9), (0.05, 0.9)):
        desk.mouse.click(*spot(image, *place))
    desk.get_by_role("button", name="Close the outline").click()
    desk.get_by_label("sets the ruler").check()
    for place in ((0.1, 0.5), (0.9, 0.5)):
        desk.mouse.click(*spot(image, *place))
    desk.get_by_label("Length of the ruler").fill("13.6 cm")
    # A pin is dragged where it belongs.
    desk.get_by_role("radio", name="sets the next name").check()
    before = pin_list(desk)[2]
    drag(desk, desk.get_by_role("button", name="Q5, part"), spot(image, 0.8, 0.75))
    assert pin_list(desk)[2] != before
    assert pin_list(desk)[2].startswith("part: Q5 at 8")
    is_right(desk)
    follow(desk.get_by_role("button", name="Save", exact=True))
    expect(desk.get_by_text(re.compile("1(69|70) ×"))).to_be_visible()
    is_right(desk)


def test_keys_alone_lay_a_corner_and_pin_move_and_take_off_parts(
    desk: Page, demo_url: str, photograph: str
) -> None:
    send(desk, demo_url, KEYS, photograph)
    corner = desk.get_by_role("button", name="Upper left corner")
    corner.focus()
    for key in ("ArrowRight", "ArrowDown", "Shift+ArrowRight"):
        desk.keyboard.press(key)
    assert desk.locator("[name=corners]").input_value().startswith("9.1 9.4")
    follow(desk.get_by_role("button", name="Straighten by these corners"))
    names = desk.get_by_label("Next names")
    names.fill("C5 Q21")
    names.press("Enter")
    for key in ("ArrowLeft",) * 5 + ("Enter",) + ("ArrowDown",) * 9 + ("Enter",):
        desk.keyboard.press(key)
    assert [line.partition(" at ")[0] for line in pin_list(desk)] == ["part: C5", "part: Q21"]
    pin = desk.get_by_role("button", name="C5, part")
    before = pin_list(desk)[0]
    pin.focus()
    desk.keyboard.press("ArrowUp")
    assert pin_list(desk)[0] != before
    desk.keyboard.press("Delete")
    assert [line.partition(" at ")[0] for line in pin_list(desk)] == ["part: Q21"]
    is_right(desk)


@pytest.mark.parametrize(
    "sizes", [[(390, 844)], pytest.param([(390, 844), (1280, 900)], marks=pytest.mark.long)]
)
def test_c9_is_seen_on_the_board_in_the_ranking_at_the_fix_and_in_the_step(
    browser: Browser, demo_url: str, scheme: str, sizes: list[tuple[int, int]]
) -> None:
    for width, height in sizes:
        for page in opened(browser, width, height, scheme):
            page.goto(f"{demo_url}/diagnose?family=HX-210&symptom=standby+light+blinks&state=present")
            first = page.locator(".cause").first
            expect(first.locator(".place text")).to_have_text("C9")
            is_drawn(first.locator(".place img"))
            # Off the bar at the foot of a phone's screen, which may cover what lies under it.
            page.evaluate("document.querySelector('.answer').scrollIntoView()")
            is_right(page)
            follow(first.locator(".place"))
            expect(page.get_by_role("heading", name="C9 component side")).to_be_visible()
            is_right(page)
            page.goto(f"{demo_url}/families/HX-210")
            expect(page.locator(".folds .place text").first).to_have_text("C9")
            is_right(page)
            page.goto(f"{demo_url}/bench/sheet?family=HX-210")
            expect(page.get_by_role("heading", name="Where the probes go")).to_be_visible()
            assert page.locator(".place").count() >= 3
            is_right(page)


def test_a_better_picture_takes_the_pins_over_after_three_shared_places(
    desk: Page, demo_url: str, tmp_path: Path
) -> None:
    turned = tmp_path / "turned.jpg"
    board = boards.drawn(next(one for one in boards.families() if one.code == "PQ-24N")).image
    board.transpose(Image.Transpose.ROTATE_180).save(turned, quality=85)
    desk.goto(f"{demo_url}/families/PQ-24N/pictures")
    follow(desk.locator(".board-card > a").first)
    desk.get_by_text("Replace it by a better picture").click()
    desk.get_by_label("or choose a picture").set_input_files(str(turned))
    follow(desk.get_by_role("button", name="Send the better picture"))
    follow(desk.get_by_role("button", name="It is straight as it is"))
    expect(desk.get_by_role("heading", name="Move the pins")).to_be_visible()
    is_right(desk)
    older, newer = (desk.locator(f"[data-join={name}] img") for name in ("points", "onto"))
    for x, y in ((0.03, 0.045), (0.97, 0.045), (0.03, 0.955)):
        desk.mouse.click(*spot(older, x, y))
        desk.mouse.click(*spot(newer, 1 - x, 1 - y))
    expect(desk.get_by_text("All three are marked.")).to_be_visible()
    follow(desk.get_by_role("button", name="Show where the pins come"))
    expect(desk.get_by_text("nothing is saved before")).to_be_visible()
    is_right(desk)
    drawn = {
        str(pin.get("label")): pin
        for pin in boards.drawn(next(one for one in boards.families() if one.code == "PQ-24N")).pins
    }
    for line in pin_list(desk):
        name, _, where = line.removeprefix("part: ").partition(" at ")
        if line.startswith("part:"):
            x, y = (float(number) for number in where.partition(";")[0].split())
            assert abs(x - (100 - 100 * drawn[name]["x"] / boards._SIZE_MM[0])) < 1.5, line
            assert abs(y - (100 - 100 * drawn[name]["y"] / boards._SIZE_MM[1])) < 1.5, line
    follow(desk.get_by_role("button", name="Save", exact=True))
    expect(desk.get_by_text("The picture is saved.")).to_be_visible()
