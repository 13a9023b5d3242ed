"""The lists a shop may extend: symptoms, part classes and its own loads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Select
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from kb.errors import Conflict, NotFound
from kb.model import (
    Instead,
    LoadRecord,
    PartClassRecord,
    Record,
    ShelfPartRecord,
    SymptomRecord,
    UsedAt,
    as_dict,
)
from kb.store.engine.rows import as_rows
from kb.store.records import changes
from kb.store.tables.core import BenchLoad, PartClass, ShelfPart, Symptom

Listed = Symptom | PartClass | BenchLoad | ShelfPart


@dataclass(frozen=True, slots=True)
class _List:
    entity: str
    table: type[Listed]
    model: type[Record]
    columns: tuple[str, ...]


_LISTS = (
    _List("symptom", Symptom, SymptomRecord, ("name", "synonyms", "how", "minutes")),
    _List("part_class", PartClass, PartClassRecord, ("name", "synonyms", "letters")),
    _List(
        "load",
        BenchLoad,
        LoadRecord,
        ("name", "kind", "points", "ohm", "tolerance_pct", "max_w", "max_v", "max_a", "count", "base"),
    ),
    _List(
        "shelf_part",
        ShelfPart,
        ShelfPartRecord,
        tuple(name for name in ShelfPartRecord.model_fields if name != "record"),
    ),
)
# Lists within an entry that are records of their own.
_INNER: dict[str, type[Record]] = {"used_at": UsedAt, "instead_of": Instead}
_BY_ENTITY = {entry.entity: entry for entry in _LISTS}
ENTITIES = tuple(_BY_ENTITY)
AnyEntry = TypeVar("AnyEntry", bound=Listed)
ListRecord = SymptomRecord | PartClassRecord | LoadRecord | ShelfPartRecord


def _built(entry: _List, row: Any) -> Any:
    values = {name: getattr(row, name) for name in entry.columns}
    for name in _INNER.keys() & values.keys():
        values[name] = [_INNER[name].model_construct(**one) for one in values[name]]
    return entry.model.model_construct(**values)


def _all(session: Session, entry: _List) -> list[Any]:
    session.flush()  # what was saved as an object in this transaction counts too
    return [_built(entry, row) for row in as_rows(session).execute(_query_of(entry))]


@cache
def _query_of(entry: _List) -> Select[Any]:
    table = entry.table
    columns = (col(getattr(table, name)) for name in entry.columns)
    return select_columns(*columns).where(col(table.binned_at).is_(None)).order_by(table.name_key)


def every(session: Session) -> Iterator[tuple[str, Any]]:
    """(kind of record, record) of every entry of every list, those in the bin too."""
    for entry in _LISTS:
        for row in session.exec(select(entry.table).order_by(col(entry.table.id))):
            yield entry.entity, _built(entry, row)


def by_id(session: Session, entity: str, row_id: int) -> Any:
    """One entry of a list by its row, also one in the bin."""
    entry = _BY_ENTITY[entity]
    return _built(entry, session.get_one(entry.table, row_id))


def symptoms(session: Session) -> list[SymptomRecord]:
    """The symptom list in alphabetical order."""
    return _all(session, _LISTS[0])


def part_classes(session: Session) -> list[PartClassRecord]:
    """The part classes in alphabetical order."""
    return _all(session, _LISTS[1])


def loads(session: Session) -> list[LoadRecord]:
    """The bench's own loads in alphabetical order."""
    return _all(session, _LISTS[2])


def shelf_parts(session: Session) -> list[ShelfPartRecord]:
    """The parts on the shelf in alphabetical order."""
    return _all(session, _LISTS[3])


def shelf_part(session: Session, name: str) -> tuple[ShelfPartRecord, int]:
    """One part on the shelf with its version. Raises NotFound."""
    row = _named(session, ShelfPart, name)
    if row is None or row.binned_at is not None:
        raise NotFound(
            f"There is no part {name} on the shelf.", field="name", remedy="Choose one of the parts shelf."
        )
    return _built(_LISTS[3], row), row.version


def _named(session: Session, table: type[AnyEntry], name: str) -> AnyEntry | None:
    return session.exec(select(table).where(table.name_key == name.casefold())).first()


def save(session: Session, record: ListRecord, *, expected_version: int | None = None) -> str:
    """Adds or replaces one entry, found by its name; returns "added", "updated" or "unchanged".

    One that lay in the bin is in use again. `expected_version` 0 means that it must not be there yet.
    Raises Conflict where `expected_version` is given and the entry has moved on, NotFound where it is no
    longer there.
    """
    entry = _BY_ENTITY[record.record]
    row = _named(session, entry.table, record.name)
    spoken = entry.entity.replace("_", " ")
    if row is None:
        if expected_version:
            raise NotFound(f"The {spoken} is no longer in the store.", remedy="Add it as a new one.")
        add(session, record)
        return "added"
    is_free = expected_version is None or (expected_version == 0 and row.binned_at is not None)
    if not is_free and expected_version != row.version:
        raise Conflict(
            f"The {spoken} {row.name} was changed by somebody else since you opened it.",
            field="version",
            remedy="Look at the change and make yours again.",
        )
    before = _built(entry, row)
    if row.binned_at is None and as_dict(before) == as_dict(record):
        return "unchanged"
    changes.keep_replaced(session, [(entry.entity, record.name, row.version, as_dict(before), row.binned_at)])
    for name, value in record.model_dump(exclude={"record"}).items():
        setattr(row, name, value)
    row.version, row.binned_at = row.version + 1, None
    session.flush()
    changes.note(session, [(entry.entity, record.name, "updated", row.version, as_dict(record))])
    return "updated"


def add(session: Session, record: ListRecord, operation: str = "added") -> None:
    """Adds an entry that is not there yet; `operation` is what the feed calls it."""
    entry = _BY_ENTITY[record.record]
    version = changes.next_versions(session, entry.entity, [record.name])[record.name]
    session.add(entry.table(**record.model_dump(exclude={"record"}), name_key=record.key, version=version))
    session.flush()
    changes.note(session, [(entry.entity, record.name, operation, version, as_dict(record))])


class Names:
    """Finds list entries by name or by any of their synonyms; read once, used for many cases."""

    def __init__(self, session: Session, table: type[Symptom] | type[PartClass]) -> None:
        self._table = table
        self._entries: dict[str, tuple[int, str]] = {}
        self.reload(session)

    def reload(self, session: Session) -> None:
        """Reads the list again, after entries were added."""
        columns = select(self._table.id, self._table.name, self._table.name_key, self._table.synonyms)
        rows: Sequence[Any] = session.exec(columns.where(col(self._table.binned_at).is_(None))).all()
        # An entry's own name wins over the same words as somebody else's synonym.
        self._entries = {word.casefold(): (row.id, row.name) for row in rows for word in row.synonyms}
        self._entries.update({row.name_key: (row.id, row.name) for row in rows})

    def find(self, name: str) -> tuple[int, str] | None:
        """Id and own name of the entry, None where no entry goes by that name."""
        return self._entries.get(name.casefold())
