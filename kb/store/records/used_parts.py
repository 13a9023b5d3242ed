"""Which parts repairs took, as their attempts say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlmodel import Session

from kb.store.tables.core import BoardCase, CaseAttempt, PartClass, table_of

_CASE, _ATTEMPT, _CLASS = (table_of(one) for one in (BoardCase, CaseAttempt, PartClass))
_OF_ONE_QUERY = 500


def repaired_since(session: Session, family_ids: Sequence[int], first: date, limit: int) -> list[Any]:
    """Rows of id and family_id of the shop's own repaired cases of some families, from a day on, the newest first."""
    found: list[Any] = []
    for start in range(0, len(family_ids), _OF_ONE_QUERY):
        query = (
            select(_CASE.c.id, _CASE.c.family_id, _CASE.c.day)
            .where(
                _CASE.c.family_id.in_(family_ids[start : start + _OF_ONE_QUERY]),
                _CASE.c.day >= first,
                _CASE.c.verdict == "repaired",
                _CASE.c.binned_at.is_(None),
                _CASE.c.origin_id.is_(None),
            )
            .order_by(_CASE.c.day.desc(), _CASE.c.id.desc())
            .limit(limit)
        )
        found += session.execute(query)
    return sorted(found, key=lambda row: (row.day, row.id), reverse=True)[:limit]


def of_cases(session: Session, case_ids: Sequence[int]) -> list[Any]:
    """Rows of case_id, part, part_class, section and action of fixes that cured or improved, oldest case first."""
    found: list[Any] = []
    for start in range(0, len(case_ids), _OF_ONE_QUERY):
        query = (
            select(
                _ATTEMPT.c.case_id,
                _ATTEMPT.c.part,
                _CLASS.c.name.label("part_class"),
                _ATTEMPT.c.section,
                _ATTEMPT.c.action,
            )
            .join(_CLASS, _CLASS.c.id == _ATTEMPT.c.part_class_id)
            .where(
                _ATTEMPT.c.case_id.in_(case_ids[start : start + _OF_ONE_QUERY]),
                _ATTEMPT.c.result.in_(("cured", "improved")),
            )
            .order_by(_ATTEMPT.c.case_id, _ATTEMPT.c.position)
        )
        found += session.execute(query)
    return found
