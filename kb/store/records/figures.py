"""Sums behind the month's figures: rows of days, so that one query serves every database."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import and_, func, select
from sqlmodel import Session, col

from kb.store.tables.core import BoardCase, CaseAttempt, CaseFollowUp

# A month's figures are those of this bench.
_KEPT = and_(col(BoardCase.binned_at).is_(None), col(BoardCase.origin_id).is_(None))


def received(session: Session, first: date, last: date) -> list[tuple[date, int]]:
    """(day, boards received on it) of the days from `first` to `last`."""
    query = (
        select(col(BoardCase.received), func.count())
        .where(_KEPT, col(BoardCase.received).between(first, last))
        .group_by(col(BoardCase.received))
    )
    return [(row[0], row[1]) for row in session.execute(query)]


def closed(session: Session, first: date, last: date) -> list[tuple[date, date | None, str, int]]:
    """(day closed, day received or None, verdict, boards) of the days from `first` to `last`."""
    query = (
        select(col(BoardCase.closed), col(BoardCase.received), col(BoardCase.verdict), func.count())
        .where(_KEPT, col(BoardCase.closed).between(first, last), col(BoardCase.verdict).is_not(None))
        .group_by(col(BoardCase.closed), col(BoardCase.received), col(BoardCase.verdict))
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def came_back(session: Session, first: date, last: date) -> list[tuple[date, str, int]]:
    """(day of the news, which fault it came back with, boards) of the days from `first` to `last`."""
    query = (
        select(col(CaseFollowUp.date), col(CaseFollowUp.state), func.count())
        .join(BoardCase, col(BoardCase.id) == col(CaseFollowUp.case_id))
        .where(_KEPT, col(CaseFollowUp.date).between(first, last), col(CaseFollowUp.state) != "still working")
        .group_by(col(CaseFollowUp.date), col(CaseFollowUp.state))
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def part_costs(session: Session, first: date, last: date) -> list[tuple[date, int, int]]:
    """(day closed, cents spent on parts, minutes at the bench) of the days from `first` to `last`."""
    query = (
        select(
            col(BoardCase.closed),
            func.coalesce(func.sum(col(CaseAttempt.cost_cents)), 0),
            func.coalesce(func.sum(col(CaseAttempt.minutes)), 0),
        )
        .join(CaseAttempt, col(CaseAttempt.case_id) == col(BoardCase.id))
        .where(_KEPT, col(BoardCase.closed).between(first, last))
        .group_by(col(BoardCase.closed))
    )
    return [(row[0], int(row[1]), int(row[2])) for row in session.execute(query)]


def quoted(session: Session, first: date, last: date) -> list[tuple[date, dict[str, Any], int, int]]:
    """(day closed, quote, cents for parts, minutes at the bench) of each board closed in these days with a quote."""
    query = (
        select(
            col(BoardCase.closed),
            col(BoardCase.quote),
            func.coalesce(func.sum(col(CaseAttempt.cost_cents)), 0),
            func.coalesce(func.sum(col(CaseAttempt.minutes)), 0),
        )
        .outerjoin(CaseAttempt, col(CaseAttempt.case_id) == col(BoardCase.id))
        .where(_KEPT, col(BoardCase.closed).between(first, last), col(BoardCase.quote).is_not(None))
        .group_by(col(BoardCase.id))
    )
    return [(row[0], row[1], int(row[2]), int(row[3])) for row in session.execute(query)]
