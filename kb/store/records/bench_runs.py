"""Bench runs, their entries, and the reports given to customers."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session, col

from kb.errors import NotFound
from kb.store.records import families
from kb.store.tables.bench import BenchEntry, BenchRun, CustomerReport
from kb.store.tables.core import BoardCase, Family, now


@dataclass(frozen=True, slots=True)
class StoredEntry:
    """One entry of a run, in the order in which they were made."""

    id: int
    step: str
    value: float | None
    min: float | None
    max: float | None
    open: bool
    done: bool
    written: str
    load_a: float | None
    around: dict[str, Any]
    reading: dict[str, Any] | None
    entered_at: datetime


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run as it stands in the store; `family` is the exchange record it was started with."""

    id: int
    uid: str
    family_code: str
    case_uid: str | None
    label: str
    after_repair: bool
    isolated: bool
    soak_s: float
    loads: dict[str, Any]
    left_out: dict[str, str]
    setup: dict[str, Any]
    family: dict[str, Any]
    verdict: dict[str, Any]
    state: str
    started_at: datetime
    changed_at: datetime
    acknowledged_at: datetime | None
    finished_at: datetime | None
    entries: tuple[StoredEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class StoredReport:
    """A report as written; a draft while `issued_at` is None."""

    uid: str
    case_uid: str
    content: dict[str, Any]
    written_at: datetime
    issued_at: datetime | None


_RUN_FIELDS = tuple(
    name for name in StoredRun.__dataclass_fields__ if name not in ("family_code", "case_uid", "entries")
)
_ENTRY_FIELDS = tuple(StoredEntry.__dataclass_fields__)


def _case_id(session: Session, uid: str) -> int:
    found = session.scalar(select(col(BoardCase.id)).where(col(BoardCase.uid) == uid))
    if found is None:
        raise NotFound(f"There is no case {uid}.", field="case", remedy="Search for it.")
    return found


def add(session: Session, *, family: str, case_uid: str | None, values: Mapping[str, Any]) -> str:
    """Adds a run and returns its uid. Raises NotFound for an unknown family or case."""
    uid = str(uuid.uuid4())
    session.execute(
        insert(BenchRun),
        {
            **values,
            "uid": uid,
            "family_id": families.get(session, family).id,
            "case_id": None if case_uid is None else _case_id(session, case_uid),
            "started_at": now(),
            "changed_at": now(),
        },
    )
    return uid


def _runs(session: Session, *conditions: Any, limit: int, newest_first: bool = True) -> list[StoredRun]:
    query: Any = (
        select(BenchRun, col(Family.code), col(BoardCase.uid))
        .join(Family, col(Family.id) == col(BenchRun.family_id))
        .outerjoin(BoardCase, col(BoardCase.id) == col(BenchRun.case_id))
        .where(*conditions)
        .order_by(col(BenchRun.id).desc() if newest_first else col(BenchRun.id))
        .limit(limit)
    )
    rows = session.execute(query).all()
    entries: dict[Any, list[StoredEntry]] = {run.id: [] for run, _, _ in rows}
    found = session.scalars(
        select(BenchEntry)
        .where(col(BenchEntry.run_id).in_(list(entries)), col(BenchEntry.taken_back).is_(False))
        .order_by(col(BenchEntry.id))
    )
    for entry in found:
        entries[entry.run_id].append(StoredEntry(**{name: getattr(entry, name) for name in _ENTRY_FIELDS}))
    return [
        StoredRun(
            **{name: getattr(run, name) for name in _RUN_FIELDS},
            family_code=code,
            case_uid=case_uid,
            entries=tuple(entries[run.id]),
        )
        for run, code, case_uid in rows
    ]


def get(session: Session, uid: str) -> StoredRun:
    """One run with its entries. Raises NotFound."""
    found = _runs(session, col(BenchRun.uid) == uid, limit=1)
    if not found:
        raise NotFound("There is no such bench test.", field="run", remedy="Choose one from the bench page.")
    return found[0]


def hold(session: Session, uid: str) -> StoredRun:
    """A run that is about to be changed: nobody else changes it or its case until the transaction ends.

    SQLite holds the whole store for a writer anyway. Raises NotFound.
    """
    case_id = session.scalar(select(col(BenchRun.case_id)).where(col(BenchRun.uid) == uid).with_for_update())
    if case_id is not None:
        hold_case(session, case_id)
    return get(session, uid)


def hold_case(session: Session, case_id: int) -> None:
    """Keeps others from changing a case until the transaction ends."""
    session.execute(select(col(BoardCase.id)).where(col(BoardCase.id) == case_id).with_for_update())


def under_way(session: Session, limit: int = 20) -> list[StoredRun]:
    """Runs that were not finished, the oldest first."""
    return _runs(session, col(BenchRun.finished_at).is_(None), limit=limit, newest_first=False)


def finished(session: Session, limit: int = 10) -> list[StoredRun]:
    """Runs that were finished, the newest first."""
    return _runs(session, col(BenchRun.finished_at).is_not(None), limit=limit)


def of_case(session: Session, case_uid: str, limit: int = 50) -> list[StoredRun]:
    """All runs of a case, the newest first."""
    return _runs(session, col(BoardCase.uid) == case_uid, limit=limit)


def change(session: Session, run_id: int, values: Mapping[str, Any]) -> None:
    """Changes columns of a run."""
    session.execute(update(BenchRun).where(col(BenchRun.id) == run_id).values(**values, changed_at=now()))


def note_cautions_read(session: Session, run_id: int) -> None:
    """Notes when the cautions of a run were read."""
    change(session, run_id, {"acknowledged_at": now()})


def end(session: Session, run_id: int) -> None:
    """Notes when a run was finished."""
    change(session, run_id, {"finished_at": now()})


def give_case(session: Session, run_id: int, case_uid: str) -> None:
    """Ties a run that was started without a case to one."""
    change(session, run_id, {"case_id": _case_id(session, case_uid)})


def enter(session: Session, run_id: int, values: Mapping[str, Any]) -> None:
    """Adds an entry to a run."""
    session.execute(
        insert(BenchEntry), {**values, "run_id": run_id, "entered_at": now(), "taken_back": False}
    )


def take_back(session: Session, entry_id: int) -> None:
    """Marks an entry as mistaken; it stays in the store but counts no more."""
    session.execute(update(BenchEntry).where(col(BenchEntry.id) == entry_id).values(taken_back=True))


def _reports(session: Session, *conditions: Any) -> list[StoredReport]:
    query: Any = (
        select(CustomerReport, col(BoardCase.uid))
        .join(BoardCase, col(BoardCase.id) == col(CustomerReport.case_id))
        .where(*conditions)
        .order_by(col(CustomerReport.id).desc())
    )
    return [
        StoredReport(one.uid, uid, one.content, one.written_at, one.issued_at)
        for one, uid in session.execute(query)
    ]


def report(session: Session, uid: str) -> StoredReport:
    """One report. Raises NotFound."""
    found = _reports(session, col(CustomerReport.uid) == uid)
    if not found:
        raise NotFound("There is no such report.", field="report", remedy="Open it from its case.")
    return found[0]


def reports_of(session: Session, case_uid: str) -> tuple[StoredReport | None, Sequence[StoredReport]]:
    """(the draft if there is one, issued reports, the newest first) of a case."""
    found = _reports(session, col(BoardCase.uid) == case_uid)
    draft = next((one for one in found if one.issued_at is None), None)
    return draft, [one for one in found if one.issued_at is not None]


def write_report(session: Session, case_uid: str, content: Mapping[str, Any], *, issue: bool) -> str:
    """Keeps the case's draft, or issues it; returns the uid. An issued report is never touched again."""
    case_id = _case_id(session, case_uid)
    _drop_draft(session, case_id)
    uid = str(uuid.uuid4())
    written = CustomerReport(
        uid=uid, case_id=case_id, content=dict(content), issued_at=now() if issue else None
    )
    session.add(written)
    return uid


def drop_draft(session: Session, case_uid: str) -> None:
    """Throws the draft of a case away, so that the next one is proposed again."""
    _drop_draft(session, _case_id(session, case_uid))


def _drop_draft(session: Session, case_id: int) -> None:
    draft = (col(CustomerReport.case_id) == case_id, col(CustomerReport.issued_at).is_(None))
    session.execute(delete(CustomerReport).where(*draft))
