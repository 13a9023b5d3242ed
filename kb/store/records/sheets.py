"""Saved ways to read spreadsheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session

from kb.errors import NotFound
from kb.store.tables.core import now, table_of
from kb.store.tables.sheets import SheetMapping

_MAPPING = table_of(SheetMapping)


@dataclass(frozen=True, slots=True)
class StoredMapping:
    """A saved mapping: the keys of the columns in their order, and what was decided."""

    name: str
    headings: tuple[str, ...]
    decisions: dict[str, Any]


def _built(row: Any) -> StoredMapping:
    return StoredMapping(row.name, tuple(row.headings), row.decisions)


def all_mappings(session: Session) -> list[StoredMapping]:
    """All saved mappings, the one changed last first."""
    rows = session.execute(select(_MAPPING).order_by(_MAPPING.c.changed_at.desc(), _MAPPING.c.id.desc()))
    return [_built(row) for row in rows]


def named(session: Session, name: str) -> StoredMapping:
    """A mapping by its name. Raises NotFound."""
    row = session.execute(select(_MAPPING).where(_MAPPING.c.name_key == name.casefold())).first()
    if row is None:
        raise NotFound(
            f"There is no saved mapping named {name}.",
            field="mapping",
            remedy="Bring one such sheet in through the browser and save its mapping there.",
        )
    return _built(row)


def save(session: Session, name: str, headings: Sequence[str], decisions: dict[str, Any]) -> None:
    """Adds a mapping or replaces the one of that name."""
    values = {
        "name": name,
        "name_key": name.casefold(),
        "headings": list(headings),
        "decisions": decisions,
        "changed_at": now(),
    }
    done = session.execute(update(_MAPPING).where(_MAPPING.c.name_key == name.casefold()).values(**values))
    if not done.rowcount:  # type: ignore[attr-defined]
        session.execute(insert(_MAPPING), [values])


def remove(session: Session, name: str) -> None:
    """Takes a mapping away; nothing happens where there is none."""
    session.execute(delete(_MAPPING).where(_MAPPING.c.name_key == name.casefold()))
