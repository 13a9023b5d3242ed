"""Readings of instruments on pages and by the API: who may take them, what fills a field, and what never does."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from typing import Any

import bench_people
import pytest
from commands import STUCK_S
from factories import a_case, bring, fresh_shop
from pretend_instrument import Pretend
from processes import until
from signed_in import Office
from web_client import Client, Page, error_of

from kb.bench.meter_log import read_log
from kb.instruments.desk import Desk
from kb.instruments.registry import checked
from kb.service import Shop
from kb.service.bench import runs
from kb.service.bench.runs import NewRun, Typed
from kb.service.cases import cases

ADDRESS = "TCPIP0::192.168.7.40::5025::SOCKET"
FAMILY = bench_people.FAMILY.code


def with_meter(shop: Shop, **answers: str) -> Pretend:
    """The shop with a pretended meter on its bench."""
    pretend = Pretend(**answers)
    shop.instruments.close()
    shop.instruments = Desk(None, open_link=pretend.open, patience_s=0.01)
    shop.instruments.sample_every_s = shop.instruments.log_every_s = 0.002
    shop.instruments.save(checked("bench meter", ADDRESS, "meter", "dc_v", "measure", "9600"))
    return pretend


class Bench(Client):
    """A bench without sign-in, with one family, an open case and a pretended meter."""

    def __init__(self) -> None:
        shop = fresh_shop()
        self.meter = with_meter(shop)
        super().__init__(shop)
        open_case = a_case("one", family=FAMILY, verdict=None, closed=None, attempts=[], readings=[])
        assert bring(shop, bench_people.FAMILY, open_case).saved

    def step(self, title: str, case: str | None = None) -> tuple[str, int]:
        """A run that stands at a step: its uid and the step's number."""
        uid = runs.start(self.shop, NewRun(family=FAMILY, case_uid=case))
        runs.acknowledge(self.shop, uid)
        while (number := runs.view(self.shop, uid).next_number) is not None:
            here = runs.view(self.shop, uid).step(number).step.title
            if here == title:
                return uid, number
            runs.enter(self.shop, uid, number, Typed(**bench_people.GOOD[here]), sure=True)
        raise AssertionError(title)

    def ask(self, what: str = "take", **body: Any) -> Any:
        return self.post(
            f"/api/instruments/{what}", json={"instrument": "bench meter", "quantity": "dc_v", **body}
        )


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.close()


def test_a_reading_by_the_api_is_text_with_its_origin(bench: Bench) -> None:
    found = bench.ask().json()
    assert found["text"] == "5.0312 V"
    assert found["origin"].startswith("bench meter, ")
    assert bench.get("/api/instruments").json()[0]["last"] == "5.0312 V"


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ("HELLO", "answered “HELLO” where one number was expected"),
        ("9.9E37", "shows an overload"),
        ("9.91E37", "no valid value"),
        ("#15HELLO", "block of data"),
        (None, "gave no answer within"),
    ],
)
def test_what_is_no_reading_is_a_sentence_with_a_remedy(bench: Bench, answer: str | None, told: str) -> None:
    if answer is None:
        del bench.meter.answers["MEAS:VOLT:DC?"]
    else:
        bench.meter.answers["MEAS:VOLT:DC?"] = answer
    refused = bench.ask()
    assert refused.status_code == 409
    error = error_of(refused)
    assert told in error["message"]
    assert error["remedy"]


def test_the_field_of_a_step_is_filled_and_counts_only_when_it_is_entered(bench: Bench) -> None:
    uid, number = bench.step("5VSB in standby", "one")
    here = f"/bench/{uid}/steps/{number}"
    page = bench.get(here).text
    assert 'formaction="' + here + "/take" in page
    filled = bench.post(f"{here}/take", data={"instrument": "bench meter", "seen": "0", "value": "4.4"})
    form = Page(filled.text).form(here)
    assert form["value"] == "5.0312 V"
    assert "From bench meter, " in filled.text
    assert runs.view(bench.shop, uid).step(number).results == ()
    entered = bench.post(here, data=form)
    assert entered.status_code == 303
    (reading,) = [
        one
        for one in cases.stored(bench.shop, "one").record.readings
        if one.rail == "5VSB" and one.supply == "standby"
    ]
    assert reading.value == 5.0312
    assert reading.written.startswith("5.0312 V (bench meter, ")


def test_a_value_changed_by_hand_or_claimed_by_a_form_has_no_instrument(bench: Bench) -> None:
    uid, number = bench.step("5VSB in standby", "one")
    taken = bench.ask().json()["taken"]
    bench.post(f"/bench/{uid}/steps/{number}", data={"value": "5.05 V", "seen": "0", "taken": taken})
    readings = cases.stored(bench.shop, "one").record.readings
    assert [one.written for one in readings if one.supply == "standby"] == ["5.05 V"]


def test_a_reading_that_fails_leaves_the_field_of_a_step_as_it_was(bench: Bench) -> None:
    uid, number = bench.step("5VSB in standby")
    bench.meter.gone = True
    here = f"/bench/{uid}/steps/{number}"
    page = bench.post(f"{here}/take", data={"instrument": "bench meter", "seen": "0", "value": "4.4"})
    assert page.status_code == 409
    form = Page(page.text).form(here)
    assert form["value"] == "4.4"
    assert "Bench meter cannot be reached" in page.text


def test_ripple_is_not_taken_from_a_meter_and_a_question_needs_none(bench: Bench) -> None:
    uid, number = bench.step("5VSB ripple")
    assert "Take the reading" not in bench.get(f"/bench/{uid}/steps/{number}").text
    uid, number = bench.step("First energising, current limited")
    assert "Take the reading" not in bench.get(f"/bench/{uid}/steps/{number}").text
    uid, number = bench.step("5VSB to ground")
    page = bench.get(f"/bench/{uid}/steps/{number}").text
    assert "Take the reading" in page
    assert "ampere socket" in page


def test_the_mains_side_is_warned_of_where_a_bench_instrument_is_connected(bench: Bench) -> None:
    uid, number = bench.step("5VSB in standby")
    page = bench.get(f"/bench/{uid}/steps/{number}").text
    assert "may be joined to earth" in page
    assert "short to earth" in page


def test_lowest_and_highest_are_recorded_for_one_page_and_another_is_told(bench: Bench) -> None:
    values = iter(["+4.9E+00", "+5.2E+00"])
    bench.meter.answers["MEAS:VOLT:DC?"] = lambda: next(values, "+5.0E+00")
    begun = bench.ask("record", page="p1", doing="the bench test of HB-9", action="begin")
    assert begun.status_code == 200
    until(lambda: bench.ask("record", page="p1", action="watch").json()["count"] >= 3)
    refused = bench.ask(page="p2")
    assert error_of(refused)["message"] == "Bench meter is in use: the bench test of HB-9."
    taken = bench.ask(page="p1").json()
    assert (taken["text"], taken["low"], taken["high"]) == ("5 V", "4.9 V", "5.2 V")
    assert bench.ask(page="p2").status_code == 200
    bench.ask("record", page="p1", action="begin")
    assert bench.ask("record", page="p1", action="stop").status_code == 200
    assert bench.ask("record", page="p1", action="watch").status_code == 409


def test_a_soak_is_logged_read_like_a_file_and_entered_at_its_step(bench: Bench) -> None:
    uid, number = bench.step("Soak, 30 min", "one")
    # Some seconds go by with every look at the clock, so that the log has run for a while at once.
    bench.shop.instruments.clock = itertools.count(0.0, 5.0).__next__
    bench.meter.answers["MEAS:VOLT:DC?"] = "+12.02E+00"
    here = f"/bench/{uid}/steps/{number}"
    assert "Begin the log" in bench.get(here).text
    begun = bench.post(f"{here}/log", data={"instrument": "bench meter"})
    assert begun.status_code == 303
    log_page = begun.headers["location"]
    log = bench.shop.instruments.logs.get(log_page.rpartition("/")[2])
    until(lambda: log.values >= 5)
    assert "logs this step since" in bench.get(here).text
    assert "Running since" in bench.get(here).text  # the clock of the step
    assert "Logging with bench meter" in bench.get(log_page).text
    bench.post(f"{log_page}/end")
    page = bench.get(log_page)
    assert page.status_code == 200
    assert len(read_log(bench.shop.instruments.logs.text(log)).volts) == log.values
    assert f"{log.values:,} readings".replace(",", " ") in page.text
    take = Page(page.text).form("/helpers/log/take")
    entered = bench.post("/helpers/log/take", data=take)
    assert entered.status_code == 303, entered.text
    assert entered.headers["location"] == here
    readings = cases.stored(bench.shop, "one").record.readings
    assert any(one.value == 12.02 and (one.min, one.max) == (12.02, 12.02) for one in readings)


def test_a_rail_of_a_case_is_logged_from_the_page_of_instruments(bench: Bench) -> None:
    data = {
        "instrument": "bench meter",
        "case": "one",
        "rail": "12v",
        "supply": "running",
        "load": "test load",
    }
    refused = bench.post("/instruments/log", data={**data, "rail": "99V"})
    assert refused.status_code == 422
    assert "has no such rail" in refused.text
    begun = bench.post("/instruments/log", data=data)
    log = bench.shop.instruments.logs.get(begun.headers["location"].rpartition("/")[2])
    until(lambda: log.values >= 2)
    bench.post(f"/instruments/log/{log.id}/end")
    page = bench.get(begun.headers["location"])
    take = Page(page.text).form("/helpers/log/take")
    bench.post("/helpers/log/take", data=take)
    (reading,) = cases.stored(bench.shop, "one").record.readings
    assert (reading.rail, reading.value, reading.load) == ("12V", 5.0312, "test load")
    assert bench.get("/instruments/log/0123456789abcdef").status_code == 404
    assert bench.get("/instruments/log/..%2F..%2Fetc").status_code == 404


def test_a_line_of_the_case_form_keeps_the_instrument_it_was_taken_from(bench: Bench) -> None:
    form = bench.get(f"/cases/new?family={FAMILY}").text
    assert "data-take-row" in form
    taken = bench.ask().json()
    line = f"5VSB standby {taken['text']}"
    rows = {"readings.0.line": line, "readings.0.taken": taken["taken"]}
    rows |= {
        "readings.1.line": "12V 12.1 running",
        "readings.1.taken": taken["taken"],
        "readings.1.origin": "my own word",
    }
    saved = bench.post("/cases", data={"family": FAMILY, "save": "yes", **rows})
    assert saved.status_code == 303
    record = cases.stored(bench.shop, saved.headers["location"].split("/")[2].partition("?")[0]).record
    assert record.readings[0].value == 5.0312
    assert record.readings[0].written == f"{line} ({taken['origin']})"
    assert record.readings[1].written == "12V 12.1 running"


def test_a_meter_that_hangs_holds_up_no_other_request(bench: Bench) -> None:
    asked, goes_on = threading.Event(), threading.Event()

    def hang() -> str:
        asked.set()
        goes_on.wait(STUCK_S)
        return "1"

    bench.meter.answers["MEAS:VOLT:DC?"] = hang
    future = bench.shop.instruments.take("bench meter", "dc_v", "p1", "a page")
    assert asked.wait(STUCK_S)
    assert bench.get("/api/health").status_code == 200
    assert bench.post("/cases", data={"family": FAMILY, "save": "yes"}).status_code == 303
    assert bench.ask(page="p2").status_code == 409
    goes_on.set()
    assert future.result(STUCK_S).text == "1 V"


# Who may


@pytest.fixture
def office() -> Iterator[Office]:
    made = Office()
    with_meter(made.shop)
    yield made
    made.close()


def test_only_who_works_takes_readings_and_only_who_administers_names_an_address(office: Office) -> None:
    body = {"instrument": "bench meter", "quantity": "dc_v"}
    named = {
        "name": "new",
        "address": "ASRL3::INSTR",
        "kind": "meter",
        "quantity": "dc_v",
        "way": "measure",
        "baud": "9600",
    }
    for level, takes, names in (("read", 403, 403), ("work", 200, 403), ("administer", 200, 303)):
        headers = office.signed_in(level)
        assert office.post("/api/instruments/take", json=body, headers=headers).status_code == takes
        assert office.post("/instruments", data=named, headers=headers).status_code == names
    assert office.post("/api/instruments/take", json=body).status_code == 401
    # A token takes readings and names no address.
    token = office.with_token("administer", "work")
    assert office.post("/api/instruments/take", json=body, headers=token).status_code == 200
    assert office.post("/instruments", data=named, headers=token).status_code in (303, 401, 403)
    assert [one.name for one in office.shop.instruments.registry.all()] == ["bench meter", "new"]


@pytest.mark.parametrize(
    "address",
    ["TCPIP0::8.8.8.8::5025::SOCKET", "TCPIP0::169.254.169.254::5025::SOCKET", "TCPIP0::192.168.7.1::22::SOCKET",
     "ASRL/etc/shadow::INSTR", "GPIB0::1::INSTR", "http://192.168.7.1/"],
)  # fmt: skip
def test_an_address_that_is_no_instruments_is_refused_on_the_page(bench: Bench, address: str) -> None:
    data = {
        "name": "new",
        "address": address,
        "kind": "meter",
        "quantity": "dc_v",
        "way": "measure",
        "baud": "9600",
    }
    page = bench.post("/instruments", data=data)
    assert page.status_code == 422
    assert "f-address" in page.text
    assert [one.name for one in bench.shop.instruments.registry.all()] == ["bench meter"]


def test_addresses_are_shown_to_who_administers_only(office: Office) -> None:
    shown = {
        level: ADDRESS in office.get("/instruments", headers=office.signed_in(level)).text
        for level in ("read", "work", "administer")
    }
    assert shown == {"read": False, "work": False, "administer": True}


def test_the_page_asks_an_instrument_who_it_is_and_changes_it(bench: Bench) -> None:
    page = bench.post("/instruments/look", data={"name": "bench meter"})
    assert "QUAYSIDE BM-5 0042" in page.text
    assert "5.0312 V" in page.text
    change = bench.get("/instruments?change=bench%20meter")
    form = Page(change.text).form("/instruments")
    assert bench.post("/instruments", data={**form, "name": "quay meter"}).status_code == 303
    assert bench.post("/instruments/remove", data={"name": "quay meter"}).status_code == 303
    assert "None has a name yet" in bench.get("/instruments").text
    assert bench.post("/instruments/look", data={"name": "quay meter"}).status_code == 404


def test_an_instrument_that_says_nothing_is_told_on_its_page(bench: Bench) -> None:
    bench.meter.gone = True
    page = bench.post("/instruments/look", data={"name": "bench meter"})
    assert page.status_code == 409
    assert "Bench meter cannot be reached" in page.text


# From another computer


def sent(*values: float, at: float = 0.0) -> dict[str, Any]:
    readings = [{"at_s": at + number, "quantity": "dc_v", "value": one} for number, one in enumerate(values)]
    return {"instrument": "quay meter", "sent_s": at + len(values), "readings": readings}


def test_what_another_computer_sends_with_a_token_is_taken_by_a_page_and_counts_once(office: Office) -> None:
    token = office.with_token("work", "work") | {"Idempotency-Key": "k1"}
    path = "/api/instruments/readings"
    assert office.post(path, json=sent(4.9, 5.0), headers=token).json() == {"counted": 2, "repeated": False}
    assert office.post(path, json=sent(4.9, 5.0), headers=token).json() == {"counted": 0, "repeated": True}
    assert (
        office.post(path, json=sent(5.1, at=2.0), headers=token | {"Idempotency-Key": "k2"}).json()["counted"]
        == 1
    )
    body = {"instrument": "quay meter", "quantity": "dc_v"}
    taken = office.post("/api/instruments/take", json=body, headers=office.signed_in("work")).json()
    assert taken["text"] == "5.1 V"
    page = office.get("/instruments", headers=office.signed_in("read")).text
    assert "sent from another computer by bench 1" in page
    assert office.post(path, json=sent(5.0), headers=office.with_token("work", "read")).status_code == 403
    assert (
        office.post(path, json=sent(9.9), headers=office.with_token("administer", "work")).status_code == 409
    )


@pytest.mark.parametrize(
    "changed",
    [
        {"readings": []},
        {"readings": [{"at_s": 0, "quantity": "ripple_v", "value": 1}]},
        {"readings": [{"at_s": 0, "quantity": "dc_v"}]},
        {"readings": [{"at_s": 0, "quantity": "dc_v", "value": 1, "beyond": "over"}]},
        {"readings": [{"at_s": 0, "quantity": "dc_v", "value": 1e300}]},
        {"readings": [{"at_s": -1, "quantity": "dc_v", "value": 1}]},
        {"readings": [{"at_s": 0, "quantity": "dc_v", "value": 1}] * 101},
        {"instrument": ""},
        {"instrument": "<script>"},
        {"extra": 1},
    ],
)
def test_what_cannot_be_readings_is_refused(bench: Bench, changed: dict[str, Any]) -> None:
    assert bench.post("/api/instruments/readings", json={**sent(5.0), **changed}).status_code == 422
    assert [one.name for one in bench.shop.instruments.listed()] == ["bench meter"]


def test_instruments_are_no_records_and_leave_with_no_export(bench: Bench) -> None:
    assert ADDRESS not in bench.get("/api/export?format=jsonl").text
