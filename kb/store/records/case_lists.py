"""Which cases a page lists, and what their readings and fixes were: ids and rows, newest first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import islice
from typing import Any

from sqlalchemy import and_, bindparam, func, or_, select, text
from sqlmodel import Session, col

from kb.store.engine.rows import as_rows
from kb.store.records import families, totals
from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseFollowUp,
    CaseReading,
    Family,
    PartClass,
    Symptom,
)

_OWN = col(BoardCase.origin_id).is_(None)
_OPEN: tuple[Any, ...] = (col(BoardCase.verdict).is_(None), col(BoardCase.binned_at).is_(None), _OWN)
# As an index of the waiting has it, see `kb.store.tables.core.some`.
_WAITING = (*_OPEN, text("board_case.waiting_for <> ''"))
_LOOKED_AT = 500  # of the latest news, however few of them are of own boards


def open_ids(session: Session, limit: int) -> list[int]:
    """Boards on the bench: cases without a verdict, oldest first."""
    query = select(col(BoardCase.id)).where(*_OPEN)
    return list(as_rows(session).scalars(query.order_by(col(BoardCase.day), col(BoardCase.id)).limit(limit)))


def came_back_ids(session: Session, limit: int) -> list[int]:
    """Cases of this bench with a follow-up that says the board came back, latest news first."""
    news = (
        select(col(CaseFollowUp.case_id), col(CaseFollowUp.date), col(CaseFollowUp.id))
        .where(text("case_follow_up.state <> 'still working'"))
        .order_by(col(CaseFollowUp.date).desc(), col(CaseFollowUp.id).desc())
        .limit(_LOOKED_AT)
        .subquery()
    )
    query = (
        select(news.c.case_id)
        .join(BoardCase, col(BoardCase.id) == news.c.case_id)
        .where(col(BoardCase.binned_at).is_(None), _OWN)
        .order_by(news.c.date.desc(), news.c.id.desc())
    )
    return list(islice(dict.fromkeys(as_rows(session).scalars(query)), limit))


def latest_ids(session: Session, limit: int, *, family_id: int | None = None) -> list[int]:
    """The newest cases: of one family, other shops' included, or of this bench."""
    query = select(col(BoardCase.id)).where(col(BoardCase.binned_at).is_(None))
    query = query.where(_OWN if family_id is None else col(BoardCase.family_id) == family_id)
    return list(
        as_rows(session).scalars(
            query.order_by(col(BoardCase.day).desc(), col(BoardCase.id).desc()).limit(limit)
        )
    )


def page(session: Session, which: str, *, limit: int, offset: int, worker: str = "") -> tuple[int, list[int]]:
    """How many cases are `open`, `waiting` for parts, `binned` or neither asked for (`all`), and one page of ids.

    With `worker` only those that this person has in hand. Waiting boards come longest waiting first, all
    others newest first.
    """
    conditions = {
        "open": _OPEN,
        "waiting": _WAITING,
        "binned": (col(BoardCase.binned_at).is_not(None),),
        "all": (col(BoardCase.binned_at).is_(None),),
    }[which]
    if worker:
        conditions = (*conditions, col(BoardCase.worker) == worker)
    order = (
        (col(BoardCase.waiting_since), col(BoardCase.id))
        if which == "waiting"
        else (col(BoardCase.day).desc(), col(BoardCase.id).desc())
    )
    query = select(col(BoardCase.id)).where(*conditions).order_by(*order).limit(limit).offset(offset)
    what = {"all": "worked" if worker else "kept"}.get(which, which)
    return totals.cases(session, what, item=worker), list(as_rows(session).scalars(query))


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
    rows = as_rows(session).execute(
        select(col(PartClass.id), col(PartClass.name)).where(
            col(PartClass.name).in_({name for _, name in fixes})
        )
    )
    ids = {row.name: row.id for row in rows}
    # A case may have tried the same fix more than once.
    query = (
        select(col(BoardCase.uid))
        .join(CaseAttempt, col(CaseAttempt.case_id) == BoardCase.id)
        .where(col(CaseAttempt.family_id) == family_id, col(BoardCase.binned_at).is_(None))
        .where(
            col(CaseAttempt.part_class_id) == bindparam("kind"),
            col(CaseAttempt.section) == bindparam("section"),
        )
        .order_by(col(CaseAttempt.day).desc(), col(CaseAttempt.case_id).desc())
        .limit(2 * limit)
    )
    found = {}
    for section, part_class in fixes:
        asked = {"kind": ids.get(part_class, -1), "section": section}
        uids = dict.fromkeys(as_rows(session).scalars(query, asked))
        found[section, part_class] = tuple(islice(uids, limit))
    return found


def rail_readings(session: Session, family_id: int, boards: int) -> list[Any]:
    """Rows of rail, quantity, supply, load, value, min and max of so many of a family's newest boards."""
    names = ("rail", "quantity", "supply", "load", "value", "min", "max")
    ids = latest_ids(session, boards, family_id=family_id)
    query = select(*(getattr(CaseReading, name) for name in names)).where(
        col(CaseReading.case_id).in_(ids), col(CaseReading.rail).is_not(None)
    )
    return list(
        as_rows(session).execute(query.order_by(col(CaseReading.case_id).desc(), col(CaseReading.id)))
    )


def good_ground_ohms(session: Session, family_id: int, limit: int = 500) -> list[tuple[str, float]]:
    """(rail, ohms to ground) of boards of a family that were good: nothing was found, or the fault was mended."""
    query = (
        select(col(CaseReading.rail), col(CaseReading.value))
        .join(BoardCase, col(BoardCase.id) == CaseReading.case_id)
        .where(
            col(BoardCase.family_id) == family_id,
            col(BoardCase.binned_at).is_(None),
            col(CaseReading.rail).is_not(None),
            col(CaseReading.quantity) == "ohm",
            col(CaseReading.supply) == "unpowered",
            col(CaseReading.value).is_not(None),
            or_(
                col(BoardCase.verdict) == "no fault found",
                and_(col(BoardCase.verdict) == "repaired", col(CaseReading.after_repair).is_(True)),
            ),
        )
        .order_by(col(BoardCase.received).desc(), col(CaseReading.id))
        .limit(limit)
    )
    return [(row.rail, row.value) for row in as_rows(session).execute(query)]


def frequent_symptoms(session: Session, number: str | None, limit: int) -> list[str]:
    """Names of the symptoms most often present on a family's boards (None: on all boards)."""
    found = families.find(session, number) if number is not None else (totals.ALL, "")
    if found is None:
        return []
    ids = [int(item) for item in totals.most(session, "present", found[0], limit)]
    names = dict(
        as_rows(session)
        .execute(select(col(Symptom.id), col(Symptom.name)).where(col(Symptom.id).in_(ids)))
        .all()
    )
    return [names[symptom] for symptom in ids]


def own_closed(session: Session, most: int) -> tuple[list[str], int, list[int]]:
    """Of the shop's own closed cases: (codes of the families with most of them, at most so many and in order;
    how many families more there are; years, the newest first)."""
    own = totals.by_family(session, "closed")
    leading = sorted(own, key=lambda number: (-own[number], number))[:most]
    codes = as_rows(session).scalars(
        select(col(Family.code)).where(col(Family.id).in_(leading)).order_by(col(Family.code_key))
    )
    years = sorted(map(int, totals.by_item(session, "closed in")), reverse=True)
    return list(codes), len(own) - len(leading), years


def customers(session: Session) -> list[str]:
    """Every customer of a case that is not in the bin.

    From each name the index leads to the next one, so that it takes as many steps as there are customers.
    """
    of_all = col(BoardCase.binned_at).is_(None)
    first = select(func.min(col(BoardCase.customer)).label("name")).where(
        of_all, col(BoardCase.customer) > ""
    )
    names = first.cte("names", recursive=True)
    following = select(func.min(col(BoardCase.customer))).where(
        of_all, col(BoardCase.customer) > names.c.name
    )
    names = names.union_all(select(following.scalar_subquery()).where(names.c.name.is_not(None)))
    return sorted(as_rows(session).scalars(select(names.c.name).where(names.c.name.is_not(None))))


def uids_of_customers(session: Session, names: Sequence[str], limit: int) -> list[str]:
    """The newest cases of some customers."""
    newest: list[tuple[date, int, str]] = []
    for name in names:
        # One by one, so that the index gives the newest of each and none of the others is looked at.
        query = select(col(BoardCase.day), col(BoardCase.id), col(BoardCase.uid)).where(
            col(BoardCase.customer) == name, col(BoardCase.binned_at).is_(None)
        )
        found = as_rows(session).execute(
            query.order_by(col(BoardCase.day).desc(), col(BoardCase.id).desc()).limit(limit)
        )
        newest += [(day or date.min, number, uid) for day, number, uid in found]
    return [uid for _, _, uid in sorted(newest, reverse=True)[:limit]]


def uids_begun(session: Session, start: str, limit: int) -> list[str]:
    """Cases whose uid begins with `start`, as labels and lists show it."""
    uid = col(BoardCase.uid)
    # The bounds let the index of uids be used; the comparison of the letters decides.
    query = select(uid).where(
        uid >= start,
        uid <= start + "z" * 8,
        func.substr(uid, 1, len(start)) == start,
        col(BoardCase.binned_at).is_(None),
    )
    return list(as_rows(session).scalars(query.order_by(uid).limit(limit)))


def uids_between(session: Session, first: date, last: date, limit: int) -> list[str]:
    """The newest cases that came in or were closed from `first` to `last`, both included."""
    found: dict[str, None] = {}
    for column in (col(BoardCase.received), col(BoardCase.closed)):
        query = select(col(BoardCase.uid)).where(
            column.between(first, last), col(BoardCase.binned_at).is_(None)
        )
        found.update(
            dict.fromkeys(
                as_rows(session).scalars(query.order_by(column.desc(), col(BoardCase.id).desc()).limit(limit))
            )
        )
    return list(found)


def people(session: Session) -> list[str]:
    """Every customer, and everybody who had a board in hand, of cases in the bin too."""
    found = set(as_rows(session).scalars(select(col(BoardCase.customer)).distinct()))
    return sorted((found | set(as_rows(session).scalars(select(col(BoardCase.worker)).distinct()))) - {""})
