"""The second factor in a real browser: added from the account page, asked for at the next sign-in, and lost."""

from __future__ import annotations

import re
import time
from pathlib import Path

import commands
import pyotp
from looks import faults, is_drawn
from playwright.sync_api import Browser, Page, expect
from processes import bare_environment, served
from test_people_sign_in import PASSWORD, sign_in


def _code(secret: str, used: set[str]) -> str:
    """The code of now, or the next one where that was used: the server takes it half a minute early."""
    totp = pyotp.TOTP(secret)
    now = int(time.time())
    return next(code for code in (totp.at(now), totp.at(now + 30)) if code not in used)


def _asked_for_code(page: Page, url: str) -> None:
    page.goto(url)
    page.locator("#f-name").fill("owner")
    page.locator("#f-password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="The code from your app")).to_be_visible()


def test_a_second_factor_is_added_asked_for_and_replaced_by_a_recovery_code(
    browser: Browser, tmp_path: Path
) -> None:
    data, settings = tmp_path / "data", {"KB_SIGN_IN": "always"}
    environment = bare_environment(KB_DATA=str(data), KB_DATABASE_URL="", **settings)
    owner = ["person", "add", "owner", "--level", "administer", "--password"]
    assert commands.run(owner, environment, stdin=f"{PASSWORD}\n".encode()).returncode == 0
    with served(data, **settings) as (url, _):
        page = browser.new_context().new_page()
        sign_in(page, url, "owner", PASSWORD)
        page.goto(f"{url}/account")
        page.get_by_role("button", name="Add a second factor").click()
        picture = page.get_by_alt_text("QR code")
        is_drawn(picture)
        assert faults(page) == []
        secret = page.locator("[data-secret]").inner_text().replace(" ", "")
        used = {_code(secret, set())}
        page.locator("#f-code").fill(next(iter(used)))
        page.get_by_role("button", name="Turn it on").click()
        shown = page.locator("[data-recovery] code")
        expect(shown).to_have_count(10)
        codes = shown.all_inner_texts()
        assert all(re.fullmatch(r"[A-Z2-7]{4}(-[A-Z2-7]{4}){3}", code) for code in codes)
        page.get_by_role("link", name="I have them").click()
        expect(page.get_by_text("News of your account.")).to_be_visible()
        expect(page.get_by_text("second factor added")).to_be_visible()
        page.get_by_role("button", name="I have seen this").click()
        expect(page.get_by_text("News of your account.")).to_have_count(0)

        phone = browser.new_context().new_page()
        _asked_for_code(phone, url)
        phone.locator("#f-code").fill("000000")
        phone.keyboard.press("Enter")
        expect(phone.get_by_text("This code is wrong, or was used already.")).to_be_visible()
        phone.locator("#f-code").fill(_code(secret, used))
        phone.keyboard.press("Enter")
        expect(phone.get_by_text("Signed in as owner")).to_be_visible()

        lost = browser.new_context().new_page()
        _asked_for_code(lost, url)
        lost.locator("#f-code").fill(codes[4])
        lost.keyboard.press("Enter")
        expect(lost.get_by_text("Signed in as owner")).to_be_visible()
        expect(lost.get_by_text("recovery code used (9 of them are left)")).to_be_visible()
        lost.goto(f"{url}/account")
        lost.get_by_role("button", name="Take it away").click()
        lost.get_by_role("button", name="Sign out", exact=True).click()
        sign_in(lost, url, "owner", PASSWORD)
