"""The pages of the parts shelf."""

from __future__ import annotations

import csv
import io
import re
from html import unescape

import bench_people
import pytest
from factories import a_case, a_family, bring
from web_client import Client

from kb.model import Attempt
from kb.service.bench import runs
from kb.service.bench.runs import NewRun, Typed
from kb.service.cases import cases
from kb.service.parts import shelf

FORM = {
    "name": "1000 µF 25 V",
    "part_class": "electrolytic capacitor",
    "kind": "low ESR",
    "value": "1000 µF",
    "tolerance_pct": "±20 %",
    "max_v": "25 V",
    "max_c": "105 °C",
    "esr_ohm": "30 mΩ",
    "package": "radial 5 mm",
    "count": "4",
    "least": "2",
    "place": "drawer 3",
    "price": "0,35",
    "used_at": "GL-31: C9, C10",
}


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


@pytest.fixture
def bench(client: Client) -> Client:
    tried = Attempt(part="C9", part_class="electrolytic capacitor", section="standby output")
    bring(client.shop, a_family(), a_case("board", verdict=None, closed=None, attempts=[tried]))
    assert client.post("/shelf", data=FORM).status_code == 303
    return client


def test_a_part_is_typed_as_people_write_it_and_kept_in_si_units(bench: Client) -> None:
    record = shelf.find(bench.shop, "1000 µF 25 V")[0]
    assert (record.value, record.unit, record.esr_ohm, record.price) == (0.001, "F", 0.03, 0.35)
    assert [one.part for one in record.used_at] == ["C9", "C10"]
    page = words_of(bench.get("/shelf").text)
    assert (
        "1000 µF 25 V electrolytic capacitor: low ESR, 1000 µF ± 20 %, 25 V, 105 °C, ESR 30 mΩ, radial 5 mm"
        in page
    )


def test_what_is_saved_unchanged_stays_what_it_was(bench: Client) -> None:
    path = "/shelf/part?name=" + "1000 µF 25 V"
    record, version = shelf.find(bench.shop, "1000 µF 25 V")
    page = bench.get(path)
    fields = dict(re.findall(r'name="([a-z_]+)" type="[a-z]+" value="([^"]*)"', page.text))
    fields |= dict(re.findall(r'<input type="hidden" name="(version|kept)" value="([^"]*)"', page.text))
    fields = {name: unescape(value) for name, value in fields.items()}
    fields |= {"kind": "low ESR", "used_at": "GL-31: C9\nGL-31: C10"}
    assert bench.post(path, data=fields).status_code == 303
    assert shelf.find(bench.shop, "1000 µF 25 V") == (record, version)


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("value", "1000"),
        ("value", "2,200 µF"),
        ("value", "a lot"),
        ("esr_ohm", "30"),
        ("count", "-1"),
        ("count", "four"),
        ("count", "1.5"),
        ("least", "-2"),
        ("price", "1,2345"),
        ("price", "-3"),
        ("max_v", "25 A"),
        ("kind", "X9"),
        ("part_class", "flux capacitor"),
        ("used_at", "GL-31"),
        ("used_at", "NO-SUCH: C9"),
        ("name", ""),
    ],
)
def test_what_cannot_be_read_is_refused_at_its_field_and_nothing_is_saved(
    client: Client, field: str, typed: str
) -> None:
    bring(client.shop, a_family())
    answer = client.post("/shelf", data=FORM | {field: typed})
    assert answer.status_code == 422
    assert f'id="f-{field}-error"' in answer.text or f'href="#f-{field}"' in answer.text
    assert shelf.listed(client.shop)[0] == 0


def test_the_case_takes_one_with_a_press_and_puts_it_back(bench: Client) -> None:
    page = bench.get("/cases/board")
    assert "Take one from the shelf 1000 µF 25 V , 4 left, drawer 3." in words_of(page.text)
    named = "C9|electrolytic capacitor|standby output"
    taken = bench.post("/cases/board/take", data={"part": "1000 µF 25 V", "attempt": named})
    assert taken.status_code == 303
    page = bench.get("/cases/board?saved=taken")
    assert "From the shelf: 1000 µF 25 V" in words_of(page.text)
    assert "Taken from the shelf and counted off." in words_of(page.text)
    assert shelf.find(bench.shop, "1000 µF 25 V")[0].count == 3
    assert bench.post("/cases/board/put-back", data={"attempt": named}).status_code == 303
    assert shelf.find(bench.shop, "1000 µF 25 V")[0].count == 4


def test_the_same_press_sent_twice_takes_one(bench: Client) -> None:
    data = {"part": "1000 µF 25 V", "designator": "C10", "section": "standby output", "sent_key": "a" * 32}
    answers = [bench.post("/cases/board/take", data=data) for _ in range(2)]
    assert answers[0].status_code == 303
    assert answers[1].status_code in (303, 409)
    assert shelf.find(bench.shop, "1000 µF 25 V")[0].count == 3
    assert len(cases.stored(bench.shop, "board").record.attempts) == 2


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"count": "9", "section": "standby output"}, "part"),
        ({"count": "0", "section": "standby output"}, "count"),
        ({"count": "many", "section": "standby output"}, "count"),
        ({"section": ""}, "section"),
    ],
)
def test_what_cannot_be_taken_says_why_and_takes_nothing(
    bench: Client, given: dict[str, str], field: str
) -> None:
    answer = bench.post("/cases/board/take", data={"part": "1000 µF 25 V", "designator": "C10", **given})
    assert answer.status_code == 422
    assert f'href="#f-{field}"' in answer.text
    assert shelf.find(bench.shop, "1000 µF 25 V")[0].count == 4


def test_saving_the_case_keeps_what_a_fix_took(bench: Client) -> None:
    named = "C9|electrolytic capacitor|standby output"
    bench.post("/cases/board/take", data={"part": "1000 µF 25 V", "attempt": named})
    form = bench.get("/cases/board/edit")
    assert "From the shelf: 1000 µF 25 V" in words_of(form.text)
    version = re.search(r'name="version" value="(\d+)"', form.text)
    assert version
    data = {
        "version": version[1],
        "family": "GL-31",
        "attempts.0.part": "C9",
        "attempts.0.part_class": "electrolytic capacitor",
        "attempts.0.section": "standby output",
        "attempts.0.result": "cured",
        "attempts.0.shelf_part": "1000 µF 25 V",
        "attempts.0.shelf_count": "",
        "save": "yes",
    }
    assert bench.post("/cases/board", data=data).status_code == 303
    (one,) = cases.stored(bench.shop, "board").record.attempts
    assert (one.result, one.shelf_part) == ("cured", "1000 µF 25 V")


def test_the_shelf_is_found_by_value_place_and_board_and_comes_as_a_sheet(bench: Client) -> None:
    for typed in ("1000µF", "drawer 3", "gl-31 c10", "low esr 105"):
        assert "1 part" in words_of(bench.get("/shelf", params={"q": typed}).text)
    assert "No such part" in bench.get("/shelf?q=2200").text
    rows = list(csv.DictReader(io.StringIO(bench.get("/shelf.csv").text.removeprefix("\ufeff"))))
    assert [(row["name"], row["value"], row["unit"], row["count"]) for row in rows] == [
        ("1000 µF 25 V", "0.001", "F", "4")
    ]


def test_a_stand_in_is_accepted_with_its_rule_and_a_forbidden_one_is_refused(bench: Client) -> None:
    for name, volts in (("1000 µF 35 V", "35 V"), ("1000 µF 16 V", "16 V")):
        assert (
            bench.post("/shelf", data=FORM | {"name": name, "max_v": volts, "used_at": ""}).status_code == 303
        )
    page = words_of(bench.get("/shelf/part?name=1000 µF 25 V").text)
    assert "1000 µF 35 V may stand in 4 on the shelf" in page
    assert "1000 µF 16 V never 4 on the shelf 16 V for 25 V: its voltage rating is too low." in page
    accept = "/shelf/part/accept?name=1000 µF 25 V"
    assert bench.post(accept, data={"of": "1000 µF 35 V"}).status_code == 303
    assert "accepted by the shop" in words_of(bench.get("/shelf/part?name=1000 µF 25 V").text)
    refused = bench.post(accept, data={"of": "1000 µF 16 V", "rule": "hurry"})
    assert refused.status_code == 422
    assert "never takes the place" in words_of(refused.text)


def test_an_empty_shelf_says_how_to_begin(client: Client) -> None:
    page = words_of(client.get("/shelf").text)
    assert "The shelf is empty" in page
    assert "the order list says what runs out" in page


def test_the_fix_form_of_a_failed_test_takes_one_from_the_shelf(client: Client) -> None:
    bring(client.shop, bench_people.FAMILY.model_copy(update={"code": "HB-9"}))
    part = {"name": "standby capacitor", "used_at": "HB-9: C9", "price": "0.40", "count": "1"}
    assert client.post("/shelf", data=FORM | part).status_code == 303
    values = bench_people.GOOD | {"5VSB in standby": {"value": "3.1"}}

    def failed() -> str:
        uid = runs.start(client.shop, NewRun(family="HB-9"))
        runs.acknowledge(client.shop, uid)
        while (number := runs.view(client.shop, uid).next_number) is not None:
            title = runs.view(client.shop, uid).step(number).step.title
            runs.enter(client.shop, uid, number, Typed(**values[title]), sure=True)
            if title == "5VSB in standby":
                break
        return uid

    uid = failed()
    assert "C9: standby capacitor, 1 left" in client.get(f"/bench/{uid}").text
    fix = {
        "part": "C9",
        "part_class": "electrolytic capacitor",
        "section": "standby output",
        "action": "replace",
    }
    answer = client.post(f"/bench/{uid}/fix", data=fix | {"from_shelf": "standby capacitor"})
    assert answer.status_code == 303
    (one,) = cases.stored(client.shop, str(runs.view(client.shop, uid).run.case_uid)).record.attempts
    assert (one.shelf_part, one.cost) == ("standby capacitor", 0.4)
    assert shelf.find(client.shop, "standby capacitor")[0].count == 0
    late = client.post(f"/bench/{failed()}/fix", data=fix | {"from_shelf": "standby capacitor"})
    assert late.status_code == 422
    assert "None of standby capacitor is left on the shelf." in words_of(late.text)
