"""What lies in the bin, and how it leaves the store for good."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from operator import add
from typing import Any

from sqlalchemy import bindparam, delete, func, literal, select, union_all
from sqlmodel import Session, col

from kb.errors import BadInput, InUse
from kb.store.engine.rows import as_rows
from kb.store.records import changes, files, pictures, totals
from kb.store.records.bins import LINKS, users
from kb.store.records.kinds import KINDS, standing_of
from kb.store.tables.bench import BenchRun
from kb.store.tables.core import BoardCase, Family, History


@dataclass(frozen=True, slots=True)
class Binned:
    """A record in the bin; `about` tells a case by its family and complaint, a picture by its family and side."""

    entity: str
    name: str
    binned_at: datetime
    about: str


def _latest() -> Any:
    """The records of each kind that were put there last, up to `most` of each."""
    parts = []
    for kind in KINDS.values():
        model = kind.model
        columns = [
            literal(kind.entity).label("entity"),
            getattr(model, kind.shown).label("name"),
            model.binned_at,
        ]
        if kind.entity == "case":
            about = col(Family.code) + literal(" ") + func.substr(col(BoardCase.complaint), 1, 80)
            query = select(*columns, about.label("about")).join(Family, col(Family.id) == BoardCase.family_id)
        elif kind.entity == "picture":
            about = col(Family.code) + literal(", ") + model.side
            query = select(*columns, about.label("about")).join(Family, col(Family.id) == model.family_id)
        else:
            query = select(*columns, literal("").label("about"))
        last = query.where(model.binned_at.is_not(None)).order_by(model.binned_at.desc(), model.id.desc())
        parts.append(select(last.limit(bindparam("most")).subquery()))
    return union_all(*parts).subquery()


def _others() -> Any:
    """How many records of other kinds than cases lie in the bin."""
    others = (kind.model for kind in KINDS.values() if kind.entity != "case")
    counts = (select(func.count()).select_from(model).where(model.binned_at.is_not(None)) for model in others)
    return select(reduce(add, (count.scalar_subquery() for count in counts)))


_LATEST, _OTHERS = _latest(), _others()
_PAGE = (
    select(_LATEST)
    .order_by(_LATEST.c.binned_at.desc(), _LATEST.c.entity, _LATEST.c.name)
    .limit(bindparam("limit"))
    .offset(bindparam("offset"))
)


def page(session: Session, *, limit: int, offset: int) -> tuple[int, list[Binned]]:
    """(how many records lie in the bin, one page of them), what was put there last first."""
    rows = as_rows(session).execute(_PAGE, {"most": offset + limit, "limit": limit, "offset": offset})
    total = totals.cases(session, "binned") + (as_rows(session).scalar(_OTHERS) or 0)
    return total, [Binned(*row) for row in rows]


def binned_before(session: Session, moment: datetime, *, limit: int) -> list[tuple[str, str]]:
    """(kind, name) of records that were put in the bin before a moment; cases before what they name.

    A family, symptom or part class that a case still names, even one in the bin, is left out.
    """
    found: list[tuple[str, str]] = []
    for kind in KINDS.values():
        model = kind.model
        query = select(getattr(model, kind.shown)).where(model.binned_at < moment).order_by(model.id)
        if kind.entity in LINKS:
            case_id, named_id = LINKS[kind.entity]
            query = query.where(~select(case_id).where(named_id == model.id).exists())
        rows = as_rows(session).scalars(query.limit(limit - len(found)))
        found += [(kind.entity, name) for name in rows]
        if len(found) >= limit:
            break
    return found


def purge(session: Session, entity: str, name: str) -> None:
    """Deletes a record that lies in the bin, with its history and everything that belongs to it alone.

    With a case go its files, its bench tests and the reports to its customer; with a family its bench
    tests and pictures. Only the change feed keeps that there was something, who deleted it and when.

    Raises NotFound, BadInput for what is not in the bin, and InUse where cases in the bin still name it.
    """
    kind, there = KINDS[entity], standing_of(session, entity, name)
    if there.binned_at is None:
        raise BadInput(
            f"The {kind.spoken} {there.name} is not in the bin.", remedy="Put it in the bin first."
        )
    if entity in LINKS and as_rows(session).scalar(users(entity, there.id).limit(1)) is not None:
        raise InUse(
            f"Cases in the bin still name the {kind.spoken} {there.name}.",
            field="name",
            remedy="Delete those cases for good first.",
        )
    if entity == "case":
        _purge_of_case(session, there.name, there.id)
    elif entity == "family":
        as_rows(session).execute(delete(BenchRun).where(col(BenchRun.family_id) == there.id))
        pictures.remove_of_family(session, there.id)
    keys = (
        [
            key
            for key in as_rows(session).scalars(
                select(col(History.key)).where(col(History.entity) == entity).distinct()
            )
            if kind.fold(key) == kind.fold(there.name)
        ]
        if entity != "case"
        else [there.name]
    )
    as_rows(session).execute(delete(History).where(col(History.entity) == entity, col(History.key).in_(keys)))
    with totals.moving(session, [there.id]) if entity == "case" else nullcontext():
        as_rows(session).execute(delete(kind.model).where(kind.model.id == there.id))
    changes.note(session, [(entity, there.name, "deleted", there.version + 1)])


def _purge_of_case(session: Session, uid: str, row_id: int) -> None:
    named = [one.uid for one in files.of_case(session, uid)]
    files.remove_of_case(session, uid)
    as_rows(session).execute(
        delete(History).where(col(History.entity) == files.ENTITY, col(History.key).in_(named))
    )
    as_rows(session).execute(delete(BenchRun).where(col(BenchRun.case_id) == row_id))
