"""A technician who knows no computing brings in a messy list, in a real browser, and takes it back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from looks import is_right
from playwright.sync_api import Browser, expect
from processes import serving

BOOK = """Reparaturbuch Hafen;;;;;;;;;;
Auftragsnr;Eingang;Ausgang;Gerät;Schiff;Fehler;5VSB (V);Bauteil;Ergebnis;Kosten;Zeit
17;03.04.14;05.04.14;HX-210;Fähre Möwe;"no picture,
relay ticks";4,2;C9;läuft wieder;1,20 €;30
18;04.04.14;;HX 210;Fähre Möwe;"dead; fuse blown";0;F1, Sicherung;wartet;;
19;13.04.14;14.04.14;GL-31;Hafenamt;keine Anzeige;5,1;;k.F.;;15
20;x;14.04.14;GL-31;Hafenamt;brummt;-;Elko C12;Schrott;1.234,50;2h
21;17.04.14;18.04.14;;Hafenamt;dead;5;;seltsam;;10
Summe;;;5 Geräte;;;;;;1.235,70;
"""


@pytest.fixture
def own_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a server with an empty store of its own."""
    with serving(tmp_path_factory.mktemp("own") / "data", "") as client:
        yield str(client.base_url).rstrip("/")


@pytest.mark.parametrize(
    ("width", "scheme", "script"),
    [
        (390, "dark", True),
        pytest.param(1280, "light", False, marks=pytest.mark.long),
        pytest.param(1280, "light", True, marks=pytest.mark.long),
    ],
)
def test_a_messy_list_comes_in_and_is_taken_back(
    browser: Browser, own_url: str, tmp_path: Path, width: int, scheme: str, script: bool
) -> None:
    file = tmp_path / "Reparaturen.csv"
    file.write_bytes(BOOK.replace("\n", "\r\n").encode("cp1252"))
    # Without a script axe cannot look either, so it looks at the pages of the other rounds.
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme=scheme,
        java_script_enabled=script,  # type: ignore[arg-type]
    )
    page = context.new_page()

    def look(heading: str) -> None:
        expect(page.get_by_role("heading", level=1)).to_have_text(heading)
        if script:
            is_right(page)

    page.goto(f"{own_url}/data")
    page.get_by_role("link", name="Bring in a spreadsheet").click()
    look("Bring in a spreadsheet")
    page.get_by_label("Spreadsheet (XLSX or CSV)").set_input_files(file)
    page.get_by_role("button", name="Read it").click()
    look("What is in which column?")
    expect(page.get_by_label("Gerät", exact=True)).to_have_value("family")
    expect(page.get_by_role("cell", name="Fähre Möwe").first).to_be_visible()
    page.get_by_role("button", name="Go on").click()
    look("What do these mean?")
    page.get_by_text("Clear, or decided before").click()
    expect(page.get_by_label("läuft wieder")).to_have_value("read")
    look("What do these mean?")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("alert")).to_contain_text("“seltsam” is not decided yet")
    page.get_by_label("seltsam").select_option(label="keep it in the notes")
    page.get_by_role("button", name="Go on").click()
    look("What the words of your rows say")
    expect(page.get_by_role("row", name="läuft wieder")).to_contain_text("cured")
    page.get_by_role("checkbox", name="fuse blown").uncheck()
    page.get_by_role("button", name="Check all rows").click()
    look("Before it is brought in")
    expect(page.locator(".titleblock")).to_contain_text("New cases4")
    expect(page.get_by_text("No board number stands in this row.")).to_be_visible()
    expect(page.get_by_role("row", name="a sum")).to_contain_text("Summe · 5 Geräte")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download the refused rows").click()
    assert "No board number" in download.value.path().read_text(encoding="utf-8-sig")
    page.get_by_label("Bring in the 4 good ones").check()
    page.get_by_role("button", name="Bring in 4 cases").click()
    look("Brought in")

    page.goto(f"{own_url}/search?q=relay+ticks")
    expect(page.locator("a.case-line__name")).to_have_count(1)
    page.go_back()
    page.get_by_role("link", name="Undo this import").click()
    look("Undo this import?")
    page.get_by_role("button", name="Undo it").click()
    look("Brought in")
    expect(page.get_by_text("This import was undone")).to_be_visible()
    page.goto(f"{own_url}/search?q=relay+ticks")
    expect(page.locator("a.case-line__name")).to_have_count(0)
    context.close()
