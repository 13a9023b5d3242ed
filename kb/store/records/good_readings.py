"""Readings of boards that were in order: nothing was found wrong with them, or they measured well after the repair."""

from __future__ import annotations

from typing import Any

from sqlalchemy import or_, select
from sqlmodel import Session

from kb.store.tables.core import BoardCase, CaseFollowUp, CaseReading, table_of

_CASE, _READING, _NEWS = (table_of(one) for one in (BoardCase, CaseReading, CaseFollowUp))
_GOOD = ("no fault found", "repaired")


def good_cases(session: Session, family_id: int, limit: int) -> list[Any]:
    """The newest cases of a family with readings of a good board: id, uid, serial, origin_id, verdict, pin_values.

    A repaired board that came back with the same fault is none.
    """
    taken_when_good = or_(_READING.c.after_repair.is_(True), _CASE.c.verdict == _GOOD[0])
    query = select(
        *(_CASE.c[name] for name in ("id", "uid", "serial", "origin_id", "verdict", "pin_values"))
    ).where(
        _CASE.c.family_id == family_id,
        _CASE.c.binned_at.is_(None),
        _CASE.c.verdict.in_(_GOOD),
        or_(
            (_CASE.c.verdict == _GOOD[0]) & _CASE.c.pin_values.is_not(None),
            select(_READING.c.id)
            .where(_READING.c.case_id == _CASE.c.id, _READING.c.value.is_not(None), taken_when_good)
            .exists(),
        ),
        ~select(_NEWS.c.id)
        .where(_NEWS.c.case_id == _CASE.c.id, _NEWS.c.state == "came back with the same fault")
        .exists(),
    )
    return list(session.execute(query.order_by(_CASE.c.day.desc(), _CASE.c.id.desc()).limit(limit)))


def of_good_cases(session: Session, cases: list[Any]) -> list[Any]:
    """Rows of case_id, rail, point, quantity, supply, load and value that `good_cases` stand for."""
    whole = [row.id for row in cases if row.verdict == _GOOD[0]]
    after = [row.id for row in cases if row.verdict != _GOOD[0]]
    names = ("case_id", "rail", "point", "quantity", "supply", "load", "value")
    query = select(*(_READING.c[name] for name in names)).where(
        _READING.c.value.is_not(None),
        or_(
            _READING.c.case_id.in_(whole),
            _READING.c.case_id.in_(after) & _READING.c.after_repair.is_(True),
        ),
    )
    return list(session.execute(query.order_by(_READING.c.case_id, _READING.c.id)))
