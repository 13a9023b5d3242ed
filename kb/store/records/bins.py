"""The bin: records that are out of use but not lost, and how they leave it either way."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from typing import Any

from sqlalchemy import select, update
from sqlmodel import Session

from kb.errors import Conflict, InUse
from kb.store.engine.rows import as_rows
from kb.store.records import changes, totals
from kb.store.records.kinds import KINDS, Standing, standing, standing_of
from kb.store.tables.core import BoardCase, CaseAttempt, CaseSymptom, now

# Where a case names a family, a symptom or a part class: (column of the case, column of what it names).
LINKS: dict[str, tuple[Any, Any]] = {
    "family": (BoardCase.id, BoardCase.family_id),
    "symptom": (CaseSymptom.case_id, CaseSymptom.symptom_id),
    "part_class": (CaseAttempt.case_id, CaseAttempt.part_class_id),
}


def users(entity: str, record_id: int) -> Any:
    """A query for the ids of all cases that name a family, symptom or part class, binned ones too."""
    case_id, named_id = LINKS[entity]
    return select(case_id).where(named_id == record_id)


def users_count(session: Session, entity: str, record_id: int) -> int:
    """How many cases in use name a record; 0 for kinds that no case names."""
    return totals.naming(session, entity, record_id, also_binned=False) if entity in LINKS else 0


def refuse_stale(entity: str, there: Standing, expected_version: int | None) -> None:
    """Raises Conflict where `expected_version` is given and is not the version in the store."""
    if expected_version is not None and expected_version != there.version:
        raise Conflict(
            f"This {KINDS[entity].spoken} was changed by somebody else since you opened it. "
            "Nothing was overwritten.",
            field="version",
            remedy="Look at the change and decide again.",
        )


def put(session: Session, entity: str, name: str, *, expected_version: int | None = None) -> bool:
    """Puts one record in the bin; False where it lies there already.

    Raises NotFound, Conflict, and InUse for a family, symptom or part class that cases in use name.
    """
    there = standing_of(session, entity, name)
    if there.binned_at is not None:
        return False
    refuse_stale(entity, there, expected_version)
    used = users_count(session, entity, there.id)
    if used:
        raise in_use(entity, there.name, used)
    _set(session, entity, [there], binned=True)
    return True


def in_use(entity: str, name: str, used: int) -> InUse:
    """What to say of a record that cannot go to the bin."""
    spoken = KINDS[entity].spoken
    cases = f"{used} cases name" if used != 1 else "1 case names"
    return InUse(
        f"{cases} the {spoken} {name}, so it stays.",
        field="code" if entity == "family" else "name",
        remedy=f"Merge it into another {spoken}, or put its cases in the bin first.",
    )


def put_cases(session: Session, uids: Sequence[str]) -> int:
    """Puts cases in the bin, several hundred at a time; returns how many were not there already."""
    there = [one for one in standing(session, "case", uids).values() if one.binned_at is None]
    _set(session, "case", there, binned=True)
    return len(there)


def take_out(session: Session, entity: str, names: Sequence[str]) -> list[str]:
    """Takes records out of the bin, and the families, symptoms and part classes that cases among them need.

    Returns what came back besides the records themselves, such as "board family HX-210".
    """
    there = [one for one in standing(session, entity, names).values() if one.binned_at is not None]
    brought = _bring_back_named(session, [one.id for one in there]) if entity == "case" else []
    _set(session, entity, there, binned=False)
    return brought


def _bring_back_named(session: Session, case_ids: list[int]) -> list[str]:
    brought = []
    for entity, (case_id, named_id) in LINKS.items():
        kind = KINDS[entity]
        named = select(named_id).where(case_id.in_(case_ids))
        rows = (
            as_rows(session)
            .execute(
                select(
                    kind.model.id, getattr(kind.model, kind.shown), kind.model.version, kind.model.binned_at
                )
                .where(kind.model.id.in_(named), kind.model.binned_at.is_not(None))
                .order_by(kind.model.id)
            )
            .all()
        )
        _set(session, entity, [Standing(*row) for row in rows], binned=False)
        brought += [f"{kind.spoken} {row[1]}" for row in rows]
    return brought


def _set(session: Session, entity: str, there: list[Standing], *, binned: bool) -> None:
    if not there:
        return
    model = KINDS[entity].model
    ids = [one.id for one in there]
    with totals.moving(session, ids) if entity == "case" else nullcontext():
        as_rows(session).execute(
            update(model)
            .where(model.id.in_(ids))
            .values(binned_at=now() if binned else None, version=model.version + 1)
        )
    operation = "binned" if binned else "restored"
    changes.note(session, [(entity, one.name, operation, one.version + 1) for one in there])
