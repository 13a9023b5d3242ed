"""The order list: what cases wait for, what has run low, and what the boards on the bench are likely to need."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from html import unescape

import pytest
from factories import a_case, a_family, bring
from web_client import Client

from kb.model import Attempt, ShelfPartRecord, UsedAt
from kb.service.parts import order_list

WAITING = {"verdict": None, "closed": None, "attempts": [], "waiting_since": date(2026, 4, 1)}


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


def a_part(name: str, part_class: str, **more: object) -> ShelfPartRecord:
    return ShelfPartRecord.model_validate({"name": name, "part_class": part_class, **more})


@pytest.fixture
def bench(client: Client) -> Client:
    """Family OL-1, of which C9 was nearly always the cause; one board on the bench, three that wait."""
    cured = Attempt(
        part="C9", part_class="electrolytic capacitor", section="standby output", result="cured", cost=1.2
    )
    bring(
        client.shop,
        a_family("OL-1"),
        *(a_case(f"ol-{number}", "OL-1", attempts=[cured]) for number in range(12)),
        a_case("on-bench", "OL-1", verdict=None, closed=None, attempts=[]),
        a_case("waits-1", "OL-1", waiting_for="2 T3.15A fuse, relay 12 V", **WAITING),
        a_case("waits-2", "OL-1", waiting_for="t3.15a fuse", **WAITING),
        a_case("waits-3", "OL-1", waiting_for="C9", **WAITING),
        a_part("1000 µF 25 V", "electrolytic capacitor", count=1, price=0.35, least=1,
               used_at=[UsedAt(family="OL-1", part="C9")]),
        a_part("T3.15A fuse", "fuse", kind="T H", value=3.15, unit="A", count=1, price=0.5),
        a_part("10 Ω fusible", "fusible resistor", count=2, least=5),
        a_part("plenty", "diode", count=50, least=5),
    )  # fmt: skip
    return client


def test_what_cases_wait_for_and_what_runs_low_is_joined_by_part(bench: Client) -> None:
    lines = {line.name: line for line in order_list.view(bench.shop).lines}
    fuse = lines["T3.15A fuse"]
    assert (fuse.waited_for, fuse.order, fuse.cost) == (3, 2, 1.0)
    assert {one.uid for one in fuse.waiting} == {"waits-1", "waits-2"}
    assert (lines["relay 12 V"].order, lines["relay 12 V"].line) == (1, None)
    assert lines["10 Ω fusible"].order == 3
    assert "plenty" not in lines


def test_what_the_boards_on_the_bench_are_likely_to_need_is_added_to_what_is_waited_for(
    bench: Client,
) -> None:
    line = next(one for one in order_list.view(bench.shop).lines if one.name == "1000 µF 25 V")
    assert {one.uid for one in line.waiting} == {"waits-3"}
    # Boards that wait for something else may need it as well; the one that waits for it is not counted twice.
    assert {one.uid for one in line.boards} == {"on-bench", "waits-1", "waits-2"}
    assert all(0.5 < one.chance <= 1.0 for one in line.boards)
    assert line.order == 3


def test_a_part_that_was_tried_on_the_board_is_not_needed_again(bench: Client) -> None:
    tried = Attempt(part="c 9", part_class="electrolytic capacitor", section="standby output")
    bring(bench.shop, a_case("on-bench", "OL-1", verdict=None, closed=None, attempts=[tried]))
    line = next(one for one in order_list.view(bench.shop).lines if one.name == "1000 µF 25 V")
    assert "on-bench" not in {one.uid for one in line.boards}


def test_the_page_says_why_and_the_sheet_holds_the_same(bench: Client) -> None:
    page = words_of(bench.get("/order-list").text)
    assert "parts to order" in page
    assert "2 cases wait: OL-1 waits-1 (2), OL-1 waits-2" in page.replace(" ,", ",")
    assert "Fewer than the 5 to keep." in page
    rows = {
        row["part"]: row
        for row in csv.DictReader(io.StringIO(bench.get("/order-list.csv").text.removeprefix("\ufeff")))
    }
    assert (rows["T3.15A fuse"]["order"], rows["T3.15A fuse"]["together"]) == ("2", "1.0")
    assert rows["relay 12 V"]["on the shelf"] == ""


def test_a_formula_somebody_waits_for_is_made_harmless(bench: Client) -> None:
    bring(bench.shop, a_case("odd", "OL-1", waiting_for="=cmd()", **WAITING))
    assert "'=cmd()" in bench.get("/order-list.csv").text


@pytest.mark.parametrize(
    ("text", "items"),
    [
        ("T3.15A fuse, 2 capacitors", [("T3.15A fuse", 1), ("capacitors", 2)]),
        ("22 µF 50 V", [("22 µF 50 V", 1)]),
        ("2 x 22 µF 50 V and relay", [("22 µF 50 V", 2), ("relay", 1)]),
        ("1 A fuse; 4k7", [("1 A fuse", 1), ("4k7", 1)]),
        ("  , ;", []),
    ],
)
def test_a_list_of_parts_is_read_one_part_after_another(text: str, items: list[tuple[str, int]]) -> None:
    assert list(order_list._items(text)) == items


def test_an_empty_list_says_when_something_stands_there(client: Client) -> None:
    assert "Nothing to order" in client.get("/order-list").text
