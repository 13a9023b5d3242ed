"""How many cases and changes there are of what: kept with each write, so that no page has to count them.

Whoever changes rows of cases does so within `moving`; `changes.note` counts the changes. What a case counts
for is said in one place, `_counted`; `kb check` compares with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import bindparam, delete, func, inspect, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col

from kb.store.engine.rows import as_rows
from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseSymptom,
    CaseTotal,
    Change,
    ChangeTotal,
)

ALL = 0  # in place of a family
_BATCH = 500
_ONE_TOTAL = select(col(CaseTotal.cases)).where(
    col(CaseTotal.what) == bindparam("what"),
    col(CaseTotal.family_id) == bindparam("family"),
    col(CaseTotal.item) == bindparam("item"),
)
_DAY = func.coalesce(col(BoardCase.received), col(BoardCase.closed))
_Key = tuple[str, int, str]  # what is counted, the family or ALL, of which item


def _counted(case: Any) -> Iterator[_Key]:
    """What a row of a case counts for, beside the names in it."""
    if case.binned_at is not None:
        yield "binned", ALL, ""
        yield "binned", case.family_id, ""
        if case.worker:
            yield "binned", ALL, case.worker
        return
    yield "kept", ALL, ""
    yield "kept", case.family_id, ""
    if case.worker:
        yield "worked", ALL, case.worker
    if case.origin_id is not None:
        yield "origin", ALL, case.origin_id
    elif case.verdict is not None:
        yield "closed", case.family_id, ""
        if (day := case.closed or case.received) is not None:
            yield "closed in", ALL, f"{day.year:04}"
    else:
        for what in ("open", "waiting") if case.waiting_for else ("open",):
            yield what, ALL, ""
            if case.worker:
                yield what, ALL, case.worker


def _of(session: Session, ids: Sequence[int]) -> Counter[_Key]:
    """What some cases count for together."""
    found = Counter[_Key]()
    names = (
        "id",
        "family_id",
        "origin_id",
        "verdict",
        "received",
        "closed",
        "worker",
        "waiting_for",
        "binned_at",
    )
    rows = (
        as_rows(session)
        .execute(select(*(getattr(BoardCase, name) for name in names)).where(col(BoardCase.id).in_(ids)))
        .all()
    )
    cases = {row.id: row for row in rows}
    for row in rows:
        found.update(_counted(row))

    def named(what: str, case: Any, item: int) -> None:
        found[what if case.binned_at is None else f"binned {what}", ALL, str(item)] += 1

    noted = select(col(CaseSymptom.case_id), col(CaseSymptom.symptom_id), col(CaseSymptom.present))
    for case_id, symptom, present in as_rows(session).execute(noted.where(col(CaseSymptom.case_id).in_(ids))):
        case = cases[case_id]
        named("symptom", case, symptom)
        if present and case.binned_at is None:
            found["present", ALL, str(symptom)] += 1
            found["present", case.family_id, str(symptom)] += 1
    tried = select(col(CaseAttempt.case_id), col(CaseAttempt.part_class_id)).distinct()
    for case_id, part_class in as_rows(session).execute(tried.where(col(CaseAttempt.case_id).in_(ids))):
        named("part_class", cases[case_id], part_class)
    return found


@contextmanager
def moving(session: Session, ids: Sequence[int]) -> Iterator[None]:
    """Counts some cases as they are after the block in place of as they were before it."""
    before = _of(session, ids)
    yield
    after = _of(session, ids)
    after.subtract(before)
    _add(session, after)


def add_new(session: Session, ids: Sequence[int]) -> None:
    """Counts cases that were not there before."""
    _add(session, _of(session, ids))


def _add(session: Session, moved: Counter[_Key]) -> None:
    rows = [
        {"what": what, "family_id": family, "item": item, "cases": cases}
        for (what, family, item), cases in sorted(moved.items())
        if cases
    ]
    _upsert(session, CaseTotal, "cases", rows)


def add_changes(session: Session, entities: Iterable[str], who: str) -> None:
    """Counts changes of records of these kinds, one for each."""
    rows = [{"entity": entity, "who": who, "changes": number} for entity, number in Counter(entities).items()]
    _upsert(session, ChangeTotal, "changes", rows)


def _upsert(session: Session, model: Any, number: str, rows: list[dict[str, Any]]) -> None:
    """Adds to the number of rows that are there, and adds those that are not."""
    if not rows:
        return
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    statement = dialect.insert(model)
    total = getattr(model, number) + statement.excluded[number]
    key = list(inspect(model).primary_key)
    as_rows(session).execute(statement.on_conflict_do_update(index_elements=key, set_={number: total}), rows)


def cases(session: Session, what: str, *, family_id: int = ALL, item: str = "") -> int:
    """How many cases there are of one thing."""
    return as_rows(session).scalar(_ONE_TOTAL, {"what": what, "family": family_id, "item": item}) or 0


def by_item(session: Session, what: str) -> dict[str, int]:
    """How many cases there are of each item that has any, in all families together."""
    query = select(col(CaseTotal.item), col(CaseTotal.cases)).where(
        col(CaseTotal.what) == what,
        col(CaseTotal.family_id) == ALL,
        col(CaseTotal.item) != "",
        col(CaseTotal.cases) > 0,
    )
    return {row.item: row.cases for row in as_rows(session).execute(query.order_by(col(CaseTotal.item)))}


def most(session: Session, what: str, family_id: int, limit: int) -> list[str]:
    """The items with most cases in a family, or in all."""
    query = select(col(CaseTotal.item)).where(
        col(CaseTotal.what) == what,
        col(CaseTotal.family_id) == family_id,
        col(CaseTotal.item) != "",
        col(CaseTotal.cases) > 0,
    )
    return list(
        as_rows(session).scalars(
            query.order_by(col(CaseTotal.cases).desc(), col(CaseTotal.item)).limit(limit)
        )
    )


def by_family(session: Session, what: str, ids: Sequence[int] | None = None) -> dict[int, int]:
    """How many cases there are in each family, or in each of some."""
    query = select(col(CaseTotal.family_id), col(CaseTotal.cases)).where(
        col(CaseTotal.what) == what,
        col(CaseTotal.family_id) != ALL,
        col(CaseTotal.item) == "",
        col(CaseTotal.cases) > 0,
    )
    if ids is not None:
        query = query.where(col(CaseTotal.family_id).in_(ids))
    return {row.family_id: row.cases for row in as_rows(session).execute(query)}


def largest(session: Session, what: str, limit: int) -> list[int]:
    """The families with most cases."""
    query = select(col(CaseTotal.family_id)).where(
        col(CaseTotal.what) == what,
        col(CaseTotal.family_id) != ALL,
        col(CaseTotal.item) == "",
        col(CaseTotal.cases) > 0,
    )
    return list(
        as_rows(session).scalars(
            query.order_by(col(CaseTotal.cases).desc(), col(CaseTotal.family_id)).limit(limit)
        )
    )


def naming(session: Session, entity: str, record_id: int, *, also_binned: bool) -> int:
    """How many cases name a family, symptom or part class."""
    wanted = ("kept", "binned") if entity == "family" else (entity, f"binned {entity}")
    family_id, item = (record_id, "") if entity == "family" else (ALL, str(record_id))
    return sum(
        cases(session, what, family_id=family_id, item=item)
        for what in (wanted if also_binned else wanted[:1])
    )


def changes(session: Session, *, entity: str = "", who: str = "") -> int:
    """How many changes were made, of one kind of record or by one person where asked for."""
    asked = [
        column == text
        for column, text in ((col(ChangeTotal.entity), entity), (col(ChangeTotal.who), who))
        if text
    ]
    return int(as_rows(session).scalar(select(func.sum(col(ChangeTotal.changes))).where(*asked)) or 0)


def people(session: Session) -> list[str]:
    """Everybody who ever changed something under a name."""
    return sorted(
        as_rows(session).scalars(select(col(ChangeTotal.who)).where(col(ChangeTotal.who) != "").distinct())
    )


def faults(session: Session) -> list[str]:
    """What is kept here and does not agree with the cases and changes themselves; empty where all does."""
    counted, made = _truth(session)
    held = {
        (row.what, row.family_id, row.item): row.cases
        for row in as_rows(session).execute(select(CaseTotal))
        if row.cases
    }
    wrong = sorted({key[0] for key, _ in set(counted.items()) ^ set(held.items())})
    found = [f"The numbers of cases that were kept for “{what}” were wrong." for what in wrong]
    if made != {(row.entity, row.who): row.changes for row in as_rows(session).execute(select(ChangeTotal))}:
        found.append("The numbers of changes that were kept were wrong.")
    moved = (
        select(col(CaseAttempt.id))
        .join(BoardCase, col(BoardCase.id) == CaseAttempt.case_id)
        .where(_is_elsewhere())
    )
    late = select(col(BoardCase.id)).where(col(BoardCase.day).is_distinct_from(_DAY))
    if as_rows(session).scalar(moved.limit(1)) or as_rows(session).scalar(late.limit(1)):
        found.append("The days by which cases are listed were wrong.")
    return found


def make_again(session: Session) -> None:
    """Makes everything that is kept here from the cases and changes themselves."""
    as_rows(session).execute(
        update(BoardCase).where(col(BoardCase.day).is_distinct_from(_DAY)).values(day=_DAY)
    )
    own = select(col(BoardCase.family_id), col(BoardCase.day)).where(col(BoardCase.id) == CaseAttempt.case_id)
    family, day = (
        own.with_only_columns(column).scalar_subquery()
        for column in (col(BoardCase.family_id), col(BoardCase.day))
    )
    as_rows(session).execute(update(CaseAttempt).values(family_id=family, day=day))
    counted, made = _truth(session)
    as_rows(session).execute(delete(CaseTotal))
    as_rows(session).execute(delete(ChangeTotal))
    _add(session, counted)
    rows = [{"entity": entity, "who": who, "changes": number} for (entity, who), number in made.items()]
    _upsert(session, ChangeTotal, "changes", rows)


def _is_elsewhere() -> Any:
    family, day = col(CaseAttempt.family_id), col(CaseAttempt.day)
    return family.is_distinct_from(col(BoardCase.family_id)) | day.is_distinct_from(_DAY)


def _truth(session: Session) -> tuple[Counter[_Key], dict[tuple[str, str], int]]:
    """What all cases count for, and how many changes there are by kind and person."""
    counted = Counter[_Key]()
    ids = list(as_rows(session).scalars(select(col(BoardCase.id)).order_by(col(BoardCase.id))))
    for start in range(0, len(ids), _BATCH):
        counted += _of(session, ids[start : start + _BATCH])
    query = select(col(Change.entity), col(Change.who), func.count()).group_by(
        col(Change.entity), col(Change.who)
    )
    return counted, {(entity, who): number for entity, who, number in as_rows(session).execute(query)}
