"""KB_SIGN_IN=key in a real browser: the first that opens the printed address stays in, no other gets in."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser, expect
from processes import served

from kb.web.guard.one_browser import page_leading_to


def test_the_browser_that_opens_the_address_first_stays_in_and_no_other_gets_in(
    browser: Browser, tmp_path: Path
) -> None:
    with served(tmp_path / "data", KB_SIGN_IN="key") as (address, _):
        base = address.partition("/open/")[0]
        stranger = browser.new_context().new_page()
        stranger.goto(base)
        expect(stranger.get_by_text("This browser has not been let in.")).to_be_visible()
        own = browser.new_context()
        page = own.new_page()
        # As the program itself opens it: by a file on the disk that leads on.
        page.goto(page_leading_to(address, tmp_path).as_uri())
        page.wait_for_url(base + "/")
        expect(page.get_by_role("searchbox").first).to_be_visible()
        page.goto(f"{base}/families/new")
        page.get_by_label("Code", exact=False).first.fill("GL-31")
        page.get_by_role("button", name="Save").first.click()
        expect(page.get_by_role("heading", name="GL-31")).to_be_visible()
        stranger.goto(address)
        expect(stranger.get_by_text("it was opened before")).to_be_visible()
        stranger.goto(f"{base}/families/GL-31")
        expect(stranger.get_by_text("This browser has not been let in.")).to_be_visible()
        kept = own.cookies()
    # Started again, it prints another address and knows the browser.
    with served(tmp_path / "data", "--port", base.rpartition(":")[2], KB_SIGN_IN="key") as (_, _):
        again = browser.new_context()
        again.add_cookies(kept)  # type: ignore[arg-type]
        page = again.new_page()
        page.goto(f"{base}/families/GL-31")
        expect(page.get_by_role("heading", name="GL-31")).to_be_visible()
