"""Pages with other shops' cases: marked everywhere, left as they are, and let go at once."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from factories import a_case, a_family, bring, fresh_shop
from other_shops import THEIRS, origin, their_case
from pictures_made import jpeg
from web_client import Client, Page, error_of


@pytest.fixture
def two() -> Iterator[Client]:
    """A shop with a case of its own and two of another shop."""
    made = Client(fresh_shop())
    assert bring(made.shop, a_family(), a_case("one")).saved
    assert bring(made.shop, origin(), their_case("u1"), their_case("u2")).saved
    yield made
    made.close()


def test_a_case_page_says_whose_it_is_and_offers_a_copy_in_place_of_editing(two: Client) -> None:
    page = two.get("/cases/u1").text
    assert "From Quay bench, another shop." in page
    assert "/cases/u1/edit" not in page
    assert "/cases/u1/follow-ups" not in page
    assert 'href="/cases/new?like=u1"' in page
    assert two.get("/cases/u1/edit").headers["location"].startswith("/cases/u1")
    assert "another shop" not in two.get("/cases/one").text


def test_a_copy_is_a_new_case_of_ones_own(two: Client) -> None:
    form = Page(two.get("/cases/new?like=u1").text).form("/cases")
    assert form["complaint"] == a_case("u1").complaint
    assert form["attempts.0.part"] == "C9"
    answer = two.post("/cases", data=form)
    assert answer.status_code == 303, answer.text
    uid = answer.headers["location"].split("/")[2].split("?")[0]
    assert "origin" not in two.get(f"/api/cases/{uid}").json()


def test_the_api_refuses_to_change_another_shops_case(two: Client) -> None:
    held = two.get("/api/cases/u1").json()
    assert held["origin"] == THEIRS
    answer = two.call("PUT", "/api/cases/u1", json=held | {"notes": "x"}, headers={"If-Match": '"1"'})
    assert answer.status_code == 422
    assert error_of(answer)["field"] == "origin"
    answer = two.post("/api/cases", json={"family": "GL-31", "origin": THEIRS})
    assert error_of(answer)["field"] == "origin"
    answer = two.post(
        "/cases/u1/follow-ups", data={"date": "2026-03-20", "state": "still working", "note": ""}
    )
    assert answer.status_code == 422
    assert "from another shop" in answer.text


def test_hits_and_suggestions_say_whose_cases_they_are(two: Client) -> None:
    assert two.get("/search?q=relay").text.count("from Quay bench") == 2
    hits = two.get("/api/search?q=relay").json()["hits"]
    assert {hit["case"]: hit["origin"] for hit in hits} == {"u1": "Quay bench", "u2": "Quay bench", "one": ""}
    page = two.get("/diagnose?family=GL-31").text
    assert "1 repaired case of your own and 2 of other shops, each counting 0.5" in page
    assert "At other shops 2 of 2 cured." in page
    assert ">u1</a> from Quay bench" in page
    cause = two.post("/api/suggestions", json={"family": "GL-31"}).json()["causes"][0]
    assert (cause["cured"], cause["others_cured"], sorted(cause["others"])) == (1, 2, ["u1", "u2"])
    assert "at other shops 2 of 2" in two.get("/families/GL-31").text


def test_the_bench_and_its_figures_are_about_own_cases(two: Client) -> None:
    start = two.get("/").text
    assert "/cases/one" in start
    assert "/cases/u1" not in start


def test_the_track_record_says_what_others_count(two: Client) -> None:
    page = two.get("/track-record").text
    assert "Cases of other shops count 0.5 of your own in the ranking, until 30 of your own tell" in page
    assert two.get("/api/track-record").json()["others"] == 2


def test_a_shop_is_withdrawn_and_allowed_again_on_its_page(two: Client) -> None:
    page = Page(two.get("/data/origins").text)
    assert "Quay bench" in page.words
    answer = two.post(f"/data/origins/{THEIRS}/withdraw", data=page.form(f"/data/origins/{THEIRS}/withdraw"))
    shown = two.get(answer.headers["location"])
    assert "2 cases went into the bin" in shown.text
    assert two.get("/api/search?q=relay").json()["total"] == 1
    allow = Page(shown.text).form(f"/data/origins/{THEIRS}/allow")
    answer = two.post(f"/data/origins/{THEIRS}/allow", data=allow)
    assert "2 cases came back" in two.get(answer.headers["location"]).text
    assert two.get("/api/search?q=relay").json()["total"] == 3
    assert two.post("/data/origins/nobody/withdraw").status_code == 404


def test_another_shops_case_has_no_report_no_label_no_bench_test_and_takes_no_photographs(
    two: Client,
) -> None:
    told = "Case u1 is from another shop and stays as that shop recorded it."
    for path in ("report", "label", "label.svg", "photos"):
        refused = two.get(f"/cases/u1/{path}")
        assert refused.status_code == 422, path
        assert told in refused.text, path
        assert "Make a case of your own from it." in refused.text, path
        assert two.get(f"/cases/one/{path}").status_code == 200, path
    assert told in two.get("/bench/new?case=u1").text
    for action in ("keep", "issue", "again"):
        answer = two.post("/cases/u1/report", data={"asked": "words", "action": action})
        assert (answer.status_code, told in answer.text) == (422, True), action
    sent = two.post("/api/cases/u1/files", files=[("file", ("a.jpg", jpeg(), "image/jpeg"))])
    assert sent.status_code == 422
    assert two.get("/api/cases/u1/files").json()["files"] == []
