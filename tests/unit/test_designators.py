"""Designators are recognised and codes compared the way people write them."""

from __future__ import annotations

import pytest

from kb.facts.designators import (
    CLASS_LETTERS,
    code_key,
    designator_letters,
    is_designator,
    kinds_for_letters,
    kinds_of_designator,
    normalise_designator,
    rail_key,
)
from kb.facts.parts import PART_CLASSES


@pytest.mark.parametrize("text", ["c 9", "C9", " c9 ", "C-9", "c_9", "\uff239", "C\u20119"])
def test_one_capacitor_is_one_designator_however_it_is_written(text: str) -> None:
    assert normalise_designator(text) == "C9"


def test_a_letter_after_the_number_and_leading_zeros_are_kept() -> None:
    assert normalise_designator("q901 a") == "Q901A"
    assert normalise_designator("C09") == "C09"


def test_other_text_is_only_tidied() -> None:
    assert normalise_designator("  the  big   cap ") == "the big cap"


@pytest.mark.parametrize("text", ["C9", "q1", "CN2", "TP3", "IC 401", "U1B", "ZD12", "BD1"])
def test_designators_are_recognised(text: str) -> None:
    assert is_designator(text)


@pytest.mark.parametrize(
    "text", ["HX-210", "LP-77", "UC3842", "5VSB", "C", "9", "", "C9 C10", "C12345", "D5/D6", "VLED 1"]
)
def test_codes_and_part_numbers_are_not_designators(text: str) -> None:
    assert not is_designator(text)


def test_letters_give_the_kinds_of_part() -> None:
    assert designator_letters("c 9") == "C"
    assert designator_letters("HX-210") is None
    assert kinds_of_designator("Q1")[0] == "transistor"
    assert kinds_for_letters("rv")[0] == "varistor"
    assert kinds_for_letters("QQ") == ()
    assert kinds_of_designator("HX-210") == ()


def test_each_class_is_listed_once_with_a_kind() -> None:
    letters = [entry.letters for entry in CLASS_LETTERS]
    assert len(letters) == len(set(letters))
    assert all(entry.kinds for entry in CLASS_LETTERS)


def test_every_letter_of_the_part_classes_is_known() -> None:
    for part in PART_CLASSES:
        for letters in part.letters:
            assert kinds_for_letters(letters), (part.name, letters)


def test_one_code_has_one_key() -> None:
    assert (
        len({code_key(code) for code in ("HX-210", "hx210", "HX 210", "hx_210", "HX.2/10", "HX\u2013210")})
        == 1
    )
    assert code_key("HX-210") != code_key("HX-211")


def test_a_plus_is_ignored_and_a_minus_is_kept_in_rail_names() -> None:
    assert rail_key("+12V") == rail_key("12 v") == rail_key("12V")
    assert rail_key("-12V") == rail_key("\u221212 V") == rail_key("- 12V")
    assert rail_key("-12V") != rail_key("+12V")
    assert rail_key("B+") != rail_key("B-")


def test_the_decimal_mark_of_a_rail_name_counts() -> None:
    assert rail_key("3.3V") == rail_key("3V3") == rail_key("3,3 V") == rail_key("+3.3 V")
    assert rail_key("3.3V") != rail_key("33V")
    assert rail_key("12V1") != rail_key("12V2")
    assert rail_key("3V3SB") == rail_key("3.3V_SB")
