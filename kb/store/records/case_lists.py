"""Which cases a page lists, and what their readings and fixes were: ids and rows, newest first."""

from __future__ import annotations

from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlmodel import Session

from kb.store.records import families
from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseFollowUp,
    CaseReading,
    CaseSymptom,
    Family,
    PartClass,
    Symptom,
    table_of,
)

_CASE = table_of(BoardCase)
_READING = table_of(CaseReading)
_ATTEMPT = table_of(CaseAttempt)
_FOLLOW_UP = table_of(CaseFollowUp)
_NOTED = table_of(CaseSymptom)
_OWN = _CASE.c.origin_id.is_(None)
_OPEN = (_CASE.c.verdict.is_(None), _CASE.c.binned_at.is_(None), _OWN)
_NEWEST = func.coalesce(_CASE.c.received, _CASE.c.closed)


def open_ids(session: Session, limit: int) -> list[int]:
    """Boards on the bench: cases without a verdict, oldest first."""
    query = select(_CASE.c.id).where(*_OPEN)
    return list(session.scalars(query.order_by(_CASE.c.received, _CASE.c.id).limit(limit)))


def came_back_ids(session: Session, limit: int) -> list[int]:
    """Cases of this bench with a follow-up that says the board came back, latest news first."""
    latest = func.max(_FOLLOW_UP.c.date)
    query = (
        select(_CASE.c.id)
        .join(_FOLLOW_UP, _FOLLOW_UP.c.case_id == _CASE.c.id)
        .where(_FOLLOW_UP.c.state != "still working", _CASE.c.binned_at.is_(None), _OWN)
        .group_by(_CASE.c.id)
        .order_by(latest.desc(), _CASE.c.id)
        .limit(limit)
    )
    return list(session.scalars(query))


def latest_ids(session: Session, limit: int, *, family_id: int | None = None) -> list[int]:
    """The newest cases: of one family, other shops' included, or of this bench."""
    query = select(_CASE.c.id).where(_CASE.c.binned_at.is_(None))
    query = query.where(_OWN if family_id is None else _CASE.c.family_id == family_id)
    return list(session.scalars(query.order_by(_NEWEST.desc(), _CASE.c.id.desc()).limit(limit)))


def page(session: Session, which: str, *, limit: int, offset: int, worker: str = "") -> tuple[int, list[int]]:
    """How many cases are `open`, `waiting` for parts, `binned` or neither asked for (`all`), and one page of ids.

    With `worker` only those that this person has in hand. Waiting boards come longest waiting first, all
    others newest first.
    """
    conditions = {
        "open": _OPEN,
        "waiting": (*_OPEN, _CASE.c.waiting_for != ""),
        "binned": (_CASE.c.binned_at.is_not(None),),
        "all": (_CASE.c.binned_at.is_(None),),
    }[which]
    if worker:
        conditions = (*conditions, _CASE.c.worker == worker)
    total = session.scalar(select(func.count()).select_from(_CASE).where(*conditions)) or 0
    order = (_CASE.c.waiting_since, _CASE.c.id) if which == "waiting" else (_NEWEST.desc(), _CASE.c.id.desc())
    query = select(_CASE.c.id).where(*conditions).order_by(*order)
    return total, list(session.scalars(query.limit(limit).offset(offset)))


def workers(session: Session) -> list[tuple[str, int]]:
    """Who has open boards in hand, and how many each, by name."""
    query = select(_CASE.c.worker, func.count()).where(*_OPEN, _CASE.c.worker != "").group_by(_CASE.c.worker)
    return [(row[0], row[1]) for row in session.execute(query.order_by(_CASE.c.worker))]


def waiting(session: Session) -> int:
    """How many boards wait for parts."""
    query = select(func.count()).select_from(_CASE).where(*_OPEN, _CASE.c.waiting_for != "")
    return session.scalar(query) or 0


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


def good_ground_ohms(session: Session, family_id: int, limit: int = 500) -> list[tuple[str, float]]:
    """(rail, ohms to ground) of boards of a family that were good: nothing was found, or the fault was mended."""
    query = (
        select(_READING.c.rail, _READING.c.value)
        .join(_CASE, _CASE.c.id == _READING.c.case_id)
        .where(
            _CASE.c.family_id == family_id,
            _CASE.c.binned_at.is_(None),
            _READING.c.rail.is_not(None),
            _READING.c.quantity == "ohm",
            _READING.c.supply == "unpowered",
            _READING.c.value.is_not(None),
            or_(
                _CASE.c.verdict == "no fault found",
                and_(_CASE.c.verdict == "repaired", _READING.c.after_repair.is_(True)),
            ),
        )
        .order_by(_CASE.c.received.desc(), _READING.c.id)
        .limit(limit)
    )
    return [(row.rail, row.value) for row in session.execute(query)]


def frequent_symptoms(session: Session, number: str | None, limit: int) -> list[str]:
    """Names of the symptoms most often present on a family's boards (None: on all boards)."""
    listed = table_of(Symptom)
    query = (
        select(listed.c.name)
        .join(_NOTED, _NOTED.c.symptom_id == listed.c.id)
        .where(_NOTED.c.present.is_(True))
        .group_by(listed.c.id, listed.c.name)
        .order_by(func.count().desc(), listed.c.name)
        .limit(limit)
    )
    if number is not None:
        found = families.find(session, number)
        query = query.join(_CASE, _CASE.c.id == _NOTED.c.case_id).where(
            _CASE.c.family_id == (found[0] if found else -1), _CASE.c.binned_at.is_(None)
        )
    return list(session.scalars(query))


def own_closed(session: Session) -> tuple[list[str], list[int]]:
    """(codes of the families, years, the newest first) of the shop's own closed cases."""
    mine = (_OWN, _CASE.c.binned_at.is_(None), _CASE.c.verdict.is_not(None))
    family = table_of(Family)
    codes = session.scalars(
        select(family.c.code)
        .where(family.c.id.in_(select(_CASE.c.family_id).where(*mine)))
        .order_by(family.c.code_key)
    )
    days = session.scalars(select(func.coalesce(_CASE.c.closed, _CASE.c.received)).where(*mine).distinct())
    return list(codes), sorted({day.year for day in days if day is not None}, reverse=True)


def people(session: Session) -> list[str]:
    """Every customer, and everybody who had a board in hand, of cases in the bin too."""
    found = set(session.scalars(select(_CASE.c.customer).distinct()))
    return sorted((found | set(session.scalars(select(_CASE.c.worker).distinct()))) - {""})
