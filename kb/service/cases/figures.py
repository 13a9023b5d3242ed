"""A shop's simple figures, month by month: boards in, what became of them, how long they took, what parts cost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Any

from sqlmodel import Session

from kb.service.shop.shop import Shop
from kb.store.records import figures as stored

MOST_MONTHS = 120


@dataclass(frozen=True, slots=True)
class Month:
    """One month's figures; `first_day` names it.

    Boards count in the month they were received, closed, or were told to have come back. `median_days` runs
    from receiving to closing, over the boards closed in the month of which both days are known; None where
    there are none. `parts_cents` and `minutes` are those of the boards closed in the month. Of these boards `quoted`
    had a quote; over the accepted ones `quoted_cents` were offered (price or ceiling) and `quoted_actual_cents` were
    spent on parts and bench time at the shop's rate, in `over_quote` of them more than was offered.
    """

    first_day: date
    received: int = 0
    repaired: int = 0
    no_fault_found: int = 0
    not_economical: int = 0
    not_repairable: int = 0
    declined: int = 0
    came_back_same: int = 0
    came_back_other: int = 0
    median_days: float | None = None
    parts_cents: int = 0
    minutes: int = 0
    quoted: int = 0
    quotes_accepted: int = 0
    quotes_declined: int = 0
    quoted_cents: int = 0
    quoted_actual_cents: int = 0
    over_quote: int = 0

    @property
    def name(self) -> str:
        return f"{self.first_day:%Y-%m}"

    @property
    def closed(self) -> int:
        return self.repaired + self.no_fault_found + self.not_economical + self.not_repairable + self.declined

    @property
    def came_back(self) -> int:
        return self.came_back_same + self.came_back_other


def _first(day: date) -> date:
    return day.replace(day=1)


def _next(month: date) -> date:
    return _first(month + timedelta(days=32))


def months_until(last: date, count: int) -> list[date]:
    """First days of the `count` months that end with the one of `last`, oldest first."""
    found = [_first(last)]
    while len(found) < count:
        found.append(_first(found[-1] - timedelta(days=1)))
    return found[::-1]


def weighted_median(values: Iterable[tuple[int, int]]) -> float | None:
    """Median of (value, how many of it) pairs: the middle value, or the mean of the two in the middle.

    None where nothing is counted.
    """
    ordered = sorted(values)
    total = sum(count for _, count in ordered)
    if not total:
        return None

    def at(place: int) -> int:
        for value, count in ordered:
            if place < count:
                return value
            place -= count
        raise AssertionError("the place lies within the total")

    return (at((total - 1) // 2) + at(total // 2)) / 2


def by_month(shop: Shop, count: int = 12) -> list[Month]:
    """The latest `count` months up to today's, oldest first; `count` from 1 to `MOST_MONTHS`."""
    months = months_until(shop.today(), count)
    with shop.read() as session:
        name = f"figures of {count} months to {months[-1]}"
        return shop.kept.get(
            session, name, (), partial(_worked_out, months, shop.settings.bench_rate_per_hour)
        )


def _worked_out(months: list[date], rate_per_hour: float, session: Session) -> list[Month]:
    first, last = months[0], _next(months[-1]) - timedelta(days=1)
    received = stored.received(session, first, last)
    closed = stored.closed(session, first, last)
    returned = stored.came_back(session, first, last)
    spent = stored.part_costs(session, first, last)
    boards = Counter[date]()
    for day, number in received:
        boards[_first(day)] += number
    verdicts, returns = Counter[tuple[date, str]](), Counter[tuple[date, str]]()
    days: dict[date, list[tuple[int, int]]] = {}
    for closed_on, received_on, verdict, number in closed:
        verdicts[_first(closed_on), verdict] += number
        if received_on is not None:
            days.setdefault(_first(closed_on), []).append(((closed_on - received_on).days, number))
    for day, state, number in returned:
        returns[_first(day), state] += number
    cents, minutes = Counter[date](), Counter[date]()
    for day, paid, worked in spent:
        cents[_first(day)] += paid
        minutes[_first(day)] += worked
    offers = _offers(stored.quoted(session, first, last), rate_per_hour)
    return [
        Month(
            month,
            received=boards[month],
            repaired=verdicts[month, "repaired"],
            no_fault_found=verdicts[month, "no fault found"],
            not_economical=verdicts[month, "not economical"],
            not_repairable=verdicts[month, "not repairable"],
            declined=verdicts[month, "declined"],
            came_back_same=returns[month, "came back with the same fault"],
            came_back_other=returns[month, "came back with another fault"],
            median_days=weighted_median(days.get(month, [])),
            parts_cents=cents[month],
            minutes=minutes[month],
            **offers.get(month, {}),
        )
        for month in months
    ]


def _offers(
    rows: Iterable[tuple[date, dict[str, Any], int, int]], rate_per_hour: float
) -> dict[date, dict[str, int]]:
    """What was quoted and what it came to, by the month in which the boards were closed."""
    found: dict[date, Counter[str]] = {}
    for day, quote, parts_cents, minutes in rows:
        month = found.setdefault(_first(day), Counter())
        month["quoted"] += 1
        month["quotes_declined"] += bool(quote.get("declined"))
        if not quote.get("accepted"):
            continue
        amount = quote["price"] if quote.get("price") is not None else quote["ceiling"]
        offered, spent = round(amount * 100), parts_cents + round(minutes / 60 * rate_per_hour * 100)
        month["quotes_accepted"] += 1
        month["quoted_cents"] += offered
        month["quoted_actual_cents"] += spent
        month["over_quote"] += spent > offered
    return {month: dict(counts) for month, counts in found.items()}
