"""Records of any kind read and written whole: each kind by the module that keeps it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from kb.model import LineRecord
from kb.store.records import cases, families, lists, pictures, references


@dataclass(frozen=True, slots=True)
class _Keeper:
    load: Callable[[Session, int], Any]
    save: Callable[[Session, Any], str]
    put_back: Callable[[Session, Any], object]


def _save_case(session: Session, record: Any) -> str:
    done = cases.Writer(session).write([record])
    return "added" if done.added else "updated" if done.updated else "unchanged"


def _put_back_family(session: Session, record: Any) -> None:
    families.refuse_taken_numbers(session, record)
    references.fetch_runs(session, record.code, families.add(session, record, "unmerged"))


def _entry(entity: str) -> _Keeper:
    return _Keeper(
        lambda session, row_id: lists.by_id(session, entity, row_id),
        lists.save,
        lambda session, record: lists.add(session, record, "unmerged"),
    )


_KEEPERS = {
    "case": _Keeper(
        lambda session, row_id: cases.load(session, [row_id])[row_id].record, _save_case, _save_case
    ),
    "family": _Keeper(
        lambda session, row_id: families.by_ids(session, [row_id])[0].record, families.save, _put_back_family
    ),
    pictures.ENTITY: _Keeper(
        lambda session, row_id: pictures.by_ids(session, [row_id])[0].record, pictures.save, pictures.save
    ),
    **{entity: _entry(entity) for entity in lists.ENTITIES},
}


def load(session: Session, entity: str, row_id: int) -> LineRecord:
    """The record of a row, also one in the bin."""
    return _KEEPERS[entity].load(session, row_id)


def save(session: Session, record: LineRecord) -> str:
    """Adds or replaces a record: "added", "updated" or "unchanged". Raises what saving its kind raises."""
    return _KEEPERS[record.record].save(session, record)


def put_back(session: Session, record: LineRecord) -> None:
    """Adds a record that was merged away; a family gets its bench tests back."""
    _KEEPERS[record.record].put_back(session, record)
