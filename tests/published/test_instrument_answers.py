"""Answers of instruments against the forms that published programming guides give for IEEE 488.2 and SCPI-1999."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from kb.errors import InstrumentTrouble
from kb.instruments.responses import identity, measured, queued_error, string

KNOWN: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "data" / "instrument_answers.toml").read_text(encoding="utf-8")
)


@pytest.mark.parametrize("entry", KNOWN["number"], ids=lambda one: one["text"])
def test_numbers_of_all_three_forms_are_read_exactly(entry: dict[str, str]) -> None:
    found = measured(entry["text"])
    assert (found.state, found.value) == ("value", Decimal(entry["value"]))


@pytest.mark.parametrize("entry", KNOWN["special"], ids=lambda one: one["text"])
def test_infinity_and_not_a_number_are_no_values(entry: dict[str, str]) -> None:
    found = measured(entry["text"])
    assert (found.state, found.value) == (entry["state"], None)


@pytest.mark.parametrize("entry", KNOWN["refused"], ids=lambda one: one["text"])
def test_what_nobody_can_measure_is_no_reading(entry: dict[str, str]) -> None:
    with pytest.raises(InstrumentTrouble):
        measured(entry["text"])


@pytest.mark.parametrize("entry", KNOWN["identity"], ids=lambda one: one["model"])
def test_the_four_fields_of_an_identity_are_told_apart(entry: dict[str, str]) -> None:
    found = identity(entry["text"])
    assert [found.maker, found.model, found.serial, found.firmware] == [
        entry[name] for name in ("maker", "model", "serial", "firmware")
    ]


@pytest.mark.parametrize("entry", KNOWN["error"], ids=lambda one: one["text"])
def test_an_entry_of_the_error_queue_is_a_number_and_words(entry: dict[str, Any]) -> None:
    found = queued_error(entry["text"])
    assert (found.number, found.text) == (entry["number"], entry["words"])


@pytest.mark.parametrize("entry", KNOWN["string"], ids=lambda one: one["text"])
def test_a_string_loses_its_marks_and_keeps_doubled_ones_once(entry: dict[str, str]) -> None:
    assert string(entry["text"]) == entry["words"]
