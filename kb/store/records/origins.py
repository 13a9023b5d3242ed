"""Other shops whose cases this store holds, and the name under which it shares its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import delete, insert, update
from sqlmodel import Session, col, select

from kb.errors import NotFound
from kb.model import OriginRecord
from kb.store.records import bins, totals
from kb.store.tables.core import BoardCase, Change, Origin, Setting, now

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
    rows = session.exec(select(Origin).order_by(col(Origin.name), col(Origin.id)))
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
    return {row.id: row.name for row in session.execute(select(col(Origin.id), col(Origin.name)))}


def of_cases(session: Session, uids: Sequence[str]) -> dict[str, str]:
    """The name of the shop by the uid of the case, for those of the given cases that are another shop's."""
    rows = session.execute(
        select(col(BoardCase.uid), col(Origin.name))
        .join(Origin, col(Origin.id) == col(BoardCase.origin_id))
        .where(col(BoardCase.uid).in_(uids))
    )
    return {row.uid: row.name for row in rows}


def known(session: Session, uids: Sequence[str]) -> dict[str, tuple[str, bool]]:
    """(id of the shop or "", whether it is in the bin) by uid, of those cases that the store holds."""
    rows = session.execute(
        select(col(BoardCase.uid), col(BoardCase.origin_id), col(BoardCase.binned_at)).where(
            col(BoardCase.uid).in_(uids)
        )
    )
    return {row.uid: (row.origin_id or "", row.binned_at is not None) for row in rows}


def save(session: Session, record: OriginRecord) -> None:
    """Adds a shop, or takes its newer name and day."""
    there = session.get(Origin, record.id)
    if there is None:
        session.add(Origin(id=record.id, name=record.name, exported=record.date))
    elif record.date >= there.exported and (record.date, record.name) != (there.exported, there.name):
        there.name, there.exported, there.brought_at = record.name, record.date, now()
    session.flush()


def withdraw(session: Session, origin_id: str, batch: str) -> int:
    """Puts all cases of a shop into the bin and refuses further ones; returns how many it put there."""
    session.execute(
        update(Origin).where(col(Origin.id) == origin_id).values(withdrawn_at=now(), withdrawn_batch=batch)
    )
    there = session.scalars(
        select(col(BoardCase.uid)).where(
            col(BoardCase.origin_id) == origin_id, col(BoardCase.binned_at).is_(None)
        )
    ).all()
    return sum(bins.put_cases(session, there[start : start + _STEP]) for start in range(0, len(there), _STEP))


def allow_again(session: Session, origin_id: str, *, bring_back: bool) -> int:
    """Takes cases of the shop again; with `bring_back` those come out of the bin that went with it."""
    batch = get(session, origin_id).withdrawn_batch
    session.execute(
        update(Origin).where(col(Origin.id) == origin_id).values(withdrawn_at=None, withdrawn_batch=None)
    )
    if not bring_back:
        return 0
    went = select(col(Change.key)).where(
        col(Change.batch) == batch, col(Change.entity) == "case", col(Change.operation) == "binned"
    )
    there = session.scalars(
        select(col(BoardCase.uid)).where(
            col(BoardCase.origin_id) == origin_id,
            col(BoardCase.binned_at).is_not(None),
            col(BoardCase.uid).in_(went),
        )
    ).all()
    for start in range(0, len(there), _STEP):
        bins.take_out(session, "case", there[start : start + _STEP])
    return len(there)


def sharing_name(session: Session) -> str:
    """The name under which this shop shares, "" where none was chosen yet."""
    return str(session.scalar(select(col(Setting.value)).where(col(Setting.name) == "sharing_name")) or "")


def set_sharing_name(session: Session, name: str) -> None:
    """Keeps the name under which this shop shares."""
    session.execute(delete(Setting).where(col(Setting.name) == "sharing_name"))
    session.execute(insert(Setting), [{"name": "sharing_name", "value": name}])
