"""Figures by month, held against sums made case by case with the standard library's statistics."""

from __future__ import annotations

import random
import statistics
from datetime import date, timedelta

import pytest
from factories import TODAY, a_case, a_family, bring, demo_shop
from hypothesis import given
from hypothesis import strategies as st

from kb.facts import vocabulary as words
from kb.model import Attempt, CaseRecord, FollowUp
from kb.service import Shop
from kb.service.cases import cases, figures


def plainly(records: list[CaseRecord], month: str) -> tuple[object, ...]:
    """The same figures by the longest way round."""
    received = [one for one in records if one.received and one.received.isoformat().startswith(month)]
    closed = [one for one in records if one.closed and one.closed.isoformat().startswith(month)]
    news = [
        entry.state for one in records for entry in one.follow_ups if entry.date.isoformat().startswith(month)
    ]
    days = [(one.closed - one.received).days for one in closed if one.closed and one.received]
    return (
        len(received),
        *(sum(one.verdict == verdict for one in closed) for verdict in words.values(words.VERDICTS)),
        *(news.count(state) for state in words.values(words.FOLLOW_UP_STATES)[1:]),
        statistics.median(days) if days else None,
        sum(round((entry.cost or 0) * 100) for one in closed for entry in one.attempts),
        sum(entry.minutes or 0 for one in closed for entry in one.attempts),
    )


def counted(month: figures.Month) -> tuple[object, ...]:
    return (
        month.received,
        month.repaired,
        month.no_fault_found,
        month.not_economical,
        month.not_repairable,
        month.declined,
        month.came_back_same,
        month.came_back_other,
        month.median_days,
        month.parts_cents,
        month.minutes,
    )


def test_every_month_of_the_demo_agrees_with_sums_made_case_by_case() -> None:
    shop = demo_shop()
    total, records = cases.listed(shop, "all", limit=10_000, offset=0)
    assert total == len(records) > 100
    found = figures.by_month(shop, 60)
    assert [counted(month) for month in found] == [plainly(list(records), month.name) for month in found]
    assert sum(month.closed for month in found) > 50
    assert any(month.came_back for month in found)
    shop.close()


def test_made_up_boards_agree_too(shop: Shop) -> None:
    dice = random.Random(11)
    made = []
    for number in range(300):
        received = date(2025, 11, 1) + timedelta(days=dice.randrange(360))
        closed = min(received + timedelta(days=dice.randrange(40)), TODAY)
        done = dice.random() < 0.8
        made.append(
            a_case(
                f"case-{number}",
                received=received if dice.random() < 0.9 else None,
                closed=closed if done else None,
                verdict=dice.choice(words.values(words.VERDICTS)) if done else None,
                attempts=[
                    Attempt(
                        part_class="fuse",
                        section="mains input",
                        cost=dice.choice([None, 0.35, 1.1]),
                        minutes=dice.choice([None, 5, 12]),
                    )
                    for _ in range(dice.randrange(3))
                ],
                follow_ups=[
                    FollowUp(date=closed, state=state)
                    for state in words.values(words.FOLLOW_UP_STATES)
                    if done and dice.random() < 0.2
                ],
            )
        )
    assert bring(shop, a_family(), *made).saved
    found = figures.by_month(shop, 13)
    assert [month.name for month in found][:2] == ["2025-11", "2025-12"]
    assert [counted(month) for month in found] == [plainly(made, month.name) for month in found]


def test_boards_in_the_bin_do_not_count(stocked: Shop) -> None:
    cases.save(stocked, a_case("one", received=TODAY, closed=TODAY))
    assert figures.by_month(stocked, 1)[0].received == 1
    cases.put_in_bin(stocked, "one")
    month = figures.by_month(stocked, 1)[0]
    assert (month.received, month.closed, month.parts_cents) == (0, 0, 0)


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(1, 5)), max_size=12))
def test_a_median_of_counted_values_is_that_of_all_values(pairs: list[tuple[int, int]]) -> None:
    every = [value for value, count in pairs for _ in range(count)]
    assert figures.weighted_median(pairs) == (statistics.median(every) if every else None)


@pytest.mark.parametrize(
    ("last", "months"),
    [
        (date(2026, 1, 31), ["2025-11", "2025-12", "2026-01"]),
        (date(2024, 3, 1), ["2024-01", "2024-02", "2024-03"]),
    ],
)
def test_months_run_over_the_turn_of_the_year(last: date, months: list[str]) -> None:
    assert [f"{day:%Y-%m}" for day in figures.months_until(last, 3)] == months
