"""Sharing between two shops in a real browser on a phone: look through, leave out, write, bring in, withdraw."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from looks import follow, is_right
from playwright.sync_api import Browser, Page, expect
from processes import serving


@pytest.fixture
def other_url(tmp_path: Path) -> Iterator[str]:
    """Another shop's server, with nothing in its store."""
    with serving(tmp_path / "other", "") as client:
        yield str(client.base_url).rstrip("/")


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, accept_downloads=True)
    yield context.new_page()
    context.close()


def test_cases_go_from_one_shop_to_another_and_are_withdrawn_again(
    phone: Page, demo_url: str, other_url: str, tmp_path: Path
) -> None:
    phone.goto(f"{demo_url}/data")
    follow(phone.get_by_role("link", name="Share cases"))
    is_right(phone)
    phone.get_by_label("Name that other shops see").fill("Harbour bench")
    phone.get_by_text("Only some board families").click()
    phone.get_by_label("HX-210", exact=True).check()
    phone.get_by_role("button", name="Show what would be shared").click()
    told = phone.locator("#seen p[role=status]")
    expect(told).to_contain_text("of 1 board family")
    before = int(told.inner_text().split()[0])
    is_right(phone)
    phone.get_by_role("checkbox", name="Leave this case out").first.check()
    phone.get_by_role("button", name="Show it again").click()
    expect(told).to_contain_text(f"{before - 1} cases")
    expect(told).to_contain_text("Left out: 1 case")
    with phone.expect_download() as download:
        phone.get_by_role("button", name="Write the file").click()
    file = tmp_path / "shared.jsonl"
    download.value.save_as(file)
    assert file.read_text().count('"record":"case"') == before - 1

    phone.goto(f"{other_url}/data")
    phone.locator("input[type=file]").first.set_input_files(file)
    phone.get_by_role("button", name="Bring in", exact=True).click()
    expect(phone.get_by_text("From Harbour bench, whose cases they stay.")).to_be_visible()
    phone.goto(f"{other_url}/search?q=relay")
    expect(phone.get_by_text("from Harbour bench").first).to_be_visible()
    is_right(phone)
    phone.locator("a.case-line__name").first.click()
    expect(phone.get_by_text("From Harbour bench, another shop.")).to_be_visible()
    is_right(phone)

    phone.goto(f"{other_url}/data/origins")
    is_right(phone)
    phone.get_by_role("button", name="Withdraw all its cases").click()
    expect(phone.get_by_text(f"{before - 1} cases went into the bin")).to_be_visible()
    is_right(phone)
    phone.goto(f"{other_url}/search?q=relay")
    expect(phone.get_by_text("Nothing found")).to_be_visible()
    phone.goto(f"{other_url}/data/origins")
    phone.get_by_role("button", name="Allow this shop again").click()
    expect(phone.get_by_text(f"{before - 1} cases came back")).to_be_visible()


def test_a_search_result_is_taken_out(phone: Page, demo_url: str, tmp_path: Path) -> None:
    phone.goto(f"{demo_url}/search?q=relay+ticks")
    phone.get_by_role("link", name="Take this result out").click()
    expect(phone.get_by_text("as found: “relay ticks”")).to_be_visible()
    is_right(phone)
    phone.get_by_label("Format", exact=True).select_option("csv")
    with phone.expect_download() as download:
        phone.get_by_role("button", name="Write the file").click()
    file = tmp_path / "found.csv"
    download.value.save_as(file)
    assert file.read_bytes().startswith(b"\xef\xbb\xbfuid,origin,family,")
