"""Readings of boards that were in order: nothing was found wrong with them, or they measured well after the repair."""

from __future__ import annotations

from typing import Any

from sqlalchemy import or_, select
from sqlmodel import Session, col

from kb.store.tables.core import BoardCase, CaseFollowUp, CaseReading

_GOOD = ("no fault found", "repaired")


def good_cases(session: Session, family_id: int, limit: int) -> list[Any]:
    """The newest cases of a family with readings of a good board: id, uid, serial, origin_id, verdict, pin_values.

    A repaired board that came back with the same fault is none.
    """
    taken_when_good = or_(col(CaseReading.after_repair).is_(True), col(BoardCase.verdict) == _GOOD[0])
    query = select(
        *(getattr(BoardCase, name) for name in ("id", "uid", "serial", "origin_id", "verdict", "pin_values"))
    ).where(
        col(BoardCase.family_id) == family_id,
        col(BoardCase.binned_at).is_(None),
        col(BoardCase.verdict).in_(_GOOD),
        or_(
            (col(BoardCase.verdict) == _GOOD[0]) & col(BoardCase.pin_values).is_not(None),
            select(col(CaseReading.id))
            .where(
                col(CaseReading.case_id) == col(BoardCase.id),
                col(CaseReading.value).is_not(None),
                taken_when_good,
            )
            .exists(),
        ),
        ~select(col(CaseFollowUp.id))
        .where(
            col(CaseFollowUp.case_id) == col(BoardCase.id),
            col(CaseFollowUp.state) == "came back with the same fault",
        )
        .exists(),
    )
    return list(
        session.execute(query.order_by(col(BoardCase.day).desc(), col(BoardCase.id).desc()).limit(limit))
    )


def of_good_cases(session: Session, cases: list[Any]) -> list[Any]:
    """Rows of case_id, rail, point, quantity, supply, load and value that `good_cases` stand for."""
    whole = [row.id for row in cases if row.verdict == _GOOD[0]]
    after = [row.id for row in cases if row.verdict != _GOOD[0]]
    names = ("case_id", "rail", "point", "quantity", "supply", "load", "value")
    query = select(*(getattr(CaseReading, name) for name in names)).where(
        col(CaseReading.value).is_not(None),
        or_(
            col(CaseReading.case_id).in_(whole),
            col(CaseReading.case_id).in_(after) & col(CaseReading.after_repair).is_(True),
        ),
    )
    return list(session.execute(query.order_by(col(CaseReading.case_id), col(CaseReading.id))))
