"""Saved ways to read spreadsheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session, col, select

from kb.errors import NotFound
from kb.store.tables.core import now
from kb.store.tables.sheets import SheetMapping


@dataclass(frozen=True, slots=True)
class StoredMapping:
    """A saved mapping: the keys of the columns in their order, and what was decided."""

    name: str
    headings: tuple[str, ...]
    decisions: dict[str, Any]


def _built(row: SheetMapping) -> StoredMapping:
    return StoredMapping(row.name, tuple(row.headings), row.decisions)


def all_mappings(session: Session) -> list[StoredMapping]:
    """All saved mappings, the one changed last first."""
    rows = session.scalars(
        select(SheetMapping).order_by(col(SheetMapping.changed_at).desc(), col(SheetMapping.id).desc())
    )
    return [_built(row) for row in rows]


def _of(name: str) -> Any:
    return select(SheetMapping).where(SheetMapping.name_key == name.casefold())


def named(session: Session, name: str) -> StoredMapping:
    """A mapping by its name. Raises NotFound."""
    row = session.exec(_of(name)).first()
    if row is None:
        raise NotFound(
            f"There is no saved mapping named {name}.",
            field="mapping",
            remedy="Bring one such sheet in through the browser and save its mapping there.",
        )
    return _built(row)


def save(session: Session, name: str, headings: Sequence[str], decisions: dict[str, Any]) -> None:
    """Adds a mapping or replaces the one of that name."""
    row = session.exec(_of(name)).first()
    if row is None:
        key = name.casefold()
        session.add(SheetMapping(name=name, name_key=key, headings=list(headings), decisions=decisions))
    else:
        row.name, row.headings, row.decisions, row.changed_at = name, list(headings), decisions, now()


def remove(session: Session, name: str) -> None:
    """Takes a mapping away; nothing happens where there is none."""
    row = session.exec(_of(name)).first()
    if row is not None:
        session.delete(row)
