"""A conversation that goes wrong gives a clear sentence, and never somebody else's answer as a reading."""

from __future__ import annotations

import itertools
from decimal import Decimal

import pytest
from pretend_instrument import NAME, Pretend

from kb.errors import InstrumentTrouble
from kb.instruments.responses import plain
from kb.instruments.session import Session

SLOW = 0.01


def session(pretend: Pretend, way: str = "measure", kind: str = "meter") -> Session:
    return Session(pretend, kind, way, patience_s=SLOW)  # type: ignore[arg-type]


def trouble(work: object) -> InstrumentTrouble:
    with pytest.raises(InstrumentTrouble) as found:
        work()  # type: ignore[operator]
    assert found.value.remedy
    return found.value


def test_a_reading_is_the_number_that_was_sent_exactly() -> None:
    pretend = Pretend(**{"MEAS:VOLT:DC?": "+5.03124570E+00"})
    assert session(pretend).read("dc_v").value == Decimal("5.03124570")
    assert pretend.sent == ["*IDN?", "MEAS:VOLT:DC?", "*IDN?"]


@pytest.mark.parametrize(
    "answer",
    [
        "HELLO",
        "5.03 V",
        "5.03,5.04",
        "5,03",
        "",
        "#15HELLO",
        "0x05",
        "1_000",
        "٣",
        "nan",
        "inf",
        "5.03E+1234",
        "1E20",
        "--5",
    ],
)
def test_what_is_no_number_is_no_reading(answer: str) -> None:
    pretend = Pretend()
    pretend.answers["MEAS:VOLT:DC?"] = lambda: answer.encode("utf-8").decode("latin-1")
    said = trouble(lambda: session(pretend).read("dc_v"))
    assert "ns" in said.message or "no text" in said.message


def test_silence_is_said_with_its_seconds() -> None:
    pretend = Pretend()
    del pretend.answers["MEAS:VOLT:DC?"]
    assert trouble(lambda: session(pretend).read("dc_v")).message == "It gave no answer within 0.01 s."


def test_a_question_that_it_does_not_know_is_told_in_its_own_words() -> None:
    queue = itertools.chain(
        ['-222,"Data out of range"', '-113,"Undefined header"'], itertools.repeat('+0,"No error"')
    )
    pretend = Pretend()
    pretend.answers["SYST:ERR?"] = lambda: next(queue)
    said = trouble(lambda: session(pretend).read("farad"))
    assert said.message == "It cannot be asked for capacitance; it says: -113 Undefined header."


@pytest.mark.parametrize("stubborn", [False, True])
def test_a_late_answer_is_never_taken_for_the_next_reading(stubborn: bool) -> None:
    values = iter(["+1.0E+00", "+2.0E+00", "+3.0E+00", "+4.0E+00"])
    pretend = Pretend()
    pretend.answers["MEAS:VOLT:DC?"] = lambda: next(values)
    pretend.late, pretend.stubborn = {"MEAS:VOLT:DC?"}, stubborn
    one = session(pretend)
    trouble(lambda: one.read("dc_v"))  # the answer 1 V is still on its way
    pretend.late = set()
    assert one.read("dc_v").value == Decimal("2.0")


def test_an_answer_to_a_question_of_somebody_else_is_noticed_and_thrown_away() -> None:
    pretend = Pretend()
    one = session(pretend)
    assert one.read("dc_v").value == Decimal("5.0312")
    pretend._waiting.append(b"+230.1E+00\n")  # another program asked for the mains
    said = trouble(lambda: one.read("dc_v"))
    assert said.message.startswith("It answered another question than this one")
    assert one.read("dc_v").value == Decimal("5.0312")


def test_another_instrument_at_the_same_address_is_noticed() -> None:
    pretend = Pretend()
    one = session(pretend)
    one.read("dc_v")
    pretend.answers["*IDN?"] = "QUAYSIDE,BM-5,0043,1.7"
    trouble(lambda: one.read("dc_v"))
    assert "Another instrument answers" in trouble(lambda: one.read("dc_v")).message


@pytest.mark.parametrize(
    "answer", ["ERROR", "SSH-2.0-server", "a,b,c", "a,b,c,d,e", ",,,", "a,b,c,d;1", "220 mail ready"]
)
def test_what_does_not_say_who_it_is_is_no_instrument_and_is_not_shown(answer: str) -> None:
    said = trouble(session(Pretend(**{"*IDN?": answer})).who)
    assert "does not say who it is" in said.message
    assert answer not in said.message + (said.remedy or "")


def test_unplugging_in_the_middle_is_said() -> None:
    pretend = Pretend()
    one = session(pretend)
    one.read("dc_v")
    pretend.gone = True
    assert "unplugged" in trouble(lambda: one.read("dc_v")).message
    pretend.gone = False
    assert one.read("dc_v").value == Decimal("5.0312")


def test_a_meter_left_as_it_is_set_is_read_only_where_that_is_the_quantity() -> None:
    pretend = Pretend(**{"FUNC?": '"VOLT:DC"', "READ?": "4.99"})
    assert session(pretend, "as set").read("dc_v").value == Decimal("4.99")
    assert "MEAS:VOLT:DC?" not in pretend.sent
    said = trouble(lambda: session(pretend, "as set").read("ohm"))
    assert said.message == "The meter is set to direct voltage, and resistance is wanted here."


def test_settings_of_a_supply_are_shown_and_what_it_does_not_say_stays_empty() -> None:
    pretend = Pretend(**{"VOLT?": "12.000", "CURR?": "9.9E37"})
    found = {one.label: one.text for one in session(pretend, kind="supply").settings()}
    assert found == {"set to": "12 V", "current limit": "no limit", "output": ""}


def test_a_talker_without_end_and_bytes_that_are_no_text_are_refused() -> None:
    for raw in (b"1" * 300, b"\xff\x00\n", b"5.0\x07\n"):
        with pytest.raises(InstrumentTrouble):
            plain(raw)
    assert plain(b" +5.0 \r\n") == "+5.0"


def test_nothing_is_asked_of_an_instrument_that_cannot_measure_it() -> None:
    pretend = Pretend(**{"*IDN?": NAME})
    said = trouble(lambda: session(pretend, kind="load").read("ohm"))
    assert "does not measure resistance" in said.message
    assert pretend.sent == []
