"""Pins of a known good board, and a board on the bench put beside them."""

from __future__ import annotations

import re
from html import unescape

import pytest
from factories import a_case, a_family, bring, exported
from web_client import Client

from kb.model import PinValue
from kb.service.boards import families, good_boards
from kb.service.cases import cases
from kb.service.operate import integrity

GOOD = "CN2 3: 4.7k / 5.1k, 0.45 / OL\nCN2 4: 22k / 22k, 0.5 / 0.55\nCN2 5: OL / OL"
MINE = "CN2 3: 4.7k / 5.0k, 0.44 / 0.3\nCN2 4: 12 / 12, 0.01 / 0.01\nCN2 5: \n"


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", unescape(text)))


def version(client: Client) -> str:
    return str(families.get(client.shop, "PN-1")[1])


@pytest.fixture
def bench(client: Client) -> Client:
    bring(client.shop, a_family("PN-1"), a_case("board", "PN-1", verdict=None, closed=None, attempts=[]))
    data = {"pins": GOOD, "version": version(client)}
    assert client.post("/families/PN-1/pins", data=data).status_code == 303
    return client


def put_beside(client: Client, pins: str = MINE) -> object:
    now = str(cases.stored(client.shop, "board").version)
    return client.post("/cases/board/pins", data={"pins": pins, "version": now})


def test_the_pins_of_a_good_board_are_kept_in_ohms_and_volts_and_shown(bench: Client) -> None:
    record = families.get(bench.shop, "PN-1")[0]
    assert record.pin_values[0] == PinValue(
        connector="CN2", pin=3, ohm_red=4700.0, ohm_black=5100.0, diode_v_red=0.45, open=["diode_v_black"]
    )
    page = words_of(bench.get("/families/PN-1/good-boards").text)
    assert "CN2 3 4.7 kΩ 5.1 kΩ 450 mV no reading" in page
    assert "CN2 3: 4.7 kΩ / 5.1 kΩ, 450.0 mV / OL" in unescape(bench.get("/families/PN-1/good-boards").text)


def test_a_board_is_put_beside_them_and_the_worst_pin_comes_first(bench: Client) -> None:
    assert put_beside(bench).status_code == 303
    page = words_of(bench.get("/cases/board/beside").text)
    assert "300 mV, where the good board shows none" in page
    names = re.findall(
        r"CN2 pin (\d), (red|black) on the pin 1[02] Ω|CN2 pin (\d), (red|black) on the pin", page
    )
    assert names[0][0] == "4"
    assert "1 good board measured 22 kΩ: too few to judge by. This one reads 0.00055 times as much." in page
    assert len(cases.stored(bench.shop, "board").record.pin_values) == 2


def test_five_boards_in_order_judge_the_pins(bench: Client) -> None:
    pins = [PinValue(connector="CN2", pin=3, ohm_red=4700.0 + step) for step in (-60.0, -20.0, 15.0, 50.0)]
    good = (
        a_case(f"good-{number}", "PN-1", verdict="no fault found", attempts=[], pin_values=[pin])
        for number, pin in enumerate(pins)
    )
    bring(bench.shop, *good)
    put_beside(bench, "CN2 3: 3.1k")
    page = words_of(bench.get("/cases/board/beside").text)
    assert "unlike good boards" in page
    assert "(5 boards)" in page


def test_a_repaired_boards_pins_teach_nothing(bench: Client) -> None:
    pin = PinValue(connector="CN2", pin=9, ohm_red=3.0)
    bring(bench.shop, a_case("repaired", "PN-1", pin_values=[pin]))
    _, good = good_boards.of_family(bench.shop, "PN-1")
    assert not [place for place in good.normals if "pin9" in place.where.replace(" ", "")]


@pytest.mark.parametrize("pins", ["CN2 3: lots", "CN2 3: 5\nCN2 3: 6", "CN2 3: -5", "nonsense"])
def test_a_table_that_cannot_be_read_is_refused_with_its_line_and_kept_as_typed(
    bench: Client, pins: str
) -> None:
    answer = put_beside(bench, pins)
    assert answer.status_code == 422
    assert 'href="#f-pins"' in answer.text
    assert pins.splitlines()[0] in unescape(answer.text)
    answer = bench.post("/families/PN-1/pins", data={"pins": pins, "version": version(bench)})
    assert answer.status_code == 422
    assert len(families.get(bench.shop, "PN-1")[0].pin_values) == 3


def test_two_people_who_change_the_pins_at_once_overwrite_nothing(bench: Client) -> None:
    late = bench.post("/families/PN-1/pins", data={"pins": "CN2 3: 1", "version": "1"})
    assert late.status_code == 422
    assert "changed by somebody else" in words_of(late.text)


def test_editing_the_case_keeps_its_pins_and_the_export_holds_them(bench: Client) -> None:
    put_beside(bench)
    page = bench.get("/cases/board/edit").text
    kept = re.search(r'name="pin_values" value="([^"]+)"', page)
    assert kept
    data = {
        "version": str(cases.stored(bench.shop, "board").version),
        "family": "PN-1",
        "notes": "seen",
        "pin_values": unescape(kept[1]),
    }
    assert bench.post("/cases/board", data=data).status_code == 303
    assert len(cases.stored(bench.shop, "board").record.pin_values) == 2
    assert '"pin_values":[{"connector":"CN2","pin":3' in exported(bench.shop)
    assert integrity.check(bench.shop).faults == []
