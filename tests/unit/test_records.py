"""Records refuse what they cannot mean, and are written in one way only."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from factories import a_case, case_json
from pydantic import ValidationError

from kb.errors import BadInput
from kb.exchange import lines as exchange
from kb.facts import vocabulary as words
from kb.model import (
    RECORD_TYPES,
    CaseRecord,
    EvidenceRecord,
    FamilyRecord,
    LoadRecord,
    Rail,
    as_dict,
    explain,
    problems,
)
from kb.model.problems import readable


def refused(model: Any, data: dict[str, Any]) -> BadInput:
    with pytest.raises(ValidationError) as caught:
        model.model_validate(data)
    return explain(caught.value)


def test_a_record_is_written_with_its_fields_in_order_and_empty_ones_left_out() -> None:
    assert exchange.write(CaseRecord(family="GL-31", notes="")) == '{"record":"case","family":"GL-31"}\n'
    assert list(as_dict(a_case("one")))[:4] == ["record", "uid", "family", "received"]


def test_what_is_written_reads_back_as_the_same_record() -> None:
    case = a_case("one")
    assert exchange.read_record(exchange.parse_json(exchange.write(case))) == case


def test_text_is_normalised_and_trimmed_but_its_inside_is_kept() -> None:
    found = CaseRecord.model_validate(case_json(complaint="  cafe\u0301\r\n  dark \t again "))
    assert found.complaint == "caf\u00e9\n  dark \t again"


@pytest.mark.parametrize("sign", ["\x00", "\x07", "\x1b", "\x85", "\u2028", "\ufeff"])
def test_invisible_control_characters_are_refused(sign: str) -> None:
    assert refused(CaseRecord, case_json(complaint=f"a{sign}b")).field == "complaint"


@pytest.mark.parametrize("sign", ["\n", "\t"])
def test_one_line_fields_refuse_a_second_line(sign: str) -> None:
    assert refused(CaseRecord, case_json(family=f"GL{sign}31")).field == "family"


@pytest.mark.parametrize("value", ["4.7", True, None, [4.7], {"v": 4.7}, float("nan"), float("inf"), 1e10])
def test_a_reading_takes_finite_numbers_only(value: Any) -> None:
    reading = {"rail": "5VSB", "supply": "standby", "value": value}
    assert refused(CaseRecord, case_json(readings=[reading])).field == "readings.0.value"


def test_a_reading_is_on_a_rail_or_at_a_point_never_both() -> None:
    for where in ({}, {"rail": "5VSB", "point": "TP1"}):
        reading = {**where, "supply": "standby", "value": 1.0}
        assert refused(CaseRecord, case_json(readings=[reading])).field == "readings.0.rail"


def test_money_has_at_most_two_decimals_and_keeps_them_exactly() -> None:
    attempt = {"part_class": "fuse", "section": "other"}
    case = CaseRecord.model_validate(case_json(attempts=[{**attempt, "cost": 0.07 + 0.22}]))
    assert case.attempts[0].cost == 0.29
    assert refused(CaseRecord, case_json(attempts=[{**attempt, "cost": 0.295}])).field == "attempts.0.cost"


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("2026-03-02", True),
        ("2024-02-29", True),
        ("2026-02-29", False),
        ("2026-3-2", False),
        ("20260302", False),
        ("2026-03-02T10:00", False),
        ("1969-12-31", False),
        ("٢٠٢٦-03-02", False),
    ],
)
def test_dates_are_days_of_the_calendar_since_1970(text: str, good: bool) -> None:
    if good:
        assert CaseRecord.model_validate({"family": "x", "received": text}).received == date.fromisoformat(
            text
        )
    else:
        assert refused(CaseRecord, {"family": "x", "received": text}).field == "received"


def test_a_symptom_is_named_once() -> None:
    twice = [{"name": "No picture"}, {"name": "no PICTURE", "present": False}]
    assert "twice" in refused(CaseRecord, case_json(symptoms=twice)).message


def test_a_family_tells_its_rails_and_numbers_apart() -> None:
    rail = {"name": "3.3V", "nominal_v": 3.3}
    assert refused(FamilyRecord, {"code": "A", "rails": [rail, {**rail, "name": "3V3"}]}).field == "rails"
    assert refused(FamilyRecord, {"code": "HX-210", "aliases": ["hx 210"]}).field == "aliases"
    assert refused(FamilyRecord, {"code": "..."}).field == "code"
    assert refused(Rail, {"name": "GND", "nominal_v": 0.0}).field == "nominal_v"
    FamilyRecord.model_validate({"code": "A", "rails": [rail, {"name": "33V", "nominal_v": 33.0}]})


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({"kind": "resistor"}, "ohm"),
        ({"kind": "lamp"}, "points"),
        ({"kind": "electronic"}, "max_a"),
        ({"kind": "lamp", "points": [[12.0, 0.0]]}, "points"),
        ({"kind": "lamp", "points": [[12.0]]}, "points.0"),
        ({"kind": "resistor", "ohm": -4.7}, "ohm"),
        ({"kind": "candle"}, "kind"),
    ],
)
def test_a_load_has_what_computing_with_it_needs(data: dict[str, Any], field: str) -> None:
    assert refused(LoadRecord, {"name": "load", **data}).field == field


def test_records_cannot_be_changed_once_made() -> None:
    with pytest.raises(ValidationError):
        a_case("one").notes = "changed"  # type: ignore[misc]


@pytest.mark.parametrize("model", [*RECORD_TYPES.values(), EvidenceRecord], ids=lambda model: model.__name__)
def test_every_record_refuses_fields_that_it_does_not_know(model: Any) -> None:
    with pytest.raises(ValidationError) as caught:
        model.model_validate({"surprise": 1})
    assert "surprise" in {problem.field for problem in problems(caught.value)}
    assert all(problem.remedy and problem.message.endswith(".") for problem in problems(caught.value))


@pytest.mark.parametrize(
    ("field", "spoken"),
    [
        ("family", "Family"),
        ("readings.0.value", "Value of reading 1"),
        ("follow_ups.2.date", "Date of follow-up 3"),
        ("aliases.1", "Other number 2"),
        ("rails.0.pins.3", "Pin 4 of rail 1"),
        ("7", "7"),
    ],
)
def test_a_field_is_spoken_of_as_people_do(field: str, spoken: str) -> None:
    assert readable(field) == spoken


def test_a_remedy_for_a_fixed_list_names_its_entries() -> None:
    found = refused(CaseRecord, case_json(verdict="fine"))
    assert all(word in str(found.remedy) for word in words.values(words.VERDICTS))


def test_a_field_name_made_up_by_a_stranger_is_kept_short_and_printable() -> None:
    found = refused(CaseRecord, {"family": "x", "\ud800" + "y" * 500: 1})
    assert len(str(found.field)) <= 80
    assert found.message.encode()
