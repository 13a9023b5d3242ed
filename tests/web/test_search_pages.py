"""The search page, what it offers when nothing is found, and completion."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest
from factories import a_case, a_family, bring, demo_shop, fresh_shop
from web_client import Client, Page

from kb.model import Attempt
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.find.case_search import Filters


def complete(client: Client, what: str, typed: str) -> list[dict[str, str]]:
    answer = client.get(f"/complete/{what}", params={"q": typed})
    assert answer.status_code == 200
    found: list[dict[str, str]] = answer.json()
    return found


def values(found: list[dict[str, str]]) -> list[str]:
    return [entry["value"] for entry in found]


def links(page: Page) -> list[str]:
    return [given["href"] or "" for tag, given in page.tags if tag == "a" and "href" in given]


def test_a_saved_case_is_on_the_search_page_at_once(client: Client) -> None:
    assert "Nothing found" in client.get("/search?q=zorbles").text
    cases.save(client.shop, a_case("fresh", complaint="it zorbles loudly"))
    page = client.get("/search?q=zorbles").text
    assert "/cases/fresh" in page
    assert "<mark>zorbles</mark>" in page


def test_a_match_by_another_name_is_shown_in_the_snippet(client: Client) -> None:
    assert "<mark>relay ticks" in client.get("/search?q=relay+chatter").text


def test_a_family_named_in_the_words_comes_first(demo: Client) -> None:
    page = case_search.search(demo.shop, "qk 118 dead", Filters(), limit=200)
    assert page.family == "QK-118"
    families = [hit.case.family for hit in page.found]
    own = families.count("QK-118")
    assert 0 < own < len(families)
    assert families[:own] == ["QK-118"] * own
    assert "Cases of QK-118 with most of the words come first" in demo.get("/search?q=qk+118+dead").text


def test_another_number_of_a_family_names_it_too_and_two_families_name_none(demo: Client) -> None:
    assert case_search.search(demo.shop, "lp-77 relay ticks", Filters()).family == "HX-210"
    assert case_search.search(demo.shop, "relay ticks", Filters()).family is None
    assert case_search.search(demo.shop, "HX-210 QK-118", Filters()).family is None
    assert case_search.search(demo.shop, "relay -HX-210", Filters()).family is None


def test_pages_hold_every_case_once_and_stay_the_same(demo: Client) -> None:
    whole = case_search.search(demo.shop, "dead fuse", Filters(), limit=200)
    uids = [hit.case.uid for hit in whole.found]
    paged: list[Any] = []
    for offset in range(0, whole.results.total, 7):
        paged += [
            hit.case.uid
            for hit in case_search.search(demo.shop, "dead fuse", Filters(), limit=7, offset=offset).found
        ]
    assert paged[: len(uids)] == uids
    assert len(set(paged)) == whole.results.total


def test_a_page_past_the_end_is_the_last_page(demo: Client) -> None:
    page = case_search.search(demo.shop, "fuse", Filters(), limit=20, offset=100_000)
    assert page.offset == (page.results.total - 1) // 20 * 20
    assert page.found
    assert "Nothing found" not in demo.get("/search?q=fuse&offset=100000").text


def test_facets_count_years_verdicts_and_open_cases_and_narrow_by_link(client: Client) -> None:
    cases.save(client.shop, a_case("waiting", verdict=None, closed=None, attempts=[]))
    page = client.get("/search?q=relay").text
    for words in ("Year received", "2026", "repaired", "on the bench"):
        assert words in page
    assert "/search?q=relay&amp;year=2026" in page
    only_open = case_search.search(client.shop, "relay", Filters(verdict=case_search.OPEN))
    assert [hit.case.uid for hit in only_open.found] == ["waiting"]
    assert client.get("/api/search?verdict=on+the+bench").json()["total"] == 1


def test_an_open_case_shows_what_was_tried(client: Client) -> None:
    tried = Attempt(part="Q7", part_class="MOSFET", section="main converter", result="no change")
    cases.save(client.shop, a_case("waiting", verdict=None, closed=None, attempts=[tried]))
    words = Page(client.get("/search?q=relay").text).words
    assert "on the bench" in words
    assert "tried: Q7 MOSFET" in words


@pytest.mark.parametrize(
    ("query", "filters", "label"),
    [
        ("relay", {"family": "GL-31", "year": "1999"}, "without 1999"),
        ("relay", {"part_class": "varistor"}, "in all cases"),
        ('"ticks relay"', {}, "ticks relay"),
        ("relay -ticks", {}, "relay"),
        ("GL-32", {}, "GL-31"),
        ("relaqqq", {}, "relay clicks repeatedly"),
    ],
)
def test_an_empty_answer_offers_the_nearest_thing_that_has_one(
    client: Client, query: str, filters: dict[str, str], label: str
) -> None:
    told = client.get("/api/search", params={"q": query, **filters}).json()
    assert (told["total"], told["hits"]) == (0, [])
    offered = next(one for one in told["nearest"] if one["label"] == label)
    followed = client.get("/api/search", params={"q": offered["q"], **offered["filters"]}).json()
    assert followed["total"] == offered["total"] > 0
    assert "one" in [hit["case"] for hit in followed["hits"]]
    page = Page(client.get("/search", params={"q": query, **filters}).text)
    assert "Nothing found" in page.words
    assert "Nearest to it" in page.words
    assert label in page.words
    assert any(link.startswith("/diagnose?text=") for link in links(page))
    near = [link for link in links(page) if link.startswith("/search?q=")]
    assert any("/cases/one" in client.get(link).text for link in near)


def test_an_answer_that_finds_something_offers_nothing_else(client: Client) -> None:
    told = client.get("/api/search?q=relay").json()
    assert told["total"] > 0
    assert (told["nearest"], told["trouble"]) == ([], None)
    shapes = client.get("/api/openapi.json").json()["components"]["schemas"]
    assert {"nearest", "trouble"} <= shapes["SearchOut"]["properties"].keys()
    assert {"label", "q", "filters", "total"} == shapes["NearestOut"]["properties"].keys()


def test_a_misspelt_word_is_found_and_what_was_meant_is_offered(client: Client) -> None:
    page = client.get("/search?q=rellay").text
    assert "Did you mean" in page
    assert "/search?q=relay" in page
    assert "/cases/one" in page


@pytest.mark.parametrize(
    ("what", "typed", "value"),
    [
        ("family", "gl31", "GL-31"),
        ("family", "GL31-B", "GL-31"),
        ("symptom", "relay tick", "relay clicks repeatedly"),
        ("symptom", "ticking", "relay clicks repeatedly"),
        ("part_class", "elco", "electrolytic capacitor"),
        ("section", "standby out", "standby output"),
        ("anything", "c9", "C9"),
        ("anything", "relay cl", "relay clicks repeatedly"),
        ("anything", "stays d", "stays dark, relay ticks twice"),
        ("anything", "gl-3", "GL-31"),
    ],
)
def test_completion_meets_names_other_names_codes_and_past_complaints(
    client: Client, what: str, typed: str, value: str
) -> None:
    found = complete(client, what, typed)
    assert value in values(found)
    # A browser keeps an entry whose value or label holds what was typed.
    for entry in found:
        texts = (entry["value"] + "\n" + entry["met"]).casefold()
        assert typed.casefold() in texts


def test_completion_is_short_ordered_and_never_empty_for_a_beginning(demo: Client) -> None:
    assert values(complete(demo, "symptom", "fuse"))[0].startswith("fuse")
    assert len(complete(demo, "symptom", "e")) == 12
    assert len(demo.get("/complete/symptom?q=e&limit=3").json()) == 3
    assert complete(demo, "anything", "zzzzzz") == []
    assert demo.get("/complete/nothing?q=a").status_code == 404
    assert demo.get("/complete/family?q=a&limit=0").status_code == 422


def test_search_boxes_and_fields_ask_for_completion_and_work_without_it(demo: Client) -> None:
    page = Page(demo.get("/search?q=fuse").text)
    boxes = [given for tag, given in page.tags if tag == "input" and given.get("data-complete") == "anything"]
    assert len(boxes) == 2
    assert any(given.get("src", "").startswith("/static/js/complete.js") for _, given in page.tags)  # type: ignore[union-attr]
    form = demo.get("/cases/new").text
    for name in ("families", "symptoms", "part-classes"):
        assert f'list="{name}"' in form
        assert f'<datalist id="{name}">' in form
    assert demo.get("/static/js/complete.js").status_code == 200


TROUBLESOME = {
    "empty": "",
    "spaces": "   \t ",
    "10,000 characters": "relay ticks no picture " * 435,
    "one word of 10,000": "x" * 10_000,
    "10,000 quotes": '"' * 10_000,
    "many minuses": "-a " * 3_000,
    "stop words": "the of and to it is",
    "punctuation": "!?.,;:()[]{}<>/\\|@#$%^&*_+=~`'",
    "an open quote": '"relay ticks',
    "quotes in quotes": '"relay "ticks" twice"',
    "a wildcard": "*",
    "wildcards": "?* *?* **",
    "a prefix": "r*",
    "control characters": "relay\x01\x02\x1b[31m\x7f\x00ticks",
    "right to left": "ריליי מתקתק مرحل \u202erelay\u202c",
    "emoji": "🔥💥⚡ relay 👨‍🔧",
    "combining marks": "r" + "\u0301" * 200 + "elay",
    "unpaired surrogate escapes": "relay \\ud800",
    "operators": "AND OR NOT NEAR(a b) family:x",
    "slashes": "../../etc/passwd",
    "markup": "<script>alert(1)</script>",
    "long numbers": "9" * 400 + " 1e999",
    "many dots": "1.2.3.4.5." * 500,
    "many hyphens": "a-" * 3_000,
}


@pytest.fixture(scope="module")
def busy() -> Iterator[Client]:
    made = Client(demo_shop())
    made.get("/search?q=relay")
    yield made
    made.close()


@pytest.mark.parametrize("query", TROUBLESOME.values(), ids=TROUBLESOME.keys())
def test_any_query_is_answered_within_a_tenth_of_a_second(busy: Client, query: str) -> None:
    for path in ("/search", "/api/search", "/complete/anything"):
        text = query[:200] if path.startswith("/complete") else query
        spent = []
        for _ in range(3):
            start = time.process_time()
            answer = busy.get(path, params={"q": text})
            spent.append(time.process_time() - start)
            assert answer.status_code == 200, path
        # The best of three, in processor time, so that a busy machine does not fail the test.
        assert min(spent) < 0.1, path
    assert "<script>alert" not in busy.get("/search", params={"q": query}).text


def test_a_query_longer_than_any_person_types_is_refused_in_a_sentence(busy: Client) -> None:
    answer = busy.get("/api/search", params={"q": "x" * 20_001})
    assert answer.status_code == 422
    assert answer.json()["error"]["field"] == "q"


def test_searching_an_empty_store_says_so() -> None:
    made = Client(fresh_shop())
    try:
        assert "Nothing found" in made.get("/search?q=relay").text
        assert made.get("/search").status_code == 200
        assert complete(made, "anything", "re") == []
        assert bring(made.shop, a_family(), a_case("one")).saved
        assert "/cases/one" in made.get("/search?q=relay").text
    finally:
        made.close()


def test_health_tells_that_the_index_was_built_again_and_why(client: Client) -> None:
    told = client.get("/api/health").json()
    assert (told["ok"], told["index_rebuilt"], told["index_trouble"]) == (True, "there is no index yet", None)
    assert "built again since the start: there is no index yet" in client.get("/data").text
