"""Which cases a page lists, and what their readings and fixes were: ids and rows, newest first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import islice
from typing import Any

from sqlalchemy import and_, bindparam, func, or_, select, text
from sqlmodel import Session

from kb.store.records import families, totals
from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseFollowUp,
    CaseReading,
    Family,
    PartClass,
    Symptom,
    table_of,
)

_CASE = table_of(BoardCase)
_READING = table_of(CaseReading)
_ATTEMPT = table_of(CaseAttempt)
_FOLLOW_UP = table_of(CaseFollowUp)
_OWN = _CASE.c.origin_id.is_(None)
_OPEN: tuple[Any, ...] = (_CASE.c.verdict.is_(None), _CASE.c.binned_at.is_(None), _OWN)
# As an index of the waiting has it, see `kb.store.tables.core.some`.
_WAITING = (*_OPEN, text("board_case.waiting_for <> ''"))
_LOOKED_AT = 500  # of the latest news, however few of them are of own boards


def open_ids(session: Session, limit: int) -> list[int]:
    """Boards on the bench: cases without a verdict, oldest first."""
    query = select(_CASE.c.id).where(*_OPEN)
    return list(session.scalars(query.order_by(_CASE.c.day, _CASE.c.id).limit(limit)))


def came_back_ids(session: Session, limit: int) -> list[int]:
    """Cases of this bench with a follow-up that says the board came back, latest news first."""
    news = (
        select(_FOLLOW_UP.c.case_id, _FOLLOW_UP.c.date, _FOLLOW_UP.c.id)
        .where(text("case_follow_up.state <> 'still working'"))
        .order_by(_FOLLOW_UP.c.date.desc(), _FOLLOW_UP.c.id.desc())
        .limit(_LOOKED_AT)
        .subquery()
    )
    query = (
        select(news.c.case_id)
        .join(_CASE, _CASE.c.id == news.c.case_id)
        .where(_CASE.c.binned_at.is_(None), _OWN)
        .order_by(news.c.date.desc(), news.c.id.desc())
    )
    return list(islice(dict.fromkeys(session.scalars(query)), limit))


def latest_ids(session: Session, limit: int, *, family_id: int | None = None) -> list[int]:
    """The newest cases: of one family, other shops' included, or of this bench."""
    query = select(_CASE.c.id).where(_CASE.c.binned_at.is_(None))
    query = query.where(_OWN if family_id is None else _CASE.c.family_id == family_id)
    return list(session.scalars(query.order_by(_CASE.c.day.desc(), _CASE.c.id.desc()).limit(limit)))


def page(session: Session, which: str, *, limit: int, offset: int, worker: str = "") -> tuple[int, list[int]]:
    """How many cases are `open`, `waiting` for parts, `binned` or neither asked for (`all`), and one page of ids.

    With `worker` only those that this person has in hand. Waiting boards come longest waiting first, all
    others newest first.
    """
    conditions = {
        "open": _OPEN,
        "waiting": _WAITING,
        "binned": (_CASE.c.binned_at.is_not(None),),
        "all": (_CASE.c.binned_at.is_(None),),
    }[which]
    if worker:
        conditions = (*conditions, _CASE.c.worker == worker)
    order = (
        (_CASE.c.waiting_since, _CASE.c.id) if which == "waiting" else (_CASE.c.day.desc(), _CASE.c.id.desc())
    )
    query = select(_CASE.c.id).where(*conditions).order_by(*order).limit(limit).offset(offset)
    what = {"all": "worked" if worker else "kept"}.get(which, which)
    return totals.cases(session, what, item=worker), list(session.scalars(query))


def workers(session: Session) -> list[tuple[str, int]]:
    """Who has open boards in hand, and how many each, by name."""
    return list(totals.by_item(session, "open").items())


def waiting(session: Session) -> int:
    """How many boards wait for parts."""
    return totals.cases(session, "waiting")


def uids_with_fixes(
    session: Session, family_id: int, fixes: Sequence[tuple[str, str]], limit: int
) -> dict[tuple[str, str], tuple[str, ...]]:
    """For each (section, part class) the uids of cases of a family in which it was tried, newest first."""
    kinds = table_of(PartClass)
    rows = session.execute(
        select(kinds.c.id, kinds.c.name).where(kinds.c.name.in_({name for _, name in fixes}))
    )
    ids = {row.name: row.id for row in rows}
    # A case may have tried the same fix more than once.
    query = (
        select(_CASE.c.uid)
        .join(_ATTEMPT, _ATTEMPT.c.case_id == _CASE.c.id)
        .where(_ATTEMPT.c.family_id == family_id, _CASE.c.binned_at.is_(None))
        .where(_ATTEMPT.c.part_class_id == bindparam("kind"), _ATTEMPT.c.section == bindparam("section"))
        .order_by(_ATTEMPT.c.day.desc(), _ATTEMPT.c.case_id.desc())
        .limit(2 * limit)
    )
    found = {}
    for section, part_class in fixes:
        asked = {"kind": ids.get(part_class, -1), "section": section}
        uids = dict.fromkeys(session.scalars(query, asked))
        found[section, part_class] = tuple(islice(uids, limit))
    return found


def rail_readings(session: Session, family_id: int, boards: int) -> list[Any]:
    """Rows of rail, quantity, supply, load, value, min and max of so many of a family's newest boards."""
    names = ("rail", "quantity", "supply", "load", "value", "min", "max")
    ids = latest_ids(session, boards, family_id=family_id)
    query = select(*(_READING.c[name] for name in names)).where(
        _READING.c.case_id.in_(ids), _READING.c.rail.is_not(None)
    )
    return list(session.execute(query.order_by(_READING.c.case_id.desc(), _READING.c.id)))


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
    found = families.find(session, number) if number is not None else (totals.ALL, "")
    if found is None:
        return []
    ids = [int(item) for item in totals.most(session, "present", found[0], limit)]
    listed = table_of(Symptom)
    names = dict(session.execute(select(listed.c.id, listed.c.name).where(listed.c.id.in_(ids))).all())
    return [names[symptom] for symptom in ids]


def own_closed(session: Session) -> tuple[list[str], list[int]]:
    """(codes of the families, years, the newest first) of the shop's own closed cases."""
    family = table_of(Family)
    own = totals.by_family(session, "closed")
    codes = session.scalars(select(family.c.code).where(family.c.id.in_(own)).order_by(family.c.code_key))
    return list(codes), sorted(map(int, totals.by_item(session, "closed in")), reverse=True)


def customers(session: Session) -> list[str]:
    """Every customer of a case that is not in the bin.

    From each name the index leads to the next one, so that it takes as many steps as there are customers.
    """
    of_all = _CASE.c.binned_at.is_(None)
    first = select(func.min(_CASE.c.customer).label("name")).where(of_all, _CASE.c.customer > "")
    names = first.cte("names", recursive=True)
    following = select(func.min(_CASE.c.customer)).where(of_all, _CASE.c.customer > names.c.name)
    names = names.union_all(select(following.scalar_subquery()).where(names.c.name.is_not(None)))
    return sorted(session.scalars(select(names.c.name).where(names.c.name.is_not(None))))


def uids_of_customers(session: Session, names: Sequence[str], limit: int) -> list[str]:
    """The newest cases of some customers."""
    newest: list[tuple[date, int, str]] = []
    for name in names:
        # One by one, so that the index gives the newest of each and none of the others is looked at.
        query = select(_CASE.c.day, _CASE.c.id, _CASE.c.uid).where(
            _CASE.c.customer == name, _CASE.c.binned_at.is_(None)
        )
        found = session.execute(query.order_by(_CASE.c.day.desc(), _CASE.c.id.desc()).limit(limit))
        newest += [(day or date.min, number, uid) for day, number, uid in found]
    return [uid for _, _, uid in sorted(newest, reverse=True)[:limit]]


def uids_begun(session: Session, start: str, limit: int) -> list[str]:
    """Cases whose uid begins with `start`, as labels and lists show it."""
    uid = _CASE.c.uid
    # The bounds let the index of uids be used; the comparison of the letters decides.
    query = select(uid).where(
        uid >= start,
        uid <= start + "z" * 8,
        func.substr(uid, 1, len(start)) == start,
        _CASE.c.binned_at.is_(None),
    )
    return list(session.scalars(query.order_by(uid).limit(limit)))


def uids_between(session: Session, first: date, last: date, limit: int) -> list[str]:
    """The newest cases that came in or were closed from `first` to `last`, both included."""
    found: dict[str, None] = {}
    for column in (_CASE.c.received, _CASE.c.closed):
        query = select(_CASE.c.uid).where(column.between(first, last), _CASE.c.binned_at.is_(None))
        found.update(
            dict.fromkeys(session.scalars(query.order_by(column.desc(), _CASE.c.id.desc()).limit(limit)))
        )
    return list(found)


def people(session: Session) -> list[str]:
    """Every customer, and everybody who had a board in hand, of cases in the bin too."""
    found = set(session.scalars(select(_CASE.c.customer).distinct()))
    return sorted((found | set(session.scalars(select(_CASE.c.worker).distinct()))) - {""})
