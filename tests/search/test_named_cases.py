"""Cases found by customer, case number and days, which the index itself does not hold."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pytest
from factories import a_case, a_family, bring, fresh_shop
from sqlalchemy import event

from kb.service import Shop
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.find.job_days import named_days
from kb.store.records import case_lists

TODAY = date(2026, 11, 1)


@pytest.fixture
def shop() -> Iterator[Shop]:
    made = fresh_shop()
    assert bring(
        made,
        a_family(),
        a_case(
            "0f3a77c1-1111-4000-8000-000000000001",
            customer="Quilverby yard",
            complaint="relay ticks",
            received=date(2026, 1, 12),
            closed=date(2026, 1, 20),
        ),
        a_case(
            "9b3a77c1-2222-4000-8000-000000000002",
            customer="pilot boat",
            complaint="no picture",
            received=date(2026, 3, 5),
            closed=date(2026, 4, 2),
            serial="SN-88123",
        ),
        a_case(
            "c53a77c1-3333-4000-8000-000000000003",
            customer="pilot boat",
            complaint="relay ticks",
            received=date(2025, 6, 5),
            closed=date(2025, 6, 8),
        ),
        a_case(
            "d73a77c1-4444-4000-8000-000000000004",
            complaint="hums, the pilot boat had the same",
            received=date(2025, 9, 5),
            closed=date(2025, 9, 8),
        ),
    )
    yield made
    made.close()


def found(shop: Shop, query: str, filters: Filters = Filters()) -> list[str]:
    return [str(one.case.uid)[:2] for one in case_search.search(shop, query, filters).found]


def test_a_customers_cases_come_first(shop: Shop) -> None:
    assert found(shop, "quilverby") == ["0f"]
    assert found(shop, "Pilot boat")[:2] == ["9b", "c5"]
    assert found(shop, "pilot boat relay ticks")[0] == "c5"


def test_a_case_is_found_by_the_number_on_its_label_and_by_the_whole_of_it(shop: Shop) -> None:
    uid = "9b3a77c1-2222-4000-8000-000000000002"
    assert found(shop, cases.short_uid(uid)) == ["9b"]
    assert found(shop, cases.short_uid(uid).upper()) == ["9b"]
    assert found(shop, uid) == ["9b"]


def test_a_case_is_found_by_its_serial_number(shop: Shop) -> None:
    assert found(shop, "SN-88123") == ["9b"]


@pytest.mark.parametrize(
    ("query", "first"),
    [
        ("march 2026", ["9b"]),
        ("2026-03", ["9b"]),
        ("03/2026", ["9b"]),
        ("april 2026", ["9b"]),
        ("last winter", ["0f"]),
        ("letzten Winter", ["0f"]),
        ("l'hiver dernier", ["0f"]),
        ("summer 2025", ["c5"]),
        ("2026-01-12", ["0f"]),
        ("relay last winter", ["0f"]),
        ("pilot boat june 2025", ["c5"]),
    ],
)
def test_the_days_of_a_job_find_it(shop: Shop, query: str, first: list[str]) -> None:
    assert found(shop, query)[: len(first)] == first


def test_a_case_in_the_bin_is_not_found_by_its_customer(shop: Shop) -> None:
    cases.put_in_bin(shop, "0f3a77c1-1111-4000-8000-000000000001")
    assert found(shop, "quilverby") == []
    assert found(shop, "0f3a77c1") == []


def test_filters_hold_for_named_cases_too(shop: Shop) -> None:
    assert found(shop, "quilverby", Filters(year=2020)) == []


def test_a_customer_of_everyday_or_trade_words_takes_nothing_from_other_searches(shop: Shop) -> None:
    assert bring(shop, a_case("e1", customer="relay works, the bridge", complaint="rain"))
    assert found(shop, "relay ticks")[:2] == ["0f", "c5"]


def test_what_is_taken_out_is_what_is_found(shop: Shop) -> None:
    assert [uid[:2] for uid in case_search.every(shop, "quilverby", Filters())] == ["0f"]


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("november 2026", date(2026, 11, 1), date(2026, 11, 30)),
        ("im Februar 2024", date(2024, 2, 1), date(2024, 2, 29)),
        ("invierno pasado", date(2025, 12, 1), date(2026, 2, 28)),
        ("winter 2025", date(2025, 12, 1), date(2026, 2, 28)),
        ("last summer", date(2026, 6, 1), date(2026, 8, 31)),
        ("last autumn", date(2025, 9, 1), date(2025, 11, 30)),
    ],
)
def test_named_days_are_whole_months(text: str, first: date, last: date) -> None:
    days = named_days(text, TODAY)
    assert days is not None
    assert (days.first, days.last) == (first, last)


@pytest.mark.parametrize(
    "text", ["", "may not work", "12-2026-03", "4.7 k", "fall", "winter", "hx-210 2026-1"]
)
def test_other_words_and_numbers_name_no_days(text: str) -> None:
    assert named_days(text, TODAY) is None


@pytest.mark.once("how SQLite looks things up")
def test_a_customer_is_found_by_an_index_and_not_by_looking_through_all_cases(shop: Shop) -> None:
    asked: list[tuple[str, object]] = []

    def note(_conn: object, _cursor: object, sql: str, values: object, *_more: object) -> None:
        asked.append((sql, values))

    with shop.store.read() as session:
        engine = session.get_bind()
        event.listen(engine, "before_cursor_execute", note)
        try:
            assert case_lists.customers(session) == ["Quilverby yard", "pilot boat"]
            assert [uid[:2] for uid in case_lists.uids_of_customers(session, ["pilot boat"], 5)] == [
                "9b",
                "c5",
            ]
        finally:
            event.remove(engine, "before_cursor_execute", note)
        plans = [
            str(row[-1])
            for sql, values in asked
            for row in session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}", values)
        ]
    looks_ups = [line for line in plans if "board_case" in line]
    assert looks_ups
    assert all("ix_board_case_customer" in line and line.startswith("SEARCH") for line in looks_ups), plans
