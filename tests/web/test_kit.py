"""The kit of parts: page, spreadsheet and API."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from html import unescape
from typing import Any

import pytest
from factories import a_case, a_family, bring
from web_client import Client

from kb.model import Attempt


def fix(part: str = "C9", part_class: str = "electrolytic capacitor", **more: Any) -> Attempt:
    given: dict[str, Any] = {"section": "standby output", "result": "cured", **more}
    return Attempt(part=part, part_class=part_class, **given)


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


@pytest.fixture
def bench(client: Client) -> Client:
    """Family KT-1 with ten repairs: six took C9, two Q1 and F1 together, one U1, one nothing new."""
    pair = [fix("Q1", "MOSFET"), fix("F1", "fuse", cause=False)]
    taken = [[fix("c 9")], *[[fix()]] * 5, pair, pair, [fix("U1", "controller IC")], [fix(action="resolder")]]
    bring(
        client.shop,
        a_family("KT-1", kind="battery charger"),
        *(a_case(f"kt-{number}", "KT-1", attempts=attempts) for number, attempts in enumerate(taken)),
        a_case("tried", "KT-1", attempts=[fix("D4", "diode", result="no change"), fix()]),
        a_case(
            "old",
            "KT-1",
            received=date(2019, 3, 1),
            closed=date(2019, 3, 2),
            attempts=[fix("R1", "resistor")],
        ),
        a_case("scrapped", "KT-1", verdict="not repairable", attempts=[fix("T1", "transformer")]),
    )
    return client


def test_the_kit_of_a_family_covers_four_in_five_of_its_repairs(bench: Client) -> None:
    answer = bench.get("/api/kit?family=KT-1").json()
    assert (answer["repairs"], answer["without_part"]) == (10, 1)
    assert (answer["size"], answer["covered"], answer["smallest"]) == (2, 8, True)
    assert [(one["part"], one["adds"]) for one in answer["parts"]] == [
        ("C9", 7),
        ("U1", 1),
        ("F1", 0),
        ("Q1", 2),
    ]
    page = words_of(bench.get("/kit?family=KT-1").text)
    assert "2 parts would have covered 8 of 10 repairs since 2023-11-01 (80 %)" in page
    assert "with the next" in page
    assert "1 more repair took no new part, or none was noted, and is left out" in page


def test_older_repairs_count_where_more_years_are_asked_for(bench: Client) -> None:
    assert bench.get("/api/kit?family=KT-1&years=10").json()["repairs"] == 11


@pytest.mark.parametrize(
    ("repairs", "shown", "rest"),
    [
        (100, 100, None),  # 80 of 100 and 20 further
        (101, 100, "1 further part stands in the spreadsheet"),
        (130, 100, "24 further parts stand in the spreadsheet"),
    ],
)
def test_a_long_kit_shows_its_first_hundred_parts_and_all_in_the_spreadsheet(
    client: Client, repairs: int, shown: int, rest: str | None
) -> None:
    bring(
        client.shop,
        a_family("KT-3", kind="battery charger"),
        *(a_case(f"long-{n}", "KT-3", attempts=[fix(f"C{n + 1}")]) for n in range(repairs)),
    )
    page = client.get("/kit?kind=battery+charger").text
    assert page.count('data-label="Needed in"') == shown
    assert ("further part" in page.split("</table>")[1]) is (rest is not None)
    assert rest is None or rest in words_of(page)
    rows = client.get("/kit.csv?kind=battery+charger").text.splitlines()
    assert len(rows) - 1 == -(-repairs * 4 // 5) + 20


def test_the_kit_of_a_kind_names_the_board_of_each_part(bench: Client) -> None:
    bring(
        bench.shop,
        a_family("KT-2", kind="battery charger"),
        a_case("other", "KT-2", attempts=[fix()]),
    )
    parts = bench.get("/api/kit?kind=battery charger").json()["parts"]
    assert {(one["family"], one["part"]) for one in parts} >= {("KT-1", "C9"), ("KT-2", "C9")}
    page = words_of(bench.get("/kit?kind=battery+charger").text)
    assert "for every battery charger" in page
    assert "KT-2 C9 electrolytic capacitor" in page


def test_a_part_without_a_designator_is_its_kind_in_its_section(bench: Client) -> None:
    bring(bench.shop, a_case("plain", "KT-1", attempts=[fix("", "fuse", section="mains input")]))
    found = [one for one in bench.get("/api/kit?family=KT-1").json()["parts"] if not one["part"]]
    assert [(one["part_class"], one["section"]) for one in found] == [("fuse", "mains input")]


def test_the_spreadsheet_holds_the_same_and_no_formula(bench: Client) -> None:
    bring(bench.shop, a_case("odd", "KT-1", attempts=[fix("=HYPERLINK(1)", "fuse")]))
    answer = bench.get("/kit.csv?family=KT-1")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text.removeprefix("\ufeff"))))
    assert rows[0]["part"] == "C9"
    assert (rows[0]["in the kit"], rows[0]["adds repairs"], rows[0]["of repairs"]) == ("yes", "7", "11")
    assert not [row for row in rows if row["part"].startswith("=")]


def test_what_cannot_be_is_refused_at_its_field(bench: Client) -> None:
    for query, field in (
        ("family=NO-SUCH", "family"),
        ("family=KT-1&kind=battery+charger", "family"),
        ("kind=spaceship", "kind"),
    ):
        page = bench.get(f"/kit?{query}")
        assert page.status_code == 422
        assert f'id="f-{field}-error"' in page.text
    assert bench.get("/kit?family=KT-1&years=0").status_code == 422
    assert bench.get("/api/kit").status_code == 422
    assert bench.get("/api/kit?family=NO-SUCH").status_code == 404


def test_without_repairs_it_says_so(client: Client) -> None:
    bring(client.shop, a_family("BARE-1"))
    assert "No repair to learn from" in words_of(client.get("/kit?family=BARE-1").text)
    assert client.get("/kit").status_code == 200
