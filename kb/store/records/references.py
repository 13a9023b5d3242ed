"""Cases that name one family, symptom or part class made to name another, many at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sqlalchemy import delete, select, update
from sqlmodel import Session

from kb.errors import InUse
from kb.model import Record, as_dict
from kb.store.records import cases, changes, totals
from kb.store.records.bins import users
from kb.store.records.kinds import KINDS, Standing
from kb.store.tables.bench import BenchRun
from kb.store.tables.core import BoardCase, CaseAttempt, CaseSymptom, now, table_of

_CASE, _SYMPTOM, _ATTEMPT, _RUN = (table_of(one) for one in (BoardCase, CaseSymptom, CaseAttempt, BenchRun))
_AT_ONCE = 500


def users_total(session: Session, entity: str, record_id: int) -> int:
    """How many cases name a record, those in the bin too."""
    return totals.naming(session, entity, record_id, also_binned=True)


def repoint(session: Session, entity: str, away: Standing, into: Standing) -> Iterator[int]:
    """Makes every case that names `away` name `into`; each is a change with its earlier version kept.

    Yields how many more cases are done. A case that noted both symptoms keeps one entry, present if either was.
    """
    ids = sorted(set(session.scalars(users(entity, away.id))))
    for start in range(0, len(ids), _AT_ONCE):
        part = ids[start : start + _AT_ONCE]
        before = cases.load(session, part).values()
        changes.keep_replaced(
            session,
            [("case", one.record.uid, one.version, as_dict(one.record), one.binned_at) for one in before],
        )
        with totals.moving(session, part):
            _rename(session, entity, part, away.id, into.id)
        after = cases.load(session, part).values()
        changes.note(
            session,
            [("case", str(one.record.uid), "updated", one.version, as_dict(one.record)) for one in after],
        )
        yield len(part)


def _rename(session: Session, entity: str, case_ids: Sequence[int], away: int, into: int) -> None:
    tried = _ATTEMPT.c.case_id.in_(case_ids)
    values = {"version": _CASE.c.version + 1, "changed_at": now()}
    if entity == "family":
        values["family_id"] = into
        session.execute(update(_ATTEMPT).where(tried).values(family_id=into))
    elif entity == "symptom":
        _join_symptoms(session, case_ids, away, into)
    else:
        mine = tried & (_ATTEMPT.c.part_class_id == away)
        session.execute(update(_ATTEMPT).where(mine).values(part_class_id=into))
    session.execute(update(_CASE).where(_CASE.c.id.in_(case_ids)).values(values))


def _join_symptoms(session: Session, case_ids: Sequence[int], away: int, into: int) -> None:
    mine = _SYMPTOM.c.case_id.in_(case_ids)
    rows = session.execute(
        select(_SYMPTOM.c.case_id, _SYMPTOM.c.present).where(mine, _SYMPTOM.c.symptom_id == into)
    )
    have = {row.case_id for row in rows}
    if have:
        both = _SYMPTOM.c.case_id.in_(have)
        present = select(_SYMPTOM.c.case_id).where(
            both, _SYMPTOM.c.symptom_id == away, _SYMPTOM.c.present.is_(True)
        )
        shown = list(session.scalars(present))
        session.execute(
            update(_SYMPTOM)
            .where(_SYMPTOM.c.case_id.in_(shown), _SYMPTOM.c.symptom_id == into)
            .values(present=True)
        )
        session.execute(delete(_SYMPTOM).where(both, _SYMPTOM.c.symptom_id == away))
    session.execute(update(_SYMPTOM).where(mine, _SYMPTOM.c.symptom_id == away).values(symptom_id=into))


def move_runs(session: Session, away_id: int, into_id: int) -> None:
    """Gives the bench tests of one family to another."""
    session.execute(update(_RUN).where(_RUN.c.family_id == away_id).values(family_id=into_id))


def fetch_runs(session: Session, code: str, family_id: int) -> None:
    """Gives a family back the bench tests that were begun under its code."""
    began = _RUN.c.family["code"].as_string() == code
    session.execute(update(_RUN).where(began).values(family_id=family_id))


def take_away(session: Session, entity: str, there: Standing, record: Record) -> None:
    """Removes a record that was merged into another; its last version stays in the history.

    Raises InUse where a case still names it.
    """
    kind = KINDS[entity]
    if session.scalar(users(entity, there.id).limit(1)) is not None:
        raise InUse(
            f"Cases name the {kind.spoken} {there.name} again, so it stays.",
            field="name",
            remedy="Merge it again.",
        )
    changes.keep_replaced(session, [(entity, there.name, there.version, as_dict(record))])
    session.execute(delete(kind.table).where(kind.table.c.id == there.id))
    changes.note(session, [(entity, there.name, "merged", there.version + 1)])
