"""Which cases a page lists, and what their readings and fixes were: ids and rows, newest first."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, select
from sqlmodel import Session

from kb.store.tables import BoardCase, CaseAttempt, CaseFollowUp, CaseReading, PartClass, table_of

_CASE = table_of(BoardCase)
_READING = table_of(CaseReading)
_ATTEMPT = table_of(CaseAttempt)
_FOLLOW_UP = table_of(CaseFollowUp)
_NEWEST = func.coalesce(_CASE.c.received, _CASE.c.closed)


def open_ids(session: Session, limit: int) -> list[int]:
    """Boards on the bench: cases without a verdict, oldest first."""
    query = select(_CASE.c.id).where(_CASE.c.verdict.is_(None), _CASE.c.binned_at.is_(None))
    return list(session.scalars(query.order_by(_CASE.c.received, _CASE.c.id).limit(limit)))


def came_back_ids(session: Session, limit: int) -> list[int]:
    """Cases with a follow-up that says the board came back, latest news first."""
    latest = func.max(_FOLLOW_UP.c.date)
    query = (
        select(_CASE.c.id)
        .join(_FOLLOW_UP, _FOLLOW_UP.c.case_id == _CASE.c.id)
        .where(_FOLLOW_UP.c.state != "still working", _CASE.c.binned_at.is_(None))
        .group_by(_CASE.c.id)
        .order_by(latest.desc(), _CASE.c.id)
        .limit(limit)
    )
    return list(session.scalars(query))


def latest_ids(session: Session, limit: int, *, family_id: int | None = None) -> list[int]:
    """The newest cases, of one family or of all."""
    query = select(_CASE.c.id).where(_CASE.c.binned_at.is_(None))
    if family_id is not None:
        query = query.where(_CASE.c.family_id == family_id)
    return list(session.scalars(query.order_by(_NEWEST.desc(), _CASE.c.id.desc()).limit(limit)))


def page(session: Session, which: str, *, limit: int, offset: int) -> tuple[int, list[int]]:
    """How many cases are `open`, `binned` or neither asked for (`all`), and the ids of one page."""
    conditions = {
        "open": (_CASE.c.verdict.is_(None), _CASE.c.binned_at.is_(None)),
        "binned": (_CASE.c.binned_at.is_not(None),),
        "all": (_CASE.c.binned_at.is_(None),),
    }[which]
    total = session.scalar(select(func.count()).select_from(_CASE).where(*conditions)) or 0
    query = select(_CASE.c.id).where(*conditions).order_by(_NEWEST.desc(), _CASE.c.id.desc())
    return total, list(session.scalars(query.limit(limit).offset(offset)))


def uids_with_fix(session: Session, family_id: int, section: str, part_class: str, limit: int) -> list[str]:
    """Cases of a family in which this fix was tried, newest first."""
    kinds = table_of(PartClass)
    query = (
        select(_CASE.c.uid)
        .join(_ATTEMPT, _ATTEMPT.c.case_id == _CASE.c.id)
        .join(kinds, kinds.c.id == _ATTEMPT.c.part_class_id)
        .where(
            _CASE.c.family_id == family_id,
            _CASE.c.binned_at.is_(None),
            _ATTEMPT.c.section == section,
            kinds.c.name == part_class,
        )
        .group_by(_CASE.c.id, _CASE.c.uid, _CASE.c.received)
        .order_by(_CASE.c.received.desc(), _CASE.c.id)
        .limit(limit)
    )
    return list(session.scalars(query))


def rail_readings(session: Session, family_id: int, limit: int = 5000) -> list[Any]:
    """Rows of rail, quantity, supply, load, value, min and max of a family's newest readings."""
    names = ("rail", "quantity", "supply", "load", "value", "min", "max")
    query = (
        select(*(_READING.c[name] for name in names))
        .join(_CASE, _CASE.c.id == _READING.c.case_id)
        .where(_CASE.c.family_id == family_id, _CASE.c.binned_at.is_(None), _READING.c.rail.is_not(None))
        .order_by(_CASE.c.received.desc(), _READING.c.id)
        .limit(limit)
    )
    return list(session.execute(query))
