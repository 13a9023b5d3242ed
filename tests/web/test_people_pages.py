"""In whose hands boards are, what they wait for, and the month's figures."""

from __future__ import annotations

import csv
import io
from datetime import date

import pytest
from factories import TODAY, a_case, bring, case_json
from pydantic import ValidationError
from signed_in import Office
from web_client import Client, Page

from kb.service.cases import cases


def open_case(uid: str, **changed: object) -> dict[str, object]:
    return case_json(uid, verdict=None, closed=None, attempts=None, **changed)


def add(client: Client, *records: dict[str, object]) -> None:
    for record in records:
        assert client.post("/api/cases", json=record).status_code == 201


def test_an_open_board_is_given_to_somebody_and_waits_for_a_part(client: Client) -> None:
    add(client, open_case("two"))
    form = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    answer = client.post(
        "/cases/two/in-hand", data={**form, "worker": "bench 2", "waiting_for": "T3.15A fuse"}
    )
    assert answer.headers["location"] == "/cases/two?saved=in-hand"
    kept = cases.stored(client.shop, "two").record
    assert (kept.worker, kept.waiting_for, kept.waiting_since) == ("bench 2", "T3.15A fuse", TODAY)
    shown = client.get("/cases/two").text
    assert "T3.15A fuse, since 2026-11-01" in shown
    assert "bench 2" in client.get("/cases?show=waiting").text


def test_another_part_begins_to_be_waited_for_today_and_the_same_one_goes_on(client: Client) -> None:
    add(client, open_case("two", waiting_for="fuse", waiting_since="2026-10-01"))
    page = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    client.post("/cases/two/in-hand", data={**page, "worker": "bench 1"})
    assert cases.stored(client.shop, "two").record.waiting_since == date(2026, 10, 1)
    page = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    client.post("/cases/two/in-hand", data={**page, "waiting_for": "relay", "waiting_since": ""})
    assert cases.stored(client.shop, "two").record.waiting_since == TODAY
    page = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    client.post("/cases/two/in-hand", data={**page, "waiting_for": ""})
    assert cases.stored(client.shop, "two").record.waiting_since is None


def test_a_day_that_is_none_is_refused_and_what_was_typed_stays(client: Client) -> None:
    add(client, open_case("two"))
    page = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    for day, told in (("2026-13-40", "calendar"), ("2031-01-01", "future")):
        answer = client.post(
            "/cases/two/in-hand", data={**page, "waiting_for": "a relay <b>", "waiting_since": day}
        )
        assert answer.status_code == 422
        assert told in answer.text
        assert "a relay &lt;b&gt;" in answer.text
    assert cases.stored(client.shop, "two").record.waiting_for == ""


def test_somebody_elses_change_is_not_overwritten(client: Client) -> None:
    add(client, open_case("two"))
    page = Page(client.get("/cases/two").text).form("/cases/two/in-hand")
    assert client.post("/cases/two/in-hand", data={**page, "worker": "bench 1"}).status_code == 303
    late = client.post("/cases/two/in-hand", data={**page, "worker": "bench 2"})
    assert late.status_code == 422
    assert "changed by somebody else" in late.text
    assert cases.stored(client.shop, "two").record.worker == "bench 1"


def test_a_board_that_is_done_waits_for_nothing(client: Client) -> None:
    answer = client.post("/cases/one/in-hand", data={"worker": "", "waiting_for": "fuse", "version": "1"})
    assert answer.status_code == 422
    assert "/cases/one/in-hand" not in client.get("/cases/one").text
    add(client, open_case("two", waiting_for="fuse", waiting_since="2026-10-01"))
    form = Page(client.get("/cases/two/edit").text).form("/cases/two")
    done = client.post("/cases/two", data={**form, "verdict": "not economical"})
    assert done.status_code == 303
    kept = cases.stored(client.shop, "two").record
    assert (kept.verdict, kept.waiting_for, kept.waiting_since) == ("not economical", "", None)


def test_the_waiting_list_shows_the_longest_waiting_first_with_its_age(client: Client) -> None:
    add(
        client,
        open_case("new", waiting_for="relay", waiting_since="2026-10-30", worker="bench 2"),
        open_case("old", waiting_for="fuse", waiting_since="2026-08-01", worker="bench 1"),
        open_case("idle"),
    )
    shown = client.get("/cases?show=waiting").text
    assert shown.index("waits for fuse, 92 days; bench 1") < shown.index("waits for relay, 2 days; bench 2")
    assert "/cases/idle" not in shown
    only = client.get("/cases", params={"show": "waiting", "worker": "bench 2"}).text
    assert "/cases/new" in only
    assert "/cases/old" not in only
    assert "waiting for parts (2)" in client.get("/").text


def test_my_own_open_boards_are_one_click_from_the_start() -> None:
    office = Office()
    bring(office.shop, open_case("mine", worker="bench 1"), open_case("other", worker="bench 2"))
    assert "my own (1)" in office.as_("work", "GET", "/").text
    mine = office.as_("work", "GET", "/cases?show=open&worker=bench+1").text
    assert "My own (1)" in mine
    assert "/cases/mine" in mine
    assert "/cases/other" not in mine
    office.close()


def test_figures_are_drawn_and_come_as_a_file(demo: Client) -> None:
    page = demo.get("/figures?months=24")
    assert page.status_code == 200
    pictures = [given for tag, given in Page(page.text).tags if tag == "svg" and given.get("role") == "img"]
    assert len(pictures) == 4
    assert all("2026-10:" in (given.get("aria-label") or "") for given in pictures)
    answer = demo.get("/figures.csv?months=24")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert len(rows) == 24
    assert rows[-1]["month"] == "2026-11"
    assert sum(int(row["closed"]) for row in rows) > 10
    for row in rows:
        kinds = ("repaired", "no fault found", "not economical", "not repairable")
        assert sum(int(row[kind]) for kind in kinds) == int(row["closed"])


def test_months_out_of_bounds_are_refused_and_an_empty_shop_says_so(empty: Client) -> None:
    assert "Nothing in these months" in empty.get("/figures").text
    for months in ("0", "121", "x"):
        assert empty.get(f"/figures?months={months}").status_code == 422


def test_a_case_with_a_waiting_day_and_no_part_is_refused() -> None:
    with pytest.raises(ValidationError, match="waits for nothing"):
        a_case("one", waiting_since=TODAY)
