"""What a browser shows while its server is cut off from PostgreSQL, under axe."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from databases import Server
from factories import a_case, a_family, encoded
from looks import SCHEMES, faults
from playwright.sync_api import Browser, expect
from processes import serving, until, until_at_hand

pytestmark = pytest.mark.once("it starts a server of its own")
PAGES = ("/", "/search?q=relay", "/cases", "/cases/one", "/families", "/families/GL-31", "/cases/one/history")


def test_what_is_shown_while_cut_off_fits_a_phone_and_has_no_finding_of_axe(
    browser: Browser, server: Server, tmp_path: Path
) -> None:
    with serving(tmp_path, server.empty_database()) as client:
        records = b"".join(encoded([a_family(), a_case("one", complaint="relay ticks")]))
        assert client.post("api/import", content=records).status_code == 200
        assert client.get("api/search", params={"q": "relay"}).json()["total"] == 1
        until_at_hand(client)
        server.signal_all(signal.SIGKILL)
        until(lambda: "Cut off from the database" in client.get("search").text)
        for scheme in SCHEMES:
            context = browser.new_context(viewport={"width": 390, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
            page = context.new_page()
            for path in PAGES:
                page.goto(str(client.base_url).rstrip("/") + path)
                expect(page.get_by_label("Database")).to_contain_text("Cut off from the database since")
                assert faults(page) == [], (path, scheme)
            context.close()
