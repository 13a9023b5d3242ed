"""Is it worth it: the block under the causes, its two amounts, and the same by the API."""

from __future__ import annotations

import re
from html import unescape
from urllib.parse import urlencode

import pytest
from web_client import Client

BRIDGE = {"text": "dead, fuse blown, bridge shorted"}


def block(client: Client, **asked: str) -> str:
    page = client.get("/diagnose?" + urlencode(asked)).text
    found = re.search(r'<details class="fold worth".*?</details>', page, re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(found[0]))) if found else ""


def test_the_block_is_folded_until_an_amount_is_given(demo: Client) -> None:
    folded = demo.get("/diagnose?" + urlencode(BRIDGE)).text
    assert '<details class="fold worth" id="costs">' in folded
    assert (
        '<details class="fold worth" id="costs" open>'
        in demo.get("/diagnose?" + urlencode({**BRIDGE, "price": "120"})).text
    )


def test_against_a_replacement_price_it_says_what_to_do_and_why(demo: Client) -> None:
    said = block(demo, **BRIDGE, price="120,50")
    assert "Offer it, with a ceiling." in said
    assert "a replacement at 120.50 €" in said
    assert "less than replacing at once" in said
    assert "Agree first on how much may be spent" in said
    assert "Covers nine in ten" in said
    declined = block(demo, **BRIDGE, price="10")
    assert "A replacement costs less." in declined
    assert "replacing at once to 10 €" in declined
    assert "Covers nine in ten" not in declined


def test_without_a_price_it_says_what_a_repair_costs_and_asks_for_one(demo: Client) -> None:
    said = block(demo, **BRIDGE, rate="38")
    assert "What a repair costs." in said
    assert "Bench time at 38 € an hour." in said
    assert "What a replacement costs, entered under What counts" in said


def test_with_a_complaint_that_fits_many_boards_more_is_to_be_found_out(empty: Client) -> None:
    said = block(empty, text="stays dark", price="90")
    assert "Find out more first." in said
    assert "Covers nine in ten" not in said


def test_what_was_never_recorded_is_named_and_free_bench_time_too(empty: Client) -> None:
    said = block(empty, **BRIDGE, price="90")
    assert re.search(r"no cost of parts is on record: 5 € is taken", said)
    assert re.search(r"no time is on record: 30 minutes are taken", said)
    free = block(empty, **BRIDGE, price="90", rate="0")
    assert "Bench time is free." in free
    assert "no time is on record" not in free


def test_the_drawing_says_in_words_what_it_shows(demo: Client) -> None:
    page = demo.get("/diagnose?" + urlencode({**BRIDGE, "price": "120"})).text
    assert re.search(
        r'role="img" aria-label="Share of such boards cured for at most an amount: [^"]* %', page
    )


@pytest.mark.parametrize("name", ["price", "rate"])
@pytest.mark.parametrize("typed", ["-5", "1.234", "twelve", "99999999999"])
def test_an_amount_that_is_none_is_refused_at_its_field_and_the_ranking_stands(
    demo: Client, name: str, typed: str
) -> None:
    page = demo.get("/diagnose?" + urlencode({**BRIDGE, name: typed})).text
    assert f'data-problem="{name}"' in page
    assert f'id="f-{name}-error"' in page
    assert typed in page
    assert "Likely causes" in page


def test_both_amounts_stay_in_the_links_of_the_page(demo: Client) -> None:
    page = unescape(demo.get("/diagnose?" + urlencode({**BRIDGE, "price": "120", "rate": "38,50"})).text)
    assert "price=120&rate=38%2C50" in page


def test_the_api_answers_it_where_it_is_asked_for(demo: Client) -> None:
    asked = {**BRIDGE, "replacement_price": 120.0}
    assert demo.post("/api/suggestions", json=asked).json()["worth"] is None
    got = demo.post("/api/suggestions", json={**asked, "worth": True, "hourly_rate": 60.0}).json()
    found = got["worth"]
    assert found["advice"] in ("repair", "offer", "decline")
    assert (found["hourly_rate"], found["replacement_price"]) == (60.0, 120.0)
    assert found["tries"] == got["stop"]["tries"]
    assert found["with_replacement"] == pytest.approx(got["stop"]["expected_cost"])
    assert found["mean"] - 1e-9 <= found["nine_in_ten"] <= found["given_up_cost"]
    cheaper = demo.post("/api/suggestions", json={**asked, "worth": True, "hourly_rate": 0.0}).json()
    assert cheaper["worth"]["mean"] < found["mean"]


@pytest.mark.parametrize("rate", [-1, "ten", 1e9])
def test_an_hourly_rate_that_is_none_is_refused_by_name(demo: Client, rate: object) -> None:
    answer = demo.post("/api/suggestions", json={"hourly_rate": rate})
    assert answer.status_code == 422
    assert answer.json()["error"]["field"] == "hourly_rate"
