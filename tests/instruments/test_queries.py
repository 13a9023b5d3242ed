"""The program asks instruments and never switches or sets them: all that can leave it is walked here."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from pretend_instrument import Pretend

from kb.errors import KbError
from kb.instruments import queries
from kb.instruments.session import Session

ROOM = Path(queries.__file__).parent
# A question without any parameter, of one header. What measures may configure the measuring, and nothing else does.
QUESTION = re.compile(r"\*[A-Z]{3}\?|[A-Z]{3,4}(?::[A-Z]{2,4})*\?")
# What a string that an instrument would obey looks like, in any file of the room.
LIKE_A_COMMAND = re.compile(
    r"(?i)\*(?:RST|CLS|TRG|RCL|SAV|ESE|SRE|OPC|WAI|TST|IDN|PSC)\b.*|:?(?:[A-Z]{3,}\d*:)+[A-Z]{2,}\d*\??(?: .*)?"
    r"|(?:OUTP(?:UT)?|INP(?:UT)?|VOLT(?:AGE)?|CURR(?:ENT)?|POW(?:ER)?|CONF(?:IGURE)?|INIT(?:IATE)?|ABOR(?:T)?"
    r"|SYST(?:EM)?|SOUR(?:CE)?|APPL(?:Y)?|FUNC(?:TION)?|READ|FETCH?|MEAS(?:URE)?)[0-9]*\??(?: .*)?"
)


def test_everything_that_is_sent_is_a_question() -> None:
    assert queries.ALL
    assert [text for text in queries.ALL if not QUESTION.fullmatch(text)] == []


@pytest.mark.parametrize("head", ["OUTP", "INP", "VOLT", "CURR", "FUNC"])
def test_what_could_switch_or_set_is_only_ever_asked_about(head: str) -> None:
    found = [text for text in queries.ALL if text.startswith(head)]
    assert found
    assert all(text == f"{head}?" for text in found)


def test_only_asking_for_a_measured_value_may_configure_a_meter() -> None:
    asking = {text for text in queries.ALL if text.startswith("MEAS")}
    for kind in queries.KINDS:
        assert {queries.question(kind, one) for one in queries.quantities(kind)} <= asking
        if kind != "meter":
            assert queries.quantities(kind) == ("dc_v", "amp")


def strings_like_commands(source: str) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(source)):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and LIKE_A_COMMAND.fullmatch(node.value)
        ):
            found.add(node.value)
    return found


# Words that look like one: functions that a meter names in an answer, and labels that people read.
NOT_SENT = {*queries._SET, "output", "input", "current limit", "measure"}


def test_no_module_of_the_room_holds_another_string_that_an_instrument_would_obey() -> None:
    files = sorted(ROOM.glob("*.py"))
    assert ROOM / "queries.py" in files
    for file in files:
        rest = strings_like_commands(file.read_text(encoding="utf-8")) - queries.ALL - NOT_SENT
        assert not rest, f"{file.name}: {rest}"


@pytest.mark.parametrize(
    "line",
    [
        'link.send("OUTP ON")',
        'link.send("*RST")',
        'link.send("SOUR:VOLT 5")',
        'x = "CONF:VOLT:DC"',
        'x = "INP ON"',
    ],
)
def test_a_string_that_would_be_obeyed_is_noticed(line: str) -> None:
    assert strings_like_commands(line) - queries.ALL - NOT_SENT


def test_the_line_itself_is_written_to_in_one_place_that_looks_first() -> None:
    sends = [
        (file.name, ast.unparse(node))
        for file in sorted(ROOM.glob("*.py"))
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in ("write", "send")
    ]
    wanted = [("session.py", "self._link.send(text)"), ("visa.py", "self._resource.write(text)")]
    assert [one for one in sends if one[0] not in ("logs.py",)] == wanted


@pytest.mark.parametrize(
    "text", ["OUTP ON", "*RST", "VOLT 5", "MEAS:VOLT:DC? 10", "*IDN?;OUTP ON", "INP?\nINP ON", ""]
)
def test_nothing_else_gets_past_the_last_look(text: str) -> None:
    pretend = Pretend()
    with pytest.raises(RuntimeError):
        Session(pretend, "meter")._ask(text)
    assert pretend.sent == []


@pytest.mark.parametrize("kind", queries.KINDS)
def test_a_whole_conversation_with_every_fault_sends_questions_only(kind: queries.Kind) -> None:
    answers = dict.fromkeys(queries.ALL, "1") | {
        "FUNC?": '"VOLT"',
        "SYST:ERR?": '-113,"Undefined header"',
    }
    for broken in sorted(queries.ALL):
        pretend = Pretend(**answers)
        pretend.answers["*IDN?"] = "QUAYSIDE,BM-5,0042,1.7"
        for fault in ("silent", "text", "late"):
            if fault == "silent":
                pretend.answers.pop(broken, None)
            elif fault == "text":
                pretend.answers[broken] = "HELLO"
            else:
                pretend.late, pretend.stubborn = {broken}, True
            session = Session(pretend, kind, "as set", patience_s=0.01)
            for quantity in ("dc_v", "amp", "ohm"):
                for ask in (session.who, lambda: session.read(quantity), session.settings):  # noqa: B023
                    try:
                        ask()
                    except KbError:
                        continue
        assert set(pretend.sent) <= queries.ALL


def test_the_function_that_a_meter_names_is_known_by_its_long_and_short_name() -> None:
    assert queries.quantity_set("VOLT") == "dc_v"
    assert queries.quantity_set("volt:ac") == "ac_v"
    assert queries.quantity_set("CURR:AC") is None
