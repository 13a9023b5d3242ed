"""What is shown reads back as what was shown, and no text ever does anything but parse or be refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import partial

from hypothesis import given, settings
from hypothesis import strategies as st

from kb.errors import BadInput
from kb.facts.designators import code_key, normalise_designator, rail_key
from kb.facts.values import (
    UNITS,
    ReadingLine,
    format_quantity,
    format_si_plain,
    parse_iso_date,
    parse_minutes,
    parse_money,
    parse_quantity,
    parse_reading_line,
    parse_share,
    parse_tolerance,
)

units = st.sampled_from(sorted(UNITS))
magnitudes = st.builds(
    lambda digits, power: Decimal(digits).scaleb(power),
    st.integers(min_value=1, max_value=999_999_999),
    st.integers(min_value=-17, max_value=2),
)
benchlike = st.text(alphabet="0123456789.,-+ VvkKMmRrpnuµΩFHzACLOESBol%°ex()±/=:\u2212", max_size=40)
RAILS = ["5V", "5VSB", "+12V", "-12V", "VLED 1"]


def _outcome(parse: Callable[[], object]) -> object:
    """What a parser returned, or its refusal; any other exception is a failure of the test."""
    try:
        return parse()
    except BadInput as refusal:
        return refusal


def _rounded(value: Decimal, digits: int) -> Decimal:
    return Context(prec=digits, rounding=ROUND_HALF_UP).plus(value)


@settings(derandomize=True, deadline=None, max_examples=400)
@given(magnitude=magnitudes, negative=st.booleans(), unit=units, digits=st.integers(1, 9))
def test_a_shown_quantity_reads_back_to_the_digits_shown(
    magnitude: Decimal, negative: bool, unit: str, digits: int
) -> None:
    value = -magnitude if negative and UNITS[unit].may_be_negative else magnitude
    assert parse_quantity(format_quantity(value, unit, digits), unit) == _rounded(value, digits)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(magnitude=magnitudes, unit=units)
def test_the_plain_form_reads_back_exactly(magnitude: Decimal, unit: str) -> None:
    text = format_si_plain(magnitude)
    assert "E" not in text
    if unit != "F" or magnitude < 10:
        assert parse_quantity(text, unit) == magnitude


@settings(derandomize=True, deadline=None, max_examples=200)
@given(whole=st.integers(0, 999_999), decimals=st.text("0123456789", min_size=1, max_size=2))
def test_decimal_point_and_decimal_comma_mean_the_same(whole: int, decimals: str) -> None:
    assert parse_quantity(f"{whole}.{decimals}", "V") == parse_quantity(f"{whole},{decimals}", "V")


@settings(derandomize=True, deadline=None, max_examples=200)
@given(whole=st.integers(1, 999), group=st.text("0123456789", min_size=3, max_size=3), unit=units)
def test_a_comma_and_three_digits_are_always_refused(whole: int, group: str, unit: str) -> None:
    outcome = _outcome(lambda: parse_quantity(f"{whole},{group}", unit))
    assert isinstance(outcome, BadInput)
    assert "ambiguous" in outcome.message


@settings(derandomize=True, deadline=None, max_examples=600)
@given(text=st.one_of(st.text(max_size=45), benchlike), unit=units)
def test_any_text_is_a_bounded_number_or_a_refusal_with_a_remedy(text: str, unit: str) -> None:
    outcome = _outcome(lambda: parse_quantity(text, unit))
    if isinstance(outcome, BadInput):
        assert outcome.remedy
    else:
        assert isinstance(outcome, Decimal)
        assert outcome == 0 or Decimal("1e-18") <= abs(outcome) <= Decimal("1e12")


@settings(derandomize=True, deadline=None, max_examples=600)
@given(text=st.one_of(st.text(max_size=130), benchlike, benchlike.map("5VSB 4.7 ".__add__)))
def test_any_line_is_a_reading_or_a_refusal(text: str) -> None:
    outcome = _outcome(lambda: parse_reading_line(text, RAILS))
    if isinstance(outcome, BadInput):
        assert outcome.remedy
    else:
        assert isinstance(outcome, ReadingLine)
        assert (outcome.rail is None) != (outcome.point is None)
        assert outcome.over_range == (outcome.value is None and outcome.min is None and outcome.max is None)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(text=st.one_of(st.text(max_size=45), st.text("0123456789.,-/: hmin€%±", max_size=12)))
def test_any_text_is_an_entry_or_a_refusal(text: str) -> None:
    for parse, kind in (
        (parse_money, int),
        (parse_share, Decimal),
        (parse_minutes, int),
        (parse_tolerance, Decimal),
        (parse_iso_date, date),
    ):
        outcome = _outcome(partial(parse, text))
        assert isinstance(outcome, kind) or (isinstance(outcome, BadInput) and outcome.remedy)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(minor=st.integers(0, 1_000_000_000))
def test_money_written_with_two_decimals_reads_back(minor: int) -> None:
    assert parse_money(f"{minor // 100}.{minor % 100:02d}") == minor


@settings(derandomize=True, deadline=None, max_examples=300)
@given(text=st.text(max_size=30))
def test_keys_are_stable_when_made_again(text: str) -> None:
    assert normalise_designator(normalise_designator(text)) == normalise_designator(text)
    assert rail_key(f" {text}") == rail_key(text)
    assert code_key(f"-{text}_ ") == code_key(text)
