"""Sums behind the month's figures: rows of days, so that one query serves every database."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import and_, func, select
from sqlmodel import Session

from kb.store.tables.core import BoardCase, CaseAttempt, CaseFollowUp, table_of

_CASE = table_of(BoardCase)
_ATTEMPT = table_of(CaseAttempt)
_FOLLOW_UP = table_of(CaseFollowUp)
# A month's figures are those of this bench.
_KEPT = and_(_CASE.c.binned_at.is_(None), _CASE.c.origin_id.is_(None))


def received(session: Session, first: date, last: date) -> list[tuple[date, int]]:
    """(day, boards received on it) of the days from `first` to `last`."""
    query = (
        select(_CASE.c.received, func.count())
        .where(_KEPT, _CASE.c.received.between(first, last))
        .group_by(_CASE.c.received)
    )
    return [(row[0], row[1]) for row in session.execute(query)]


def closed(session: Session, first: date, last: date) -> list[tuple[date, date | None, str, int]]:
    """(day closed, day received or None, verdict, boards) of the days from `first` to `last`."""
    query = (
        select(_CASE.c.closed, _CASE.c.received, _CASE.c.verdict, func.count())
        .where(_KEPT, _CASE.c.closed.between(first, last), _CASE.c.verdict.is_not(None))
        .group_by(_CASE.c.closed, _CASE.c.received, _CASE.c.verdict)
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def came_back(session: Session, first: date, last: date) -> list[tuple[date, str, int]]:
    """(day of the news, which fault it came back with, boards) of the days from `first` to `last`."""
    query = (
        select(_FOLLOW_UP.c.date, _FOLLOW_UP.c.state, func.count())
        .join(_CASE, _CASE.c.id == _FOLLOW_UP.c.case_id)
        .where(_KEPT, _FOLLOW_UP.c.date.between(first, last), _FOLLOW_UP.c.state != "still working")
        .group_by(_FOLLOW_UP.c.date, _FOLLOW_UP.c.state)
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def part_costs(session: Session, first: date, last: date) -> list[tuple[date, int, int]]:
    """(day closed, cents spent on parts, minutes at the bench) of the days from `first` to `last`."""
    query = (
        select(
            _CASE.c.closed,
            func.coalesce(func.sum(_ATTEMPT.c.cost_cents), 0),
            func.coalesce(func.sum(_ATTEMPT.c.minutes), 0),
        )
        .join(_ATTEMPT, _ATTEMPT.c.case_id == _CASE.c.id)
        .where(_KEPT, _CASE.c.closed.between(first, last))
        .group_by(_CASE.c.closed)
    )
    return [(row[0], int(row[1]), int(row[2])) for row in session.execute(query)]


def quoted(session: Session, first: date, last: date) -> list[tuple[date, dict[str, Any], int, int]]:
    """(day closed, quote, cents for parts, minutes at the bench) of each board closed in these days with a quote."""
    query = (
        select(
            _CASE.c.closed,
            _CASE.c.quote,
            func.coalesce(func.sum(_ATTEMPT.c.cost_cents), 0),
            func.coalesce(func.sum(_ATTEMPT.c.minutes), 0),
        )
        .outerjoin(_ATTEMPT, _ATTEMPT.c.case_id == _CASE.c.id)
        .where(_KEPT, _CASE.c.closed.between(first, last), _CASE.c.quote.is_not(None))
        .group_by(_CASE.c.id)
    )
    return [(row[0], row[1], int(row[2]), int(row[3])) for row in session.execute(query)]
