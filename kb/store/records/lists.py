"""The lists a shop may extend: symptoms, part classes and its own loads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import insert, select, update
from sqlmodel import Session, SQLModel

from kb.errors import NotFound
from kb.model import LoadRecord, PartClassRecord, Record, SymptomRecord, as_dict
from kb.store.records import changes
from kb.store.tables import BenchLoad, PartClass, Symptom, table_of


@dataclass(frozen=True, slots=True)
class _List:
    entity: str
    table: type[SQLModel]
    model: type[Record]
    columns: tuple[str, ...]


_LISTS = (
    _List("symptom", Symptom, SymptomRecord, ("name", "synonyms", "how", "minutes")),
    _List("part_class", PartClass, PartClassRecord, ("name", "synonyms", "letters")),
    _List(
        "load",
        BenchLoad,
        LoadRecord,
        ("name", "kind", "points", "ohm", "tolerance_pct", "max_w", "max_v", "max_a", "count"),
    ),
)
_BY_MODEL = {entry.model: entry for entry in _LISTS}
ListRecord = SymptomRecord | PartClassRecord | LoadRecord


def _built(entry: _List, row: Any) -> Any:
    return entry.model.model_construct(**{name: getattr(row, name) for name in entry.columns})


def _all(session: Session, entry: _List) -> list[Any]:
    table = table_of(entry.table)
    return [_built(entry, row) for row in session.execute(select(table).order_by(table.c.name_key))]


def symptoms(session: Session) -> list[SymptomRecord]:
    """The symptom list in alphabetical order."""
    return _all(session, _LISTS[0])


def part_classes(session: Session) -> list[PartClassRecord]:
    """The part classes in alphabetical order."""
    return _all(session, _LISTS[1])


def loads(session: Session) -> list[LoadRecord]:
    """The bench's own loads in alphabetical order."""
    return _all(session, _LISTS[2])


def save(session: Session, record: ListRecord) -> str:
    """Adds or replaces one entry, found by its name; answers "added", "updated" or "unchanged"."""
    entry = _BY_MODEL[type(record)]
    table = table_of(entry.table)
    key = record.name.casefold()
    values = {**record.model_dump(exclude={"record"}), "name_key": key}
    row = session.execute(select(table).where(table.c.name_key == key)).first()
    if row is None:
        session.execute(insert(table), values)
        changes.note(session, [(entry.entity, record.name, "added", 1)])
        return "added"
    before = _built(entry, row)
    if as_dict(before) == as_dict(record):
        return "unchanged"
    changes.keep_replaced(session, [(entry.entity, row.name, row.version, as_dict(before))])
    session.execute(update(table).where(table.c.id == row.id).values(**values, version=row.version + 1))
    changes.note(session, [(entry.entity, record.name, "updated", row.version + 1)])
    return "updated"


def load_named(session: Session, name: str) -> LoadRecord:
    """One of the bench's loads. Raises NotFound."""
    for record in loads(session):
        if record.name.casefold() == name.casefold():
            return record
    raise NotFound(f"There is no load named {name}.", field="load", remedy="Choose one from the list.")


class Names:
    """Finds list entries by name or by any of their synonyms; read once, used for many cases."""

    def __init__(self, session: Session, table: type[Symptom] | type[PartClass]) -> None:
        self._table = table_of(table)
        self._entries: dict[str, tuple[int, str]] = {}
        self.reload(session)

    def reload(self, session: Session) -> None:
        """Reads the list again, after entries were added."""
        rows: Sequence[Any] = session.execute(
            select(self._table.c.id, self._table.c.name, self._table.c.name_key, self._table.c.synonyms)
        ).all()
        # An entry's own name wins over the same words as somebody else's synonym.
        self._entries = {word.casefold(): (row.id, row.name) for row in rows for word in row.synonyms}
        self._entries.update({row.name_key: (row.id, row.name) for row in rows})

    def find(self, name: str) -> tuple[int, str] | None:
        """Id and own name of the entry, None where no entry goes by that name."""
        return self._entries.get(name.casefold())
