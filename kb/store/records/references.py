"""Cases that name one family, symptom or part class made to name another, many at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sqlalchemy import delete, select, update
from sqlmodel import Session, col

from kb.errors import InUse
from kb.model import Record, as_dict
from kb.store.engine.rows import as_rows
from kb.store.records import cases, changes, totals
from kb.store.records.bins import users
from kb.store.records.kinds import KINDS, Standing
from kb.store.tables.bench import BenchRun
from kb.store.tables.core import BoardCase, CaseAttempt, CaseSymptom, now

_AT_ONCE = 500


def users_total(session: Session, entity: str, record_id: int) -> int:
    """How many cases name a record, those in the bin too."""
    return totals.naming(session, entity, record_id, also_binned=True)


def repoint(session: Session, entity: str, away: Standing, into: Standing) -> Iterator[int]:
    """Makes every case that names `away` name `into`; each is a change with its earlier version kept.

    Yields how many more cases are done. A case that noted both symptoms keeps one entry, present if either was.
    """
    ids = sorted(set(as_rows(session).scalars(users(entity, away.id))))
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
    tried = col(CaseAttempt.case_id).in_(case_ids)
    values = {"version": col(BoardCase.version) + 1, "changed_at": now()}
    if entity == "family":
        values["family_id"] = into
        as_rows(session).execute(update(CaseAttempt).where(tried).values(family_id=into))
    elif entity == "symptom":
        _join_symptoms(session, case_ids, away, into)
    else:
        mine = tried & (col(CaseAttempt.part_class_id) == away)
        as_rows(session).execute(update(CaseAttempt).where(mine).values(part_class_id=into))
    as_rows(session).execute(update(BoardCase).where(col(BoardCase.id).in_(case_ids)).values(values))


def _join_symptoms(session: Session, case_ids: Sequence[int], away: int, into: int) -> None:
    mine = col(CaseSymptom.case_id).in_(case_ids)
    rows = as_rows(session).execute(
        select(col(CaseSymptom.case_id), col(CaseSymptom.present)).where(
            mine, col(CaseSymptom.symptom_id) == into
        )
    )
    have = {row.case_id for row in rows}
    if have:
        both = col(CaseSymptom.case_id).in_(have)
        present = select(col(CaseSymptom.case_id)).where(
            both, col(CaseSymptom.symptom_id) == away, col(CaseSymptom.present).is_(True)
        )
        shown = list(as_rows(session).scalars(present))
        as_rows(session).execute(
            update(CaseSymptom)
            .where(col(CaseSymptom.case_id).in_(shown), col(CaseSymptom.symptom_id) == into)
            .values(present=True)
        )
        as_rows(session).execute(delete(CaseSymptom).where(both, col(CaseSymptom.symptom_id) == away))
    as_rows(session).execute(
        update(CaseSymptom).where(mine, col(CaseSymptom.symptom_id) == away).values(symptom_id=into)
    )


def move_runs(session: Session, away_id: int, into_id: int) -> None:
    """Gives the bench tests of one family to another."""
    as_rows(session).execute(
        update(BenchRun).where(col(BenchRun.family_id) == away_id).values(family_id=into_id)
    )


def fetch_runs(session: Session, code: str, family_id: int) -> None:
    """Gives a family back the bench tests that were begun under its code."""
    began = col(BenchRun.family)["code"].as_string() == code
    as_rows(session).execute(update(BenchRun).where(began).values(family_id=family_id))


def take_away(session: Session, entity: str, there: Standing, record: Record) -> None:
    """Removes a record that was merged into another; its last version stays in the history.

    Raises InUse where a case still names it.
    """
    kind = KINDS[entity]
    if as_rows(session).scalar(users(entity, there.id).limit(1)) is not None:
        raise InUse(
            f"Cases name the {kind.spoken} {there.name} again, so it stays.",
            field="name",
            remedy="Merge it again.",
        )
    changes.keep_replaced(session, [(entity, there.name, there.version, as_dict(record))])
    as_rows(session).execute(delete(kind.model).where(kind.model.id == there.id))
    changes.note(session, [(entity, there.name, "merged", there.version + 1)])
