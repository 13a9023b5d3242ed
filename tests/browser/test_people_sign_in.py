"""A shop where people sign in, in a real browser: from a new person's link to what they may not do."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import commands
import pytest
from looks import WIDTHS_AND_SCHEMES, faults, follow
from playwright.sync_api import Browser, Page, expect
from processes import bare_environment, served

PASSWORD = "lantern gravel outboard tuesday"
NEW = "mooring kettle ninety sparrows"


@pytest.fixture(scope="module")
def shop_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A server on which people sign in, with an owner and the demo's records."""
    data = tmp_path_factory.mktemp("shop") / "data"
    settings = {"KB_SIGN_IN": "always"}
    environment = bare_environment(KB_DATA=str(data), KB_DATABASE_URL="", **settings)
    demo = Path(__file__).resolve().parents[2] / "seed_data" / "demo.jsonl"
    owner = ["person", "add", "owner", "--level", "administer", "--password"]
    for arguments, typed in ((["import", str(demo)], b""), (owner, f"{PASSWORD}\n".encode())):
        done = commands.run(arguments, environment, stdin=typed)
        assert done.returncode == 0, done.stderr
    with served(data, **settings) as (url, _):
        yield url


def sign_in(page: Page, url: str, name: str, password: str, path: str = "/") -> None:
    page.goto(url + path)
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.locator("#f-name").fill(name)
    page.locator("#f-password").fill(password)
    page.keyboard.press("Enter")
    expect(page.get_by_text(f"Signed in as {name}")).to_be_visible()


def add_person(page: Page, url: str, name: str, level: str) -> str:
    """Adds a person and answers the link that is shown."""
    page.goto(f"{url}/people")
    page.locator("#f-name").fill(name)
    page.get_by_label("May", exact=True).select_option(level)
    page.get_by_role("button", name="Add and make a link").click()
    return page.locator("[data-link]").inner_text()


@pytest.mark.parametrize(
    "scripts",
    [
        pytest.param(True, id="with JavaScript"),
        pytest.param(False, id="without JavaScript", marks=pytest.mark.long),
    ],
)
def test_a_new_person_chooses_a_password_reads_and_cannot_write(
    browser: Browser, shop_url: str, scripts: bool
) -> None:
    name = "apprentice" if scripts else "front desk"
    office = browser.new_context(java_script_enabled=scripts)
    owner = office.new_page()
    sign_in(owner, shop_url, "owner", PASSWORD)
    link = add_person(owner, shop_url, name, "read")
    own = browser.new_context(java_script_enabled=scripts)
    page = own.new_page()
    page.goto(link)
    page.locator("#f-password").fill("too short")
    page.get_by_label("The same again").fill("too short")
    page.get_by_role("button", name="Keep it and sign in").click()
    expect(page.get_by_text("9 of at least 12 characters").first).to_be_visible()
    page.locator("#f-password").fill(NEW)
    page.get_by_label("The same again").fill(NEW)
    page.get_by_role("button", name="Keep it and sign in").click()
    expect(page.get_by_text(f"Signed in as {name}")).to_be_visible()
    page.goto(f"{shop_url}/families/HX-210")
    expect(page.get_by_role("heading", name="HX-210")).to_be_visible()
    page.goto(f"{shop_url}/cases/new")
    expect(page.get_by_text("Your account may read, and this needs one that may work.")).to_be_visible()
    page.goto(f"{shop_url}/people")
    expect(page.get_by_text("this needs one that may administer.")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.goto(f"{shop_url}/cases")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    own.close()
    office.close()


def test_what_is_typed_while_a_session_ends_is_sent_again(browser: Browser, shop_url: str) -> None:
    context = browser.new_context()
    page = context.new_page()
    sign_in(page, shop_url, "owner", PASSWORD, "/cases/new?family=HX-210")
    page.get_by_label("Complaint").fill("a long story\nin two lines")
    cookies = context.cookies()
    context.clear_cookies(name="kb_session")
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_role("heading", name="You are not signed in any more")).to_be_visible()
    with context.expect_page() as opened:
        page.get_by_role("link", name="Sign in on a page of its own").click()
    sign_in(opened.value, shop_url, "owner", PASSWORD)
    assert cookies
    page.get_by_role("button", name="Send it again").click()
    expect(page.get_by_text("The case is saved")).to_be_visible()
    expect(page.get_by_text("a long story").first).to_be_visible()
    context.close()


def test_a_password_can_be_looked_at(page: Page, shop_url: str) -> None:
    page.goto(f"{shop_url}/sign-in")
    field = page.locator("#f-password")
    field.fill("kelp")
    page.get_by_role("button", name="Show").click()
    expect(field).to_have_attribute("type", "text")
    page.get_by_role("button", name="Show").click()
    expect(field).to_have_attribute("type", "password")


def test_the_ranking_says_so_when_nobody_is_signed_in_any_more(browser: Browser, shop_url: str) -> None:
    context = browser.new_context()
    page = context.new_page()
    sign_in(page, shop_url, "owner", PASSWORD, "/diagnose?family=HX-210")
    page.wait_for_load_state("networkidle")
    before = page.locator("#ranking").inner_text()
    context.clear_cookies(name="kb_session")
    with page.expect_response(lambda answer: "/diagnose/ranking" in answer.url) as told:
        page.get_by_label("Symptom 1").fill("fuse blown")
    assert told.value.status == 401
    assert page.locator("#ranking").inner_text() == before
    context.close()


@pytest.mark.parametrize(("width", "scheme"), WIDTHS_AND_SCHEMES)
def test_every_page_is_accessible_and_fits(browser: Browser, shop_url: str, width: int, scheme: str) -> None:
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    found: list[str] = []
    page.on("pageerror", lambda error: found.append(str(error)))
    shots = os.environ.get("TEST_SHOTS")

    def look(name: str) -> None:
        found.extend(f"{name}: {fault}" for fault in faults(page))
        if shots:
            page.screenshot(path=f"{shots}/{name}-{width}-{scheme}.png", full_page=True)

    page.goto(f"{shop_url}/sign-in")
    look("sign-in")
    page.locator("#f-name").fill(f"nobody {width} {scheme}")
    page.locator("#f-password").fill("wrong")
    page.keyboard.press("Enter")
    expect(page.get_by_text("do not belong together")).to_be_visible()
    look("refused")
    sign_in(page, shop_url, "owner", PASSWORD)
    link = add_person(page, shop_url, f"helper {width} {scheme}", "work")
    look("link")
    for name, path in (
        ("people", "/people"),
        ("audit", "/people/audit"),
        ("account", "/account"),
        ("start", "/"),
    ):
        page.goto(shop_url + path)
        look(name)
    follow(page.get_by_role("link", name="People").first)
    follow(page.get_by_role("link", name=f"helper {width} {scheme}"))
    look("person")
    page.goto(f"{shop_url}/account")
    page.get_by_label("Name of the program").fill("logger")
    follow(page.get_by_role("button", name="Make a token"))
    look("token")
    page.goto(link)
    look("set-up")
    context.close()
    assert not found, "\n".join(found)
