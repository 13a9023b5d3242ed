"""What PostgreSQL knows of its tables when it plans a query."""

from __future__ import annotations

from sqlalchemy import text
from sqlmodel import Session

from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseFollowUp,
    CaseReading,
    CaseSymptom,
    Change,
    History,
)

_GROWING = (BoardCase, CaseSymptom, CaseReading, CaseAttempt, CaseFollowUp, Change, History)


def count_again(session: Session) -> None:
    """Has PostgreSQL count the tables that an import fills, with the rows of the open transaction.

    It plans by what it counted last, and by itself it counts only what is committed: to a long import its own
    rows do not exist, and each look at the change feed reads all of it instead of its index. SQLite does
    without such counts here.
    """
    if session.get_bind().dialect.name == "postgresql":
        session.execute(text("ANALYZE " + ", ".join(str(one.__tablename__) for one in _GROWING)))
