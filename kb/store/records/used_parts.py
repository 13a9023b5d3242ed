"""Which parts repairs took, as their attempts say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlmodel import Session, col

from kb.store.tables.core import BoardCase, CaseAttempt, PartClass

_OF_ONE_QUERY = 500


def repaired_since(session: Session, family_ids: Sequence[int], first: date, limit: int) -> list[Any]:
    """Rows of id and family_id of the shop's own repaired cases of some families, from a day on, the newest first."""
    found: list[Any] = []
    for start in range(0, len(family_ids), _OF_ONE_QUERY):
        query = (
            select(col(BoardCase.id), col(BoardCase.family_id), col(BoardCase.day))
            .where(
                col(BoardCase.family_id).in_(family_ids[start : start + _OF_ONE_QUERY]),
                col(BoardCase.day) >= first,
                col(BoardCase.verdict) == "repaired",
                col(BoardCase.binned_at).is_(None),
                col(BoardCase.origin_id).is_(None),
            )
            .order_by(col(BoardCase.day).desc(), col(BoardCase.id).desc())
            .limit(limit)
        )
        found += session.execute(query)
    return sorted(found, key=lambda row: (row.day, row.id), reverse=True)[:limit]


def of_cases(session: Session, case_ids: Sequence[int]) -> list[Any]:
    """Rows of case_id, part, part_class, section and action of fixes that cured or improved, oldest case first."""
    found: list[Any] = []
    for start in range(0, len(case_ids), _OF_ONE_QUERY):
        query: Any = (
            select(
                col(CaseAttempt.case_id),
                col(CaseAttempt.part),
                col(PartClass.name).label("part_class"),
                col(CaseAttempt.section),
                col(CaseAttempt.action),
            )
            .join(PartClass, col(PartClass.id) == col(CaseAttempt.part_class_id))
            .where(
                col(CaseAttempt.case_id).in_(case_ids[start : start + _OF_ONE_QUERY]),
                col(CaseAttempt.result).in_(("cured", "improved")),
            )
            .order_by(col(CaseAttempt.case_id), col(CaseAttempt.position))
        )
        found += session.execute(query)
    return found
