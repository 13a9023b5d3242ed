"""Only the addresses that bench instruments have, and only hosts of one's own networks."""

from __future__ import annotations

import pytest

from kb.errors import BadInput, InstrumentTrouble
from kb.instruments.addresses import read_address, where

GOOD = [
    "USB0::0x1AB1::0x0E11::EL0001::INSTR",
    "USB::0x1AB1::0x0E11::EL0001::0::INSTR",
    "ASRL/dev/ttyUSB0::INSTR",
    "ASRL/dev/serial/by-id/usb-a_b-if00-port0::INSTR",
    "ASRL/dev/cu.usbserial-1410::INSTR",
    "ASRLCOM3::INSTR",
    "ASRL3::INSTR",
    "TCPIP0::192.168.1.40::INSTR",
    "TCPIP::10.0.0.7::inst0::INSTR",
    "TCPIP0::169.254.3.4::5025::SOCKET",
    "TCPIP0::meter.lan::5025::SOCKET",
    "tcpip0::bench-meter::inst0::instr",
]
BAD = [
    "",
    "meter",
    "GPIB0::22::INSTR",
    "PXI0::3::INSTR",
    "VXI0::1::INSTR",
    "TCPIP0::192.168.1.40::22::SOCKET",
    "TCPIP0::192.168.1.40::80::SOCKET",
    "TCPIP0::192.168.1.40::70000::SOCKET",
    "TCPIP0::192.168.1.40::5025::INSTR",
    "TCPIP0::192.168.1.40::SOCKET",
    "TCPIP0::8.8.8.8::5025::SOCKET",
    "TCPIP0::169.254.169.254::5025::SOCKET",
    "TCPIP0::0.0.0.0::5025::SOCKET",
    "TCPIP0::224.0.0.1::5025::SOCKET",
    "TCPIP0::0x7f000001::5025::SOCKET",
    "TCPIP0::3232235777::5025::SOCKET",
    "TCPIP0::192.168.1::5025::SOCKET",
    "TCPIP0::user@host::5025::SOCKET",
    "TCPIP0::host/path::5025::SOCKET",
    "TCPIP0::-host::5025::SOCKET",
    "ASRL/etc/passwd::INSTR",
    "ASRL/dev/sda::INSTR",
    "ASRL/dev/tty../../sda::INSTR",
    "ASRL/dev/serial/by-id/../../sda::INSTR",
    "ASRL/dev/mem::INSTR",
    "ASRL::INSTR",
    "USB0::0x1AB1::0x0E11::a b::INSTR",
    "USB0::0x1AB1::0x0E11::RAW",
    "USB0::0x1AB1::0x0E11::EL0001::INSTR\nTCPIP0::8.8.8.8::INSTR",
    "TCPIP0::192.168.1.40::INSTR" + "x" * 300,
    "TCPIP0::ｍeter::INSTR",
]


@pytest.mark.parametrize("text", GOOD)
def test_addresses_of_bench_instruments_are_taken(text: str) -> None:
    assert read_address(f" {text} ").text == text


@pytest.mark.parametrize("text", BAD, ids=lambda text: ascii(text)[:60])
def test_any_other_address_is_refused_with_its_remedy(text: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_address(text)
    assert refused.value.field == "address"
    assert refused.value.remedy


def test_a_name_is_looked_up_once_and_the_number_is_used() -> None:
    address = read_address("TCPIP0::meter.lan::5025::SOCKET")
    number = where(address.host, lambda host: ["192.168.1.40"] if host == "meter.lan" else [])
    assert address.at(number) == "TCPIP0::192.168.1.40::5025::SOCKET"


@pytest.mark.parametrize("found", [["8.8.8.8"], ["192.168.1.40", "8.8.8.8"], ["169.254.169.254"], []])
def test_a_name_that_leads_outside_is_not_spoken_to(found: list[str]) -> None:
    with pytest.raises(InstrumentTrouble):
        where("meter.lan", lambda host: found)


def test_a_name_that_nobody_knows_is_said() -> None:
    def fails(host: str) -> list[str]:
        raise OSError("unknown")

    with pytest.raises(InstrumentTrouble, match=r"called meter\.lan"):
        where("meter.lan", fails)
