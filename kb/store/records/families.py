"""Board families: found by any number they are known by, written as whole records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import groupby
from typing import Any

from sqlalchemy import BindParameter, bindparam, delete, insert, select, update
from sqlmodel import Session, col

from kb.errors import Conflict, NotFound, Taken
from kb.facts.designators import code_key
from kb.model import (
    Connector,
    Enable,
    FamilyDocument,
    FamilyRecord,
    PinValue,
    Rail,
    Revision,
    Tip,
    UsedIn,
    as_dict,
)
from kb.store.engine.rows import as_rows
from kb.store.records import changes, totals
from kb.store.tables.core import Family, FamilyConnector, FamilyNumber, FamilyRail, now

_PLAIN = ("code", "kind", "mains_v", "bulk_v", "bulk_uf", "fuse", "isolated", "switch", "notes")
# Lists that no question is asked about, kept whole in the family's own row.
_WHOLE = ("tips", "revisions", "used_in", "documents", "pin_values")
_RAIL_FIELDS = tuple(Rail.model_fields)
_CONNECTOR_FIELDS = tuple(Connector.model_fields)
# Asked for most pages, so made once.
_IDS: BindParameter[int] = bindparam("ids", expanding=True)
_BY_NUMBER = (
    select(col(Family.id), col(Family.code))
    .join(FamilyNumber, col(FamilyNumber.family_id) == Family.id)
    .where(col(FamilyNumber.number_key) == bindparam("key"))
)
_IN_USE_BY_NUMBER = _BY_NUMBER.where(col(Family.binned_at).is_(None))
_BY_IDS = select(Family).where(col(Family.id).in_(_IDS)).order_by(col(Family.code_key))
_PARTS: tuple[Any, ...] = (FamilyNumber, FamilyRail, FamilyConnector)
_NUMBERS, _RAILS, _CONNECTORS = (
    select(model).where(model.family_id.in_(_IDS)).order_by(model.family_id, model.position)
    for model in _PARTS
)


@dataclass(frozen=True, slots=True)
class StoredFamily:
    """A family as it stands in the store, with its version and its number of cases."""

    id: int
    record: FamilyRecord
    version: int
    cases: int = 0
    binned_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class FamilyNames:
    """What a family is known by, its code first among `numbers`."""

    id: int
    code: str
    kind: str
    numbers: tuple[str, ...]


def find(session: Session, number: str, *, also_binned: bool = False) -> tuple[int, str] | None:
    """Id and code of the family known by a number, whatever its separators and case."""
    query = _BY_NUMBER if also_binned else _IN_USE_BY_NUMBER
    row = as_rows(session).execute(query, {"key": code_key(number)}).first()
    return (row.id, row.code) if row else None


def names(session: Session) -> list[FamilyNames]:
    """What all families are known by, in order of their code."""
    rows = as_rows(session).execute(
        select(col(Family.id), col(Family.code), col(Family.kind), col(FamilyNumber.number))
        .join(FamilyNumber, col(FamilyNumber.family_id) == Family.id)
        .where(col(Family.binned_at).is_(None))
        .order_by(col(Family.code_key), col(FamilyNumber.position))
    )
    of_one = (list(rows) for _, rows in groupby(rows, key=lambda row: row.id))
    return [
        FamilyNames(rows[0].id, rows[0].code, rows[0].kind, tuple(row.number for row in rows))
        for rows in of_one
    ]


def _children(session: Session, query: Any, ids: Sequence[int]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in as_rows(session).execute(query, {"ids": ids}):
        found.setdefault(row.family_id, []).append(row)
    return found


def by_ids(session: Session, ids: Sequence[int]) -> list[StoredFamily]:
    """Families by id, in order of their code."""
    rows = as_rows(session).execute(_BY_IDS, {"ids": ids}).all()
    numbers, rails, connectors = (_children(session, one, ids) for one in (_NUMBERS, _RAILS, _CONNECTORS))
    return [
        StoredFamily(
            row.id,
            FamilyRecord.model_construct(
                **{name: getattr(row, name) for name in _PLAIN},
                aliases=[entry.number for entry in numbers.get(row.id, []) if entry.number != row.code],
                rails=[_part(Rail, entry, _RAIL_FIELDS) for entry in rails.get(row.id, [])],
                connectors=[
                    _part(Connector, entry, _CONNECTOR_FIELDS) for entry in connectors.get(row.id, [])
                ],
                enable=None if row.enable is None else Enable.model_construct(**row.enable),
                tips=_entries(Tip, row.tips),
                revisions=_entries(Revision, row.revisions),
                used_in=_entries(UsedIn, row.used_in),
                documents=_entries(FamilyDocument, row.documents),
                pin_values=_entries(PinValue, row.pin_values),
            ),
            row.version,
            binned_at=row.binned_at,
        )
        for row in rows
    ]


def _entries(model: Any, kept: list[dict[str, Any]]) -> Any:
    """The entries of a list that is kept whole; days are kept as text."""
    return [
        model.model_construct(**{name: _read(name, value) for name, value in one.items()}) for one in kept
    ]


def _read(name: str, value: Any) -> Any:
    return date.fromisoformat(value) if name == "date" and value else value


def _part(model: Any, row: Any, names: tuple[str, ...]) -> Any:
    return model.model_construct(**{name: getattr(row, name) for name in names})


def get(session: Session, number: str, *, also_binned: bool = False) -> StoredFamily:
    """The family known by a number, on demand also one in the bin. Raises NotFound."""
    found = find(session, number, also_binned=also_binned)
    if found is None:
        raise NotFound(
            f"No board family is known by the number {number}.",
            field="family",
            remedy="Check the number, or add the family.",
        )
    stored = by_ids(session, [found[0]])[0]
    return replace(stored, cases=totals.cases(session, "kept", family_id=stored.id))


def all_ids(session: Session) -> list[int]:
    """Ids of all families but those in the bin, in order of their code."""
    query = select(col(Family.id)).where(col(Family.binned_at).is_(None)).order_by(col(Family.code_key))
    return list(as_rows(session).scalars(query))


def every_id(session: Session) -> list[int]:
    """Ids of all families, those in the bin too."""
    return list(as_rows(session).scalars(select(col(Family.id)).order_by(col(Family.id))))


def save(session: Session, record: FamilyRecord, *, expected_version: int | None = None) -> str:
    """Adds a family or replaces the one with the same code; "added", "updated" or "unchanged".

    One that lay in the bin is in use again.

    Raises Taken where another family is already known by one of its numbers, Conflict where
    `expected_version` is given and the family has moved on.
    """
    key = code_key(record.code)
    refuse_taken_numbers(session, record)
    row = (
        as_rows(session)
        .execute(select(col(Family.id), col(Family.version)).where(col(Family.code_key) == key))
        .first()
    )
    if row is None:
        add(session, record)
        return "added"
    before = by_ids(session, [row.id])[0]
    if expected_version is not None and expected_version != row.version:
        raise Conflict(
            f"Family {record.code} was changed by somebody else since you opened it.",
            remedy="Reload it, look at the change and make yours again.",
        )
    if before.binned_at is None and as_dict(before.record) == as_dict(record):
        return "unchanged"
    changes.keep_replaced(
        session, [("family", record.code, row.version, as_dict(before.record), before.binned_at)]
    )
    values = {**_row(record), "version": row.version + 1, "binned_at": None}
    as_rows(session).execute(update(Family).where(col(Family.id) == row.id).values(**values))
    for model in _PARTS:
        as_rows(session).execute(delete(model).where(model.family_id == row.id))
    _write_children(session, row.id, record)
    changes.note(session, [("family", record.code, "updated", row.version + 1, as_dict(record))])
    return "updated"


def _row(record: FamilyRecord) -> dict[str, Any]:
    return {
        **{name: getattr(record, name) for name in _PLAIN},
        "code_key": code_key(record.code),
        "enable": record.enable.model_dump() if record.enable else None,
        **{name: [entry.model_dump(mode="json") for entry in getattr(record, name)] for name in _WHOLE},
        "changed_at": now(),
    }


def add(session: Session, record: FamilyRecord, operation: str = "added") -> int:
    """Adds a family that is not there yet and returns its id; `operation` is what the feed calls it."""
    version = changes.next_versions(session, "family", [record.code])[record.code]
    family_id = (
        as_rows(session)
        .scalars(insert(Family).returning(col(Family.id)), [{**_row(record), "version": version}])
        .one()
    )
    _write_children(session, family_id, record)
    changes.note(session, [("family", record.code, operation, version, as_dict(record))])
    return family_id


def refuse_taken_numbers(session: Session, record: FamilyRecord) -> None:
    """Raises Taken where another family is known by one of the numbers of this one."""
    key = code_key(record.code)
    keys = {code_key(number): number for number in (record.code, *record.aliases)}
    rows = as_rows(session).execute(
        select(col(FamilyNumber.number_key), col(Family.code), col(Family.binned_at))
        .join(Family, col(Family.id) == FamilyNumber.family_id)
        .where(col(FamilyNumber.number_key).in_(keys), col(Family.code_key) != key)
    )
    for row in rows:
        number = keys[row.number_key]
        binned = row.binned_at is not None
        raise Taken(
            f"The number {number} already belongs to board family {row.code}"
            + (", which is in the bin." if binned else "."),
            field="code" if code_key(number) == key else "aliases",
            remedy=f"Take {row.code} out of the bin, or delete it for good."
            if binned
            else f"Leave the number out, or use family {row.code}.",
        )


def _write_children(session: Session, family_id: int, record: FamilyRecord) -> None:
    def numbered(entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [
            {"family_id": family_id, "position": position, **entry} for position, entry in enumerate(entries)
        ]

    numbers = [{"number": text, "number_key": code_key(text)} for text in (record.code, *record.aliases)]
    for model, rows in (
        (FamilyNumber, numbers),
        (FamilyRail, [rail.model_dump() for rail in record.rails]),
        (FamilyConnector, [connector.model_dump() for connector in record.connectors]),
    ):
        if rows:
            as_rows(session).execute(insert(model), numbered(rows))
