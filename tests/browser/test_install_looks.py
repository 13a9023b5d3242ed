"""Installing and connecting a phone, as Chromium and a person see it."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import httpx
import pictures_made as made
import pytest
from commands import STUCK_S
from looks import SCHEMES, faults, follow
from playwright.sync_api import Browser, Page, expect
from processes import free_port, served
from signed_in import PASSWORD

# What a focused element must show, and where it must be; the skip link comes first, nothing holds the focus.
_FOCUS = """() => {
  const here = document.activeElement;
  const box = here.getBoundingClientRect(), style = getComputedStyle(here);
  const seen = box.width > 1 && box.bottom > 0 && box.top < innerHeight;
  const inked = (one) => one && getComputedStyle(one).outlineStyle !== "none";
  const marked = inked(here) || (here.matches(".segment") && inked(here.nextElementSibling));
  return { name: `${here.tagName} ${here.innerText || here.name || ""}`.slice(0, 60), seen, marked: !!marked,
           body: here === document.body };
}"""


def test_chromium_reads_the_manifest_without_a_complaint(page: Page, demo_url: str) -> None:
    page.goto(demo_url)
    told = page.context.new_cdp_session(page).send("Page.getAppManifest")
    assert told["errors"] == []
    assert told["url"] == f"{demo_url}/app.webmanifest"
    assert json.loads(told["data"])["share_target"]["action"] == "/shared"
    worker = page.context.new_cdp_session(page).send("Page.getInstallabilityErrors")
    # A window without a memory of its own cannot install anything; that is all that is in the way.
    assert {one["errorId"] for one in worker["installabilityErrors"]} <= {"in-incognito"}


@pytest.mark.parametrize("path", ["/", "/diagnose?text=relay+ticks&family=HX-210", "/connect", "/bench"])
def test_the_keyboard_reaches_everything_and_shows_where_it_is(page: Page, demo_url: str, path: str) -> None:
    page.set_viewport_size({"width": 640, "height": 450})  # 1280 by 900 at 200 %
    page.goto(demo_url + path)
    found = []
    for _ in range(25):
        page.keyboard.press("Tab")
        found.append(page.evaluate(_FOCUS))
        if found[-1]["body"]:
            break
    assert "Skip" in found[0]["name"]
    wrong = [one["name"] for one in found if not one["body"] and not (one["seen"] and one["marked"])]
    assert not wrong
    assert len({one["name"] for one in found}) > 5


def test_a_phone_is_connected_from_the_page_alone(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "data") as (url, _):
        context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
        page = context.new_page()
        page.goto(url)
        follow(page.get_by_role("link", name="Connect a phone"))
        expect(page.get_by_text("Opens once there is an account that administers.")).to_be_visible()
        follow(page.get_by_role("link", name="add a person"))
        page.get_by_label("Name").fill("owner")
        page.get_by_label("May").select_option("administer")
        follow(page.get_by_role("button", name="Add and make a link"))
        page.goto(page.locator("[data-link]").inner_text())
        for label in ("Password", "The same again"):
            page.locator("input[type=password]").nth(0 if label == "Password" else 1).fill(PASSWORD)
        page.locator("main button[type=submit]").last.click()
        page.wait_for_url("**/people")
        page.goto(f"{url}/connect")
        page.get_by_label("Port").fill(str(free_port()))
        follow(page.get_by_role("button", name="Let other devices in"))
        expect(page.get_by_text("Other devices are let in, from now on")).to_be_visible()
        expect(page.locator(".scan-code")).to_have_count(2)
        right(page, "connected")
        address = re.search(r"https://\S+?:(\d+)", page.locator(".addresses").inner_text())
        assert address
        phone = browser.new_context(
            ignore_https_errors=True, viewport={"width": 390, "height": 844}
        ).new_page()
        phone.goto(f"https://localhost:{address[1]}/")
        expect(phone.get_by_label("Password")).to_be_visible()
        assert phone.evaluate("window.isSecureContext")
        # What the phone's gallery would send, and the page that asks where it belongs.
        sent = httpx.post(
            f"{url}/shared",
            files=[("file", ("c9.jpg", io.BytesIO(made.jpeg()), "image/jpeg"))],
            headers={"Origin": url},
            timeout=STUCK_S,
        )
        page.goto(url + sent.headers["location"])
        right(page, "shared")
        phone.context.close()
        context.close()


def right(page: Page, what: str) -> None:
    """No finding in either scheme, on a desk and on a phone."""
    for width in (1280, 390):
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            page.set_viewport_size({"width": width, "height": 2400})
            found = faults(page)
            assert not found, f"{what}, {width}, {scheme}:\n" + "\n".join(found)
