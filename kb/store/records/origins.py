"""Other shops whose cases this store holds, and the name under which it shares its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session

from kb.errors import NotFound
from kb.model import OriginRecord
from kb.store.records import bins, totals
from kb.store.tables.core import BoardCase, Change, Origin, Setting, now, table_of

_ORIGIN = table_of(Origin)
_CASE = table_of(BoardCase)
_CHANGE = table_of(Change)
_SETTING = table_of(Setting)
_STEP = 500


@dataclass(frozen=True, slots=True)
class StoredOrigin:
    """Another shop; `cases` counts those not in the bin."""

    id: str
    name: str
    exported: date
    brought_at: datetime
    withdrawn_at: datetime | None
    withdrawn_batch: str | None
    cases: int


def listed(session: Session) -> list[StoredOrigin]:
    """All other shops, by name."""
    counts = totals.by_item(session, "origin")
    rows = session.execute(select(_ORIGIN).order_by(_ORIGIN.c.name, _ORIGIN.c.id))
    return [
        StoredOrigin(
            row.id,
            row.name,
            row.exported,
            row.brought_at,
            row.withdrawn_at,
            row.withdrawn_batch,
            counts.get(row.id, 0),
        )
        for row in rows
    ]


def get(session: Session, origin_id: str) -> StoredOrigin:
    """Raises NotFound."""
    for origin in listed(session):
        if origin.id == origin_id:
            return origin
    raise NotFound("No cases of this shop are here.", field="origin", remedy="Look at the list of shops.")


def records(session: Session) -> list[OriginRecord]:
    """The shops that some case not in the bin comes from, for an export."""
    return [
        OriginRecord.model_construct(id=one.id, name=one.name, date=one.exported)
        for one in listed(session)
        if one.cases
    ]


def names(session: Session) -> dict[str, str]:
    """Names of all other shops by id."""
    return {row.id: row.name for row in session.execute(select(_ORIGIN.c.id, _ORIGIN.c.name))}


def of_cases(session: Session, uids: Sequence[str]) -> dict[str, str]:
    """The name of the shop by the uid of the case, for those of the given cases that are another shop's."""
    rows = session.execute(
        select(_CASE.c.uid, _ORIGIN.c.name)
        .join(_ORIGIN, _ORIGIN.c.id == _CASE.c.origin_id)
        .where(_CASE.c.uid.in_(uids))
    )
    return {row.uid: row.name for row in rows}


def known(session: Session, uids: Sequence[str]) -> dict[str, tuple[str, bool]]:
    """(id of the shop or "", whether it is in the bin) by uid, of those cases that the store holds."""
    rows = session.execute(
        select(_CASE.c.uid, _CASE.c.origin_id, _CASE.c.binned_at).where(_CASE.c.uid.in_(uids))
    )
    return {row.uid: (row.origin_id or "", row.binned_at is not None) for row in rows}


def save(session: Session, record: OriginRecord) -> None:
    """Adds a shop, or takes its newer name and day."""
    row = session.execute(select(_ORIGIN).where(_ORIGIN.c.id == record.id)).first()
    if row is None:
        session.execute(
            insert(_ORIGIN),
            [{"id": record.id, "name": record.name, "exported": record.date, "brought_at": now()}],
        )
    elif record.date >= row.exported and (record.date, record.name) != (row.exported, row.name):
        session.execute(
            update(_ORIGIN)
            .where(_ORIGIN.c.id == record.id)
            .values(name=record.name, exported=record.date, brought_at=now())
        )


def withdraw(session: Session, origin_id: str, batch: str) -> int:
    """Puts all cases of a shop into the bin and refuses further ones; returns how many it put there."""
    session.execute(
        update(_ORIGIN).where(_ORIGIN.c.id == origin_id).values(withdrawn_at=now(), withdrawn_batch=batch)
    )
    there = session.scalars(
        select(_CASE.c.uid).where(_CASE.c.origin_id == origin_id, _CASE.c.binned_at.is_(None))
    ).all()
    return sum(bins.put_cases(session, there[start : start + _STEP]) for start in range(0, len(there), _STEP))


def allow_again(session: Session, origin_id: str, *, bring_back: bool) -> int:
    """Takes cases of the shop again; with `bring_back` those come out of the bin that went with it."""
    batch = get(session, origin_id).withdrawn_batch
    session.execute(
        update(_ORIGIN).where(_ORIGIN.c.id == origin_id).values(withdrawn_at=None, withdrawn_batch=None)
    )
    if not bring_back:
        return 0
    went = select(_CHANGE.c.key).where(
        _CHANGE.c.batch == batch, _CHANGE.c.entity == "case", _CHANGE.c.operation == "binned"
    )
    there = session.scalars(
        select(_CASE.c.uid).where(
            _CASE.c.origin_id == origin_id, _CASE.c.binned_at.is_not(None), _CASE.c.uid.in_(went)
        )
    ).all()
    for start in range(0, len(there), _STEP):
        bins.take_out(session, "case", there[start : start + _STEP])
    return len(there)


def sharing_name(session: Session) -> str:
    """The name under which this shop shares, "" where none was chosen yet."""
    return str(session.scalar(select(_SETTING.c.value).where(_SETTING.c.name == "sharing_name")) or "")


def set_sharing_name(session: Session, name: str) -> None:
    """Keeps the name under which this shop shares."""
    session.execute(delete(_SETTING).where(_SETTING.c.name == "sharing_name"))
    session.execute(insert(_SETTING), [{"name": "sharing_name", "value": name}])
