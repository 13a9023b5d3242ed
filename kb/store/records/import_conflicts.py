"""What an import would undo without being asked: newer edits, and the way of a case into the bin."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import func, select
from sqlmodel import Session, col

from kb.model import Record, as_dict
from kb.store.records.checksums import checksum
from kb.store.tables.core import Batch, BoardCase, Change, History


def than_kept(session: Session, entity: str, given: Mapping[str, Record]) -> dict[str, str]:
    """Of records by their name in the change feed those that the store has moved on from, each with why.

    That is the case where a record equals one of its own earlier versions and not the present one, told by
    checksums; and for a case in the bin whatever is said of it.
    """
    names = list(given)
    rows = session.execute(
        select(col(History.key), col(History.checksum)).where(
            col(History.entity) == entity, col(History.key).in_(names)
        )
    ).all()
    # Most of what an import brings has no past here, and needs no checksum for this.
    with_past = sorted({row.key for row in rows})
    present = _newest(session, entity, with_past) if with_past else {}
    sums = {name: checksum(as_dict(given[name])) for name in with_past}
    found = {
        row.key: "the file holds an earlier version"
        for row in rows
        if row.checksum == sums[row.key] and present.get(row.key) != sums[row.key]
    }
    if entity == "case":
        binned = select(col(BoardCase.uid)).where(
            col(BoardCase.uid).in_(names), col(BoardCase.binned_at).is_not(None)
        )
        thrown = set(session.scalars(binned))
        came_of_undoing = _undone(session, sorted(thrown))
        found = {name: why for name, why in found.items() if name not in came_of_undoing}
        found |= dict.fromkeys(thrown - came_of_undoing, "it is in the bin")
    return found


def _undone(session: Session, uids: list[str]) -> set[str]:
    """Of cases in the bin those that nobody threw away: undoing an import put them there, and it may come again."""
    last = (
        select(func.max(col(Change.seq)))
        .where(col(Change.entity) == "case", col(Change.key).in_(uids))
        .group_by(col(Change.key))
    )
    query = (
        select(col(Change.key))
        .join(Batch, col(Batch.id) == col(Change.batch))
        .where(col(Change.seq).in_(last), col(Batch.kind) == "undo")
    )
    return set(session.scalars(query)) if uids else set()


def _newest(session: Session, entity: str, names: list[str]) -> dict[str, str | None]:
    """The checksum that the newest change with one says of each record."""
    last = (
        select(func.max(col(Change.seq)))
        .where(col(Change.entity) == entity, col(Change.key).in_(names), col(Change.checksum).is_not(None))
        .group_by(col(Change.key))
    )
    rows = session.execute(select(col(Change.key), col(Change.checksum)).where(col(Change.seq).in_(last)))
    return {row.key: row.checksum for row in rows}
