"""When the store was last written to, in whatever way."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import func, select
from sqlmodel import Session, col

from kb.store.tables.bench import BenchRun, CustomerReport
from kb.store.tables.core import Change


def newest_moment(session: Session) -> datetime | None:
    """The newest moment of a change, a bench run or a report, to the second; None in an empty store."""
    last_change = select(col(Change.at)).order_by(col(Change.seq).desc()).limit(1)
    found = [session.scalar(last_change)]
    found += [
        session.scalar(select(func.max(column)))
        for column in (
            col(BenchRun.changed_at),
            col(CustomerReport.written_at),
            col(CustomerReport.issued_at),
        )
    ]
    return max((_utc(moment) for moment in found if moment is not None), default=None)


def _utc(moment: datetime) -> datetime:
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
