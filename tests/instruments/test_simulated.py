"""A meter, a supply and a load of our own description (`bench.yaml`), read through pyvisa as real ones are."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from commands import STUCK_S

from kb.errors import InstrumentTrouble
from kb.instruments import visa
from kb.instruments.desk import Desk
from kb.instruments.registry import checked
from kb.instruments.session import Gone, Session

LIBRARY = f"{Path(__file__).with_name('bench.yaml')}@sim"
METER, SUPPLY, LOAD, STRANGER = (
    "TCPIP0::192.168.7.40::5025::SOCKET",
    "TCPIP0::192.168.7.41::inst0::INSTR",
    "USB0::0x1AB1::0x0E11::EL0001::INSTR",
    "TCPIP0::192.168.7.66::5025::SOCKET",
)


def session(address: str, kind: str = "meter") -> Session:
    link = visa.open_link(LIBRARY, address, 9600, hosts=lambda host: [host])
    return Session(link, kind, patience_s=0.05)  # type: ignore[arg-type]


def test_a_meter_on_a_network_and_one_on_a_serial_line_say_who_they_are_and_what_they_measure() -> None:
    for address in (METER, "ASRL3::INSTR"):
        one = session(address)
        assert one.who().shown == "QUAYSIDE BM-5 0042"
        assert one.read("dc_v").value == Decimal("5.0312")
        assert one.read("diode_v").value == Decimal("0.5234")
        one.close()


def test_overload_not_a_number_text_and_an_unknown_question_of_a_simulated_meter() -> None:
    one = session(METER)
    assert one.read("ac_v").state == "over"
    assert one.read("amp").state == "none"
    with pytest.raises(InstrumentTrouble, match="answered “HELLO”"):
        one.read("hz")
    with pytest.raises(InstrumentTrouble, match=r"capacitance; it says: -113 Undefined header"):
        one.read("farad")
    assert one.read("dc_v").value == Decimal("5.0312")
    one.close()


def test_a_supply_and_a_load_are_read_and_what_is_set_is_shown() -> None:
    supply, load = session(SUPPLY, "supply"), session(LOAD, "load")
    assert (supply.read("dc_v").value, supply.read("amp").value) == (Decimal("12.001"), Decimal("0.352"))
    assert [(one.label, one.text) for one in supply.settings()] == [
        ("set to", "12 V"),
        ("current limit", "no limit"),
        ("output", "on"),
    ]
    assert (load.read("dc_v").value, load.read("amp").value) == (Decimal("11.87"), Decimal("1.498"))
    assert [one.text for one in load.settings()] == ["CURR", "1.5 A", "on"]
    supply.close()
    load.close()


def test_what_is_no_instrument_is_not_taken_for_one() -> None:
    with pytest.raises(InstrumentTrouble, match="does not say who it is"):
        session(STRANGER).who()


def test_an_address_where_nothing_is_gives_no_line() -> None:
    with pytest.raises(Gone):
        session("TCPIP0::192.168.7.99::5025::SOCKET")


def test_an_instrument_that_is_silent_is_said_to_be(tmp_path: Path) -> None:
    text = Path(LIBRARY.removesuffix("@sim")).read_text(encoding="utf-8")
    silent = tmp_path / "silent.yaml"
    without = "\n".join(
        line for line in text.splitlines() if "MEAS:VOLT:DC?" not in line and "SYST:ERR?" not in line
    )
    silent.write_text(
        without.replace("      error_queue:\n", "").replace("    error:\n", "    error: {}\n"),
        encoding="utf-8",
        newline="",
    )
    link = visa.open_link(f"{silent}@sim", METER, 9600, hosts=lambda host: [host])
    one = Session(link, "meter", patience_s=0.05)
    with pytest.raises(InstrumentTrouble, match=r"no answer within 0\.05 s"):
        one.read("dc_v")
    assert one.read("diode_v").value == Decimal("0.5234")


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk(None, LIBRARY, patience_s=0.05)
    yield made
    made.close()


def test_what_is_plugged_in_is_found_and_named_and_read(desk: Desk) -> None:
    assert METER in [one.address for one in desk.find()]
    desk.save(checked("bench meter", METER, "meter", "dc_v", "measure", "9600"))
    assert METER not in [one.address for one in desk.find()]
    assert desk.take("bench meter", "dc_v", "p1", "a page").result(STUCK_S).text == "5.0312 V"
    who, settings, text = desk.look("bench meter", "p1").result(STUCK_S)
    assert (who.model, settings, text) == ("BM-5", (), "5.0312 V")


def test_an_instrument_that_is_not_there_is_said_by_its_name(desk: Desk) -> None:
    desk.save(
        checked("bench meter", "TCPIP0::192.168.7.99::5025::SOCKET", "meter", "dc_v", "measure", "9600")
    )
    with pytest.raises(InstrumentTrouble, match="Bench meter cannot be reached"):
        desk.take("bench meter", "dc_v", "p1", "a page").result(STUCK_S)


def test_without_the_extra_the_program_says_what_is_missing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.save(checked("bench meter", METER, "meter", "dc_v", "measure", "9600"))
    real = visa.importlib.import_module

    def missing(name: str) -> object:
        if name.startswith(("pyvisa", "serial")):
            raise ImportError(name)
        return real(name)

    monkeypatch.setattr(visa.importlib, "import_module", missing)
    assert desk.missing
    for work in (desk.find, lambda: desk.take("bench meter", "dc_v", "p1", "").result(STUCK_S)):
        with pytest.raises(InstrumentTrouble) as refused:
            work()
        assert "not installed" in refused.value.message
        assert "kb-boards[meter]" in str(refused.value.remedy)


def test_looking_for_what_is_plugged_in_asks_nobody_on_the_network(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        visa, "_manager", lambda library: pytest.fail("the library would ask the whole network")
    )
    assert isinstance(visa.find("@py"), list)
