"""What good boards of a family measure, and a case beside them: pages and API."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from factories import a_case, a_family, bring
from web_client import Client

from kb.model import FollowUp, Reading
from kb.service.cases import cases

GOOD = (5.01, 5.02, 5.0, 4.99, 5.03, 4.98)


def reading(value: float | None, where: str = "5VSB", **more: Any) -> Reading:
    given: dict[str, Any] = {"rail": where, "supply": "standby", "value": value, "after_repair": True, **more}
    return Reading.model_validate(given)


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


def repaired(number: int, value: float, **more: Any) -> Any:
    return a_case(f"good-{number}", readings=[reading(value)], **more)


@pytest.fixture
def bench(client: Client) -> Client:
    """Six good boards, and one on the bench whose standby rail is low."""
    bring(client.shop, *(repaired(number, value) for number, value in enumerate(GOOD)))
    bench_case = a_case(
        "low",
        verdict=None,
        closed=None,
        attempts=[],
        readings=[
            reading(4.7, after_repair=False),
            reading(5.0, after_repair=False, supply="running"),
            reading(None, min=1.0, max=3.0, after_repair=False, supply="running"),
        ],
    )
    bring(client.shop, bench_case)
    return client


def place(client: Client, where: str = "5VSB", supply: str = "standby") -> dict[str, Any]:
    found = client.get("/api/families/GL-31/good-boards").json()["places"]
    return next((one for one in found if (one["where"], one["supply"]) == (where, supply)), {})


def test_a_familys_page_shows_the_normal_value_and_where_the_next_good_board_lies(bench: Client) -> None:
    page = words_of(bench.get("/families/GL-31/good-boards").text)
    assert "What good boards measure" in page
    assert "5VSB direct voltage, standby" in page
    found = place(bench)
    assert found["boards"] == 6
    assert found["judges"]
    assert found["normal"] == pytest.approx(5.005, abs=0.005)
    assert found["low"] < 4.98
    assert 5.03 < found["high"] < 5.2


def test_a_case_is_put_beside_them_and_what_is_off_comes_first(bench: Client) -> None:
    page = words_of(bench.get("/cases/low/beside").text)
    assert "1 of 1 reading that can be judged lies outside what good boards measure" in page
    assert "unlike good boards" in page
    assert re.search(r"This one is \d+\.\d spreads below normal\.", page)
    assert "No good board was measured here in this state." in page
    answer = bench.get("/api/cases/low/beside").json()
    assert answer["boards"] == 6
    assert [one["supply"] for one in answer["readings"]] == ["standby", "running"]
    assert answer["readings"][0]["off"] < -5
    assert answer["readings"][1]["normal"] is None


def test_the_board_itself_is_left_out_of_what_it_is_compared_with(bench: Client) -> None:
    bring(bench.shop, repaired(9, 6.0))
    assert place(bench)["boards"] == 7
    mine = bench.get("/api/cases/good-9/beside").json()
    assert mine["boards"] == 6
    assert mine["readings"][0]["normal"]["boards"] == 6
    assert mine["readings"][0]["unlike"]


def test_only_boards_that_were_in_order_count(bench: Client) -> None:
    news = FollowUp.model_validate({"date": "2026-06-05", "state": "came back with the same fault"})
    bring(
        bench.shop,
        repaired(20, 5.5, follow_ups=[news]),
        a_case("before", readings=[reading(3.0, after_repair=False)]),
        a_case("scrapped", verdict="not repairable", attempts=[], readings=[reading(2.0)]),
        a_case(
            "nothing-wrong",
            verdict="no fault found",
            attempts=[],
            readings=[reading(5.0, after_repair=False)],
        ),
    )
    assert place(bench)["boards"] == 7
    cases.put_in_bin(bench.shop, "good-0")
    assert place(bench)["boards"] == 6


def test_a_board_counts_once_however_often_it_was_measured_or_came_in(bench: Client) -> None:
    bring(
        bench.shop,
        a_case("often", readings=[reading(5.0), reading(5.02), reading(5.04)]),
        repaired(31, 5.0, serial="SN 7"),
        repaired(32, 5.1, serial="SN 7"),
    )
    assert place(bench)["boards"] == 8


def test_spellings_of_a_rail_and_of_a_test_point_are_one_place(bench: Client) -> None:
    bring(
        bench.shop,
        a_case("spelt", readings=[reading(5.0, "5 vsb"), reading(2.5, None, point="tp 4")]),  # type: ignore[arg-type]
        a_case("spelt-2", readings=[reading(2.6, None, point="TP4")]),  # type: ignore[arg-type]
    )
    assert place(bench)["boards"] == 7
    found = [
        one
        for one in bench.get("/api/families/GL-31/good-boards").json()["places"]
        if one["quantity"] == "dc_v"
    ]
    assert [one["boards"] for one in found if "4" in one["where"]] == [2]


def test_a_family_without_good_boards_says_what_fills_the_page(client: Client) -> None:
    bring(client.shop, a_family("BARE-1"))
    page = words_of(client.get("/families/BARE-1/good-boards").text)
    assert "No good board measured yet" in page
    assert client.get("/families/no-such/good-boards").status_code == 404
    assert client.get("/cases/no-such/beside").status_code == 404


def test_the_case_and_the_diagnosis_say_what_good_boards_say_of_a_reading(bench: Client) -> None:
    said = (
        r"By 6 good boards of GL-31 4\.9\d+ V to 5\.0\d+ V is usual here; this one is \d+\.\d spreads below"
    )
    page = words_of(bench.get("/cases/low").text)
    assert "unlike good boards" in page
    assert re.search(said, page)
    query = {"family": "GL-31", "text": "dead", "reading": "5VSB 4.7 standby"}
    page = words_of(bench.get("/diagnose", params=query).text)
    assert re.search(said, page)
    good = words_of(bench.get("/diagnose", params=query | {"reading": "5VSB 5.01 standby"}).text)
    assert "this one lies within" in good
    assert "unlike good boards" not in good


def test_fewer_than_five_good_boards_judge_nothing(client: Client) -> None:
    bring(client.shop, *(repaired(number, value) for number, value in enumerate(GOOD[:4])))
    query = {"family": "GL-31", "text": "dead", "reading": "5VSB 4.7 standby"}
    assert "good boards" not in words_of(client.get("/diagnose", params=query).text)


def test_what_good_boards_read_is_nothing_against_a_rail_without_a_stated_tolerance(client: Client) -> None:
    from kb.model import Rail

    rail = Rail(name="24V", role="backlight", nominal_v=24.0, connector="CN2")
    bring(client.shop, a_family("UN-1", rails=[rail]))
    values = (28.0, 28.1, 27.9, 28.2, 28.05, 27.95)
    good = [
        a_case(f"un-{number}", "UN-1", readings=[reading(value, "24V", supply="running")])
        for number, value in enumerate(values)
    ]
    mine = [reading(28.0, "24V", supply="running", after_repair=False)]
    bring(client.shop, *good, a_case("mine", "UN-1", verdict=None, closed=None, attempts=[], readings=mine))
    page = client.get("/cases/mine").text
    assert "like good boards" in words_of(page)
    assert "told--off" not in page


def test_a_bench_test_says_what_good_boards_say_of_what_was_entered(bench: Client) -> None:
    from kb.service.bench import runs
    from kb.service.bench.runs import NewRun, Typed

    uid = runs.start(bench.shop, NewRun(family="GL-31", isolated=True))
    runs.acknowledge(bench.shop, uid)
    step = next(
        one
        for one in runs.view(bench.shop, uid).steps
        if one.step.rail == "5VSB"
        and one.step.supply == "standby"
        and one.step.load == "none"
        and one.step.quantity == "dc_v"
    )
    for before in range(1, step.number):
        runs.leave_out(bench.shop, uid, before, "not on this board")
    runs.enter(bench.shop, uid, step.number, Typed(value="4.8"))
    assert "unlike good boards" in words_of(bench.get(f"/bench/{uid}/steps/{step.number}").text)
