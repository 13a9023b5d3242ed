"""Writes that carried a key of their own: done once, however often they are sent."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session, col

from kb.errors import AlreadyDone
from kb.store.records import changes
from kb.store.tables.core import Change, SentOnce, now

# A phone may lie in a drawer for weeks with something on it that it has sent and got no answer to.
KEPT = timedelta(days=60)


def refuse_done(session: Session, who: str, key: str) -> None:
    """Raises AlreadyDone where a transaction of this person has taken the key and was kept."""
    query = select(col(SentOnce.entity), col(SentOnce.name)).where(
        col(SentOnce.who) == who, col(SentOnce.key) == key
    )
    done = session.execute(query).first()
    if done is not None:
        raise AlreadyDone(done.entity, done.name)


def claim(session: Session, key: str) -> int:
    """Takes a key for this transaction; returns the newest change before it.

    Raises AlreadyDone where a transaction of the same person has taken it and was kept.
    """
    who = session.info.get("who", "")
    refuse_done(session, who, key)
    session.execute(delete(SentOnce).where(col(SentOnce.at) < now() - KEPT))
    session.execute(insert(SentOnce), [{"who": who, "key": key, "at": now(), "entity": "", "name": ""}])
    return changes.latest(session)[0]


def name_it(session: Session, key: str, since: int) -> None:
    """Notes with a key the first record that its transaction wrote."""
    session.flush()
    first = session.execute(
        select(col(Change.entity), col(Change.key))
        .where(col(Change.seq) > since)
        .order_by(col(Change.seq))
        .limit(1)
    ).first()
    if first is not None:
        mine = (col(SentOnce.who) == session.info.get("who", "")) & (col(SentOnce.key) == key)
        session.execute(update(SentOnce).where(mine).values(entity=first.entity, name=first.key))
