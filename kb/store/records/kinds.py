"""The kinds of record, what tells one of a kind from the others, and where each stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlmodel import Session

from kb.errors import NotFound
from kb.facts.designators import code_key
from kb.store.tables.core import BenchLoad, BoardCase, Family, PartClass, ShelfPart, Symptom
from kb.store.tables.pictures import BoardPicture


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind: its name in the change feed and to a person, and its column that no two share.

    `key` holds what `fold` makes of the name in `shown`; the change feed writes the latter.
    """

    entity: str
    spoken: str
    model: type[Any]
    key: str
    shown: str
    fold: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a record stands: its row, its own spelling, its version, and since when it is in the bin."""

    id: int
    name: str
    version: int
    binned_at: datetime | None


KINDS = {
    kind.entity: kind
    for kind in (
        Kind("case", "case", BoardCase, "uid", "uid", str),
        Kind("family", "board family", Family, "code_key", "code", code_key),
        Kind("symptom", "symptom", Symptom, "name_key", "name", str.casefold),
        Kind("part_class", "part class", PartClass, "name_key", "name", str.casefold),
        Kind("load", "load", BenchLoad, "name_key", "name", str.casefold),
        Kind("shelf_part", "shelf part", ShelfPart, "name_key", "name", str.casefold),
        Kind("picture", "picture of a board", BoardPicture, "uid", "uid", str),
    )
}


def folded(entity: str, name: str) -> str:
    """What tells a record from others of its kind, however its name is spelled in this change or that."""
    kind = KINDS.get(entity)
    return kind.fold(name) if kind else name


def standing(session: Session, entity: str, names: Iterable[str]) -> dict[str, Standing]:
    """Where the records of these names stand, those in the bin too; names that nothing has are left out."""
    kind = KINDS[entity]
    folded = {name: kind.fold(name) for name in names}
    model = kind.model
    rows = session.execute(
        select(
            model.id, getattr(model, kind.key), getattr(model, kind.shown), model.version, model.binned_at
        ).where(getattr(model, kind.key).in_(set(folded.values())))
    )
    found = {row[1]: Standing(row[0], row[2], row[3], row[4]) for row in rows}
    return {name: found[key] for name, key in folded.items() if key in found}


def standing_of(session: Session, entity: str, name: str) -> Standing:
    """The same of one record. Raises NotFound."""
    found = standing(session, entity, [name]).get(name)
    if found is None:
        field = {"case": "uid", "family": "family", "picture": "uid"}.get(entity, "name")
        raise NotFound(
            f"There is no {KINDS[entity].spoken} {name}.", field=field, remedy="Search for it, or add it."
        )
    return found
