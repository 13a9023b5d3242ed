"""The change feed: what was written, in the order in which it was committed."""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import bindparam, delete, func, insert, select, update
from sqlmodel import Session, col

from kb.store.engine.moments import sees_one_moment
from kb.store.engine.rows import as_rows
from kb.store.records import totals
from kb.store.records.checksums import checksum
from kb.store.tables.core import Batch, Change, History

# Asked with every answer, so made once.
_LATEST = select(col(Change.seq), col(Change.nonce)).order_by(col(Change.seq).desc()).limit(1)
_LATEST_OF = _LATEST.where(col(Change.entity) == bindparam("kind"))

START: tuple[int, str] = (0, "")

_SEEN = "newest change"


@dataclass(frozen=True, slots=True)
class Changed:
    """One written record: `entity` such as "case", `key` its uid, code or name."""

    seq: int
    nonce: str
    entity: str
    key: str
    operation: str


def begin_batch(session: Session, kind: str, title: str = "") -> str:
    """Makes all further changes of this transaction one batch, which can be undone as one; its id."""
    batch = secrets.token_hex(8)
    as_rows(session).execute(
        insert(Batch),
        [{"id": batch, "kind": kind, "title": title, "who": session.info.get("who", ""), "facts": {}}],
    )
    session.info["batch"] = batch
    return batch


def end_batch(session: Session, facts: dict[str, object]) -> bool:
    """Ends the batch of this transaction and keeps `facts` (counts and the like) with it.

    False where nothing was changed under it: then there is nothing to undo and the batch is forgotten.
    """
    batch = session.info.pop("batch")
    if as_rows(session).scalar(select(col(Change.seq)).where(col(Change.batch) == batch).limit(1)) is None:
        as_rows(session).execute(delete(Batch).where(col(Batch.id) == batch))
        return False
    as_rows(session).execute(update(Batch).where(col(Batch.id) == batch).values(facts=facts))
    return True


def note(session: Session, changes: Iterable[tuple[Any, ...]]) -> None:
    """Adds (entity, key, operation, version after it) rows under the session's person and batch.

    A fifth entry is the record as it was written, in the exchange format; the change keeps its checksum. The
    nonce tells a restored older store from this one.
    """
    who = session.info.get("who", "")
    shared = {"who": who, "batch": session.info.get("batch")}
    rows = [
        {
            "nonce": secrets.token_hex(8),
            "entity": entity,
            "key": key,
            "operation": operation,
            "version": version,
            "checksum": checksum(record[0]) if record else None,
            **shared,
        }
        for entity, key, operation, version, *record in changes
    ]
    if rows:
        as_rows(session).execute(insert(Change), rows)
        totals.add_changes(session, [row["entity"] for row in rows], who)


def latest(session: Session) -> tuple[int, str]:
    """Number and nonce of the newest change, (0, "") in a store without any.

    A session that sees one moment of the store asks once.
    """
    known: tuple[int, str] | None = session.info.get(_SEEN)
    if known is None:
        row = as_rows(session).execute(_LATEST).first()
        known = (row[0], row[1]) if row else START
        if sees_one_moment(session):
            session.info[_SEEN] = known
    return known


def latest_asked(session: Session) -> tuple[int, str] | None:
    """What `latest` found in a session that sees one moment, None where nobody has asked there."""
    found: tuple[int, str] | None = session.info.get(_SEEN)
    return found


def take_for_latest(session: Session, seen: tuple[int, str]) -> None:
    """Lets `latest` answer with a change that another session found a moment ago."""
    session.info[_SEEN] = seen


def newest(session: Session, entities: Iterable[str]) -> tuple[tuple[int, str], ...]:
    """Number and nonce of the newest change of each of some kinds of record; none given, of the store."""
    kinds = tuple(entities)
    if not kinds:
        return (latest(session),)
    found = [as_rows(session).execute(_LATEST_OF, {"kind": kind}).first() for kind in kinds]
    return tuple((row[0], row[1]) if row else START for row in found)


def is_on_record(session: Session, seen: tuple[int, str]) -> bool:
    """Whether this store really made the change that a derived copy says it has seen."""
    if seen == START:
        return True
    return as_rows(session).scalar(select(col(Change.nonce)).where(col(Change.seq) == seen[0])) == seen[1]


def touched(session: Session, seq: int, entities: Iterable[str]) -> bool:
    """Whether any record of these kinds was changed after change number `seq`."""
    found = (
        select(col(Change.seq)).where(col(Change.seq) > seq, col(Change.entity).in_(tuple(entities))).limit(1)
    )
    return as_rows(session).scalar(found) is not None


def since(session: Session, seq: int, limit: int = 1000) -> list[Changed]:
    """Up to `limit` changes after change number `seq`."""
    rows = as_rows(session).execute(
        select(col(Change.seq), col(Change.nonce), col(Change.entity), col(Change.key), col(Change.operation))
        .where(col(Change.seq) > seq)
        .order_by(col(Change.seq))
        .limit(limit)
    )
    return [Changed(*row) for row in rows]


def next_versions(session: Session, entity: str, keys: Sequence[str]) -> dict[str, int]:
    """The version that each record begins with when it is added: 1, or past those of an earlier life."""
    rows = as_rows(session).execute(
        select(col(Change.key), func.max(col(Change.version)))
        .where(col(Change.entity) == entity, col(Change.key).in_(keys))
        .group_by(col(Change.key))
    )
    return {**dict.fromkeys(keys, 1), **{key: (version or 0) + 1 for key, version in rows}}


def keep_replaced(session: Session, rows: Iterable[tuple[Any, ...]]) -> None:
    """Keeps (entity, key, version, record) of versions that are about to be replaced.

    The key is spelled as in the change that replaces the version. A fifth entry says since when that
    version had been in the bin.
    """
    kept = [
        {
            "entity": entity,
            "key": key,
            "version": version,
            "record": record,
            "checksum": checksum(record),
            "binned_at": binned[0] if binned else None,
        }
        for entity, key, version, record, *binned in rows
    ]
    if kept:
        as_rows(session).execute(insert(History), kept)


def replaced(session: Session, entity: str, key: str) -> list[dict[str, object]]:
    """Earlier versions of a record, newest first: version, replaced_at and the record itself."""
    rows = as_rows(session).execute(
        select(History)
        .where(col(History.entity) == entity, col(History.key) == key)
        .order_by(col(History.version).desc(), col(History.id).desc())
    )
    return [{"version": row.version, "replaced_at": row.replaced_at, "record": row.record} for row in rows]
