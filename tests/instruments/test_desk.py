"""One instrument, one owner at a time; lowest and highest; logs; and what is kept of an instrument."""

from __future__ import annotations

import json
import stat
import threading
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from commands import STUCK_S
from pretend_instrument import Pretend
from processes import until

from kb import system
from kb.bench.meter_log import read_log, summarise
from kb.errors import BadInput, InstrumentTrouble, NotFound, Taken
from kb.instruments.desk import LEASE_S, Desk
from kb.instruments.logs import About
from kb.instruments.registry import MOST, checked
from kb.instruments.responses import Measured

ABOUT = About("12V of HB-9, soak", case="one", rail="12V", supply="running", load="test load")


def instrument(
    name: str = "bench meter", address: str = "TCPIP0::192.168.7.40::5025::SOCKET", **changed: str
) -> Any:
    return checked(
        name, address, **{"kind": "meter", "quantity": "dc_v", "way": "measure", "baud": "9600", **changed}
    )


class Bench:
    """A desk with one pretended meter on it, and a clock that only moves when told to."""

    def __init__(self, folder: Path | None = None) -> None:
        self.now = 1000.0
        self.meter = Pretend()
        self.desk = Desk(folder, open_link=self.meter.open, clock=lambda: self.now, patience_s=0.01)
        self.desk.sample_every_s = self.desk.log_every_s = 0.002
        self.desk.save(instrument())

    def take(self, quantity: str = "dc_v", page: str = "p1") -> Any:
        return self.desk.take("bench meter", quantity, page, "a page").result(STUCK_S)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.desk.close()


def test_a_reading_is_text_as_it_would_be_typed_with_its_instrument_and_time(bench: Bench) -> None:
    taken = bench.take()
    assert (taken.text, taken.low, taken.high) == ("5.0312 V", "", "")
    assert taken.origin.startswith("bench meter, ")
    assert taken.origin.endswith(" UTC")
    assert bench.desk.origin(taken.id, "5.0312 V") == taken.origin
    assert bench.desk.origin(taken.id, "5VSB standby 5.0312 V dc") == taken.origin
    for changed in ("5.1 V", "15.0312 V", "-5.0312 V", "5.0312 Volts", "5.0312", "1.5.0312 V", ""):
        assert bench.desk.origin(taken.id, changed) == ""
    assert bench.desk.origin("unknown", "5.0312 V") == ""


def test_an_overload_on_volts_is_no_reading_and_on_ohms_it_is_ol(bench: Bench) -> None:
    bench.meter.answers |= {
        "MEAS:VOLT:DC?": "9.9E37",
        "MEAS:RES?": "+9.90000000E+37",
        "MEAS:DIOD?": "-9.9E37",
    }
    with pytest.raises(
        InstrumentTrouble, match=r"Bench meter shows an overload: what it measures is above its range"
    ):
        bench.take()
    assert bench.take("ohm").text == "OL"
    with pytest.raises(InstrumentTrouble, match="below its range"):
        bench.take("diode_v")
    bench.meter.answers["MEAS:VOLT:DC?"] = "9.91E37"
    with pytest.raises(InstrumentTrouble, match="no valid value"):
        bench.take()


def test_two_pages_on_one_meter_get_a_clear_sentence(bench: Bench) -> None:
    bench.desk.record("bench meter", "dc_v", "p1", "the bench test of HB-9, 5VSB in standby, night shift")
    with pytest.raises(InstrumentTrouble) as refused:
        bench.take(page="p2")
    assert (
        refused.value.message
        == "Bench meter is in use: the bench test of HB-9, 5VSB in standby, night shift."
    )
    assert refused.value.remedy
    bench.now += LEASE_S + 1  # the first page was closed
    assert bench.take(page="p2").text == "5.0312 V"
    with pytest.raises(InstrumentTrouble, match="Nothing is being recorded any more"):
        bench.desk.watch("bench meter", "p1")


def test_a_page_whose_reading_is_under_way_has_the_meter_alone(bench: Bench) -> None:
    asked, goes_on = threading.Event(), threading.Event()

    def slowly() -> str:
        asked.set()
        assert goes_on.wait(STUCK_S)
        return "+1.0E+00"

    bench.meter.answers["MEAS:VOLT:DC?"] = slowly
    first = bench.desk.take("bench meter", "dc_v", "p1", "a page")
    assert asked.wait(STUCK_S)
    with pytest.raises(InstrumentTrouble, match="in use: a page"):
        bench.desk.take("bench meter", "dc_v", "p2", "another")
    goes_on.set()
    assert first.result(STUCK_S).text == "1 V"
    assert bench.take(page="p2").text == "1 V"


def test_lowest_and_highest_since_the_button_come_with_the_reading(bench: Bench) -> None:
    values = iter(["+5.00E+00", "+4.75E+00", "+5.25E+00"])
    bench.meter.answers["MEAS:VOLT:DC?"] = lambda: next(values, "+5.01E+00")
    bench.desk.record("bench meter", "dc_v", "p1", "a page")
    until(lambda: bench.desk.watch("bench meter", "p1").count >= 4)
    live = bench.desk.watch("bench meter", "p1")
    assert (live.low, live.high, live.trouble) == ("4.75 V", "5.25 V", "")
    taken = bench.take()
    assert (taken.text, taken.low, taken.high, taken.note) == ("5.01 V", "4.75 V", "5.25 V", "")
    assert bench.take().low == ""


def test_an_overload_meanwhile_leaves_lowest_and_highest_open(bench: Bench) -> None:
    values = iter(["+5.00E+00", "9.9E37"])
    bench.meter.answers["MEAS:VOLT:DC?"] = lambda: next(values, "+5.01E+00")
    bench.desk.record("bench meter", "dc_v", "p1", "a page")
    until(lambda: bench.desk.watch("bench meter", "p1").count >= 2)
    taken = bench.take()
    assert (taken.text, taken.low, taken.high) == ("5.01 V", "", "")
    assert "not known" in taken.note


def test_unplugging_while_recording_is_said_and_goes_on_when_it_is_back(bench: Bench) -> None:
    bench.desk.record("bench meter", "dc_v", "p1", "a page")
    until(lambda: bench.desk.watch("bench meter", "p1").count >= 1)
    bench.meter.gone = True
    until(lambda: "annot be reached" in bench.desk.watch("bench meter", "p1").trouble)
    with pytest.raises(InstrumentTrouble, match="unplugged"):
        bench.take()
    bench.meter.gone = False
    before = bench.desk.watch("bench meter", "p1").count
    until(lambda: bench.desk.watch("bench meter", "p1").count > before)
    assert "missing" in bench.take().note


def test_a_log_is_read_by_the_same_reader_as_one_of_a_meters_own_program(bench: Bench) -> None:
    values = iter(["+12.00E+00", "+11.90E+00", "9.9E37", "+12.10E+00"])

    def next_value() -> str:
        bench.now += 1.0
        return next(values, "+12.00E+00")

    bench.meter.answers["MEAS:VOLT:DC?"] = next_value
    log = bench.desk.begin_log("bench meter", ABOUT)
    until(lambda: log.values >= 6)
    with pytest.raises(InstrumentTrouble, match=r"in use: a log of 12V of HB-9, soak\."):
        bench.take()
    ended = bench.desk.end_log(log.id)
    assert not ended.running
    found = read_log(bench.desk.logs.text(ended))
    summary = summarise(found, 12.0)
    assert (summary.min_v, summary.max_v) == (11.9, 12.1)
    assert (len(found.volts), found.skipped) == (ended.values, ended.failed) == (summary.rows, 1)
    assert summary.duration_s == pytest.approx(ended.values + ended.failed - 1)
    assert bench.take().text == "12 V"


def test_a_log_that_a_stop_of_the_program_broke_off_is_there_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    log = bench.desk.begin_log("bench meter", ABOUT)
    until(lambda: log.values >= 3)
    bench.desk.close()
    again = Desk(tmp_path, clock=lambda: 1.0)
    (found,) = again.logs.all()
    assert (found.id, found.about, found.running) == (log.id, ABOUT, False)
    assert found.values == log.values
    assert len(read_log(again.logs.text(found)).volts) == log.values
    assert [one.name for one in again.registry.all()] == ["bench meter"]
    again.close()


def test_a_meter_that_says_nothing_for_long_ends_its_log_by_itself(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kb.instruments.logs.GIVES_UP_AFTER", 5)
    bench.meter.gone = True
    log = bench.desk.begin_log("bench meter", ABOUT)
    until(lambda: not log.running)
    assert log.trouble.startswith(
        "It ended by itself after 5 samples without a value. Bench meter cannot be reached"
    )
    bench.meter.gone = False
    assert bench.take().text == "5.0312 V"


def test_a_desk_ends_although_an_instrument_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kb.instruments.worker._END_S", 0.0)
    asked, never = threading.Event(), threading.Event()
    bench = Bench()

    def hang() -> str:
        asked.set()
        never.wait(STUCK_S)
        return "1"

    bench.meter.answers["MEAS:VOLT:DC?"] = hang
    bench.desk.take("bench meter", "dc_v", "p1", "a page")
    assert asked.wait(STUCK_S)
    bench.desk.close()
    never.set()


def test_names_and_addresses_are_those_of_one_instrument(bench: Bench) -> None:
    with pytest.raises(Taken):
        bench.desk.save(instrument("Bench Meter", "ASRL3::INSTR"))
    with pytest.raises(Taken):
        bench.desk.save(instrument("other", "tcpip0::192.168.7.40::5025::socket"))
    bench.desk.save(instrument("renamed"), "bench meter")
    assert [one.name for one in bench.desk.registry.all()] == ["renamed"]
    for number in range(1, MOST):
        bench.desk.save(instrument(f"meter {number}", f"ASRL{number}::INSTR"))
    with pytest.raises(BadInput):
        bench.desk.save(instrument("one too many", "ASRL99::INSTR"))
    bench.desk.remove("renamed")
    with pytest.raises(NotFound):
        bench.desk.remove("renamed")
    with pytest.raises(NotFound):
        bench.desk.take("renamed", "dc_v", "p1", "")


def test_an_instrument_in_use_is_neither_changed_nor_removed(bench: Bench) -> None:
    log = bench.desk.begin_log("bench meter", ABOUT)
    for work in (
        lambda: bench.desk.remove("bench meter"),
        lambda: bench.desk.save(instrument(kind="load"), "bench meter"),
    ):
        with pytest.raises(InstrumentTrouble, match="a log of"):
            work()
    bench.desk.end_log(log.id)
    bench.desk.remove("bench meter")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("name", ""),
        ("name", "x" * 41),
        ("name", "<b>"),
        ("kind", "oven"),
        ("quantity", "ripple_v"),
        ("way", "x"),
        ("baud", "9601"),
        ("address", "http://192.168.1.1/"),
    ],
)
def test_what_cannot_be_an_instrument_names_its_field(field: str, value: str) -> None:
    given = {
        "name": "meter",
        "address": "ASRL3::INSTR",
        "kind": "meter",
        "quantity": "dc_v",
        "way": "measure",
        "baud": "9600",
    }
    with pytest.raises(BadInput) as refused:
        checked(**{**given, field: value})
    assert refused.value.field == field


def test_the_list_is_for_its_owner_only_and_a_damaged_one_stops_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    file = tmp_path / "instruments.json"
    if system.KIND != "windows":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert json.loads(file.read_text(encoding="utf-8"))[0]["name"] == "bench meter"
    bench.desk.close()
    file.write_text('[{"name": "x", "address": "http://evil/"}]', encoding="utf-8", newline="")
    assert Desk(tmp_path).registry.all() == []


# What another computer sends


def sent(*values: float | None, at: float = 0.0) -> list[tuple[float, str, Measured]]:
    return [
        (at + number, "dc_v", Measured("value", Decimal(repr(one))) if one is not None else Measured("over"))
        for number, one in enumerate(values)
    ]


def test_the_newest_that_another_computer_sent_is_taken_while_it_is_fresh(bench: Bench) -> None:
    assert bench.desk.receive("quay meter", "night shift", "k1", 2.0, sent(4.9, 5.0, 5.1))
    taken = bench.desk.take("quay meter", "dc_v", "p1", "a page").result(STUCK_S)
    assert taken.text == "5.1 V"
    assert [one.name for one in bench.desk.listed()] == ["bench meter", "quay meter"]
    with pytest.raises(InstrumentTrouble, match="sends another quantity, and resistance is wanted"):
        bench.desk.take("quay meter", "ohm", "p1", "a page")
    bench.now += 60
    with pytest.raises(InstrumentTrouble, match="Quay meter has sent nothing for 60 s"):
        bench.desk.take("quay meter", "dc_v", "p1", "a page")


def test_what_is_sent_twice_counts_once(bench: Bench) -> None:
    log_of = bench.desk.receive("quay meter", "night shift", "k1", 0.0, sent(5.0))
    assert log_of
    log = bench.desk.begin_log("quay meter", ABOUT)
    assert bench.desk.receive("quay meter", "night shift", "k2", 3.0, sent(5.0, 5.1, 5.2, at=1.0))
    assert not bench.desk.receive("quay meter", "night shift", "k2", 3.0, sent(5.0, 5.1, 5.2, at=1.0))
    assert (log.values, log.failed) == (3, 0)
    assert bench.desk.receive("quay meter", "night shift", "k3", 4.0, sent(None, at=4.0))
    assert (log.values, log.failed) == (3, 1)
    bench.desk.end_log(log.id)


def test_readings_that_waited_for_the_server_keep_their_own_time_and_are_not_taken_for_now(
    bench: Bench,
) -> None:
    bench.desk.receive("quay meter", "night shift", "k1", 10.0, sent(5.0, at=10.0))
    log = bench.desk.begin_log("quay meter", ABOUT)
    bench.now += 120  # the server was away for two minutes; what was measured at 11 and 12 comes now
    bench.desk.receive("quay meter", "night shift", "k2", 12.0, sent(1.0, 2.0, at=11.0))
    rows = bench.desk.logs.text(log).splitlines()[1:]
    assert rows == ["1.00;1", "2.00;2"]
    bench.desk.end_log(log.id)
    with pytest.raises(InstrumentTrouble, match="has sent nothing for 118 s"):
        bench.desk.take("quay meter", "dc_v", "p1", "a page")


def test_nobody_sends_under_the_name_of_somebody_else_or_of_an_own_instrument(bench: Bench) -> None:
    bench.desk.receive("quay meter", "night shift", "", 0.0, sent(5.0))
    with pytest.raises(Taken):
        bench.desk.receive("quay meter", "day shift", "", 0.0, sent(230.0))
    with pytest.raises(Taken):
        bench.desk.receive("Bench meter", "night shift", "", 0.0, sent(5.0))
    with pytest.raises(Taken):
        bench.desk.save(instrument("quay meter", "ASRL3::INSTR"))
