"""Days and numbers as spreadsheets hold them: what is clear, what is doubtful, what is neither."""

from __future__ import annotations

from datetime import date, timedelta
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.datetime import CALENDAR_MAC_1904, from_excel

from kb.errors import BadInput
from kb.facts.written_days import WrittenDay, read_day, settle
from kb.facts.written_numbers import Mark, amount_cents, decimal_mark, with_plain_number

DAYS = st.dates(date(1970, 1, 1), date(2069, 12, 31))


def meant(text: str, order: str = "", system: str = "", last_year: int = 0) -> date | None:
    written = read_day(text)
    return None if written is None else settle(written, order=order, system=system, last_year=last_year)


@pytest.mark.parametrize(
    "text",
    ["2021-04-03", "2021/04/03", "2021.4.3", "20210403", "3. April 2021", "3 avril 2021", "3-Apr-2021",
     "April 3, 2021", "3 de abril de 2021", "2021-04-03 14:30", "2021-04-03T14:30:00", "3 april 2021 9:05"],
)  # fmt: skip
def test_a_day_that_says_its_month_needs_no_question(text: str) -> None:
    assert meant(text) == date(2021, 4, 3)


def test_a_doubtful_day_is_settled_by_the_person_and_not_before() -> None:
    assert meant("03/04/2021") is None
    assert meant("03/04/2021", "dmy") == date(2021, 4, 3)
    assert meant("03/04/2021", "mdy") == date(2021, 3, 4)


def test_a_day_that_fits_one_order_only_is_clear_and_refused_in_the_other() -> None:
    assert meant("13/04/2021") == meant("13/04/2021", "dmy") == date(2021, 4, 13)
    assert meant("13/04/2021", "mdy") is None
    assert meant("04/04/2021") == date(2021, 4, 4)


def test_a_year_of_two_digits_waits_for_its_century() -> None:
    assert meant("13.04.14") is None
    assert meant("13.04.14", last_year=2026) == date(2014, 4, 13)
    assert meant("13.04.88", last_year=2026) == date(1988, 4, 13)
    assert meant("29.02.00", last_year=2026) == date(2000, 2, 29)


@pytest.mark.parametrize(
    "text", ["31.02.2021", "2021-13-01", "March 2021", "12345", "3.4", "0/0/2021", "", "x", "1" * 60]
)
def test_what_is_no_day_is_none(text: str) -> None:
    assert read_day(text) is None


@given(DAYS)
def test_day_numbers_agree_with_openpyxl_in_both_systems(day: date) -> None:
    # Reference: openpyxl.utils.datetime.from_excel. The 1900 system and its 29 February 1900 are ECMA-376
    # part 1, 18.17.4 (from memory); all days from 1970 on lie after that day.
    numbers = {"1900": (day - date(1899, 12, 30)).days, "1904": (day - date(1904, 1, 1)).days}
    if numbers["1900"] in range(25_569, 73_051):
        assert meant(str(numbers["1900"]), system="1900") == from_excel(numbers["1900"]).date() == day
        assert meant(str(numbers["1900"])) is None
    if numbers["1904"] in range(25_569, 73_051):
        theirs = from_excel(numbers["1904"], epoch=CALENDAR_MAC_1904)
        assert meant(str(numbers["1904"]), system="1904") == theirs.date() == day


def test_the_first_of_march_1900_is_day_61_because_of_a_leap_day_that_never_was() -> None:
    # Known points of the 1900 system: 25569 is 1970-01-01, 36526 is 2000-01-01, 44197 is 2021-01-01.
    for number, day in ((25_569, date(1970, 1, 1)), (36_526, date(2000, 1, 1)), (44_197, date(2021, 1, 1))):
        assert meant(str(number), system="1900") == day
        assert day - timedelta(days=number - 61) == date(1900, 3, 1)


WAYS = [("%d.%m.%Y", "dmy"), ("%m/%d/%Y", "mdy"), ("%d/%m/%y", "dmy"), ("%y-%m-%d", "ymd")]


@given(DAYS, st.sampled_from(WAYS))
def test_a_day_written_in_an_order_is_read_back_in_that_order(day: date, way: tuple[str, str]) -> None:
    assert meant(day.strftime(way[0]), way[1], last_year=2069) == day


@given(st.text(max_size=50))
def test_any_text_is_a_day_or_none_and_never_an_error(text: str) -> None:
    day = read_day(text)
    assert day is None or isinstance(day, WrittenDay)
    assert decimal_mark(text) in get_args(Mark)


@pytest.mark.parametrize(
    ("text", "mark"),
    [("1.234,50", "comma"), ("1,234.50", "point"), ("1.234", "doubtful"), ("1,234", "doubtful"), ("0,470", "comma"),
     ("12,5", "comma"), ("1'234.50", "point"), ("1 234,50", "comma"), ("1.234.567", "comma"), ("12", "none"),
     ("1,2,3", "bad"), ("1.23.45", "bad"), ("1,23.45", "bad"), ("12.", "bad"), ("12 V", "bad"), ("1 2", "bad")],
)  # fmt: skip
def test_a_number_shows_its_decimal_mark_or_is_doubtful(text: str, mark: str) -> None:
    assert decimal_mark(text) == mark


def test_amounts_are_read_strictly_with_their_currency() -> None:
    for text in ("€ 12,50", "12.50 EUR", "CHF 12.50", "12,50€", "12.5"):
        assert amount_cents(text, "", field="cost") == 1250
    assert amount_cents("12,- €", "", field="cost") == 1200
    assert amount_cents("1.234,50", "", field="cost") == 123_450
    for text in ("1.234", "-5", "twelve", "12.345,678", "€"):
        with pytest.raises(BadInput):
            amount_cents(text, "", field="cost")
    assert amount_cents("1.234", "comma", field="cost") == 123_400
    with pytest.raises(BadInput, match="marks its decimals by a point"):
        amount_cents("1.5", "comma", field="cost")


def test_2_200_uf_is_doubtful_and_what_has_no_such_sign_stays_as_it_is() -> None:
    with pytest.raises(BadInput, match="ambiguous"):
        with_plain_number("2,200 µF", "", field="c")
    assert with_plain_number("2,200 µF", "point", field="c") == "2200 µF"
    assert with_plain_number("2,200 µF", "comma", field="c") == "2.200 µF"
    assert with_plain_number("4V7", "comma", field="c") == "4V7"


@given(
    st.integers(0, 10**9 - 1), st.sampled_from([(".", ","), (",", "."), ("'", "."), (" ", ","), ("", ".")])
)
def test_grouped_amounts_come_back_to_the_cent(cents: int, signs: tuple[str, str]) -> None:
    group, mark = signs
    whole = f"{cents // 100:,}".replace(",", group)
    assert amount_cents(f"{whole}{mark}{cents % 100:02}", "", field="cost") == cents
