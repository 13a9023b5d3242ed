"""Writes that carried a key of their own: done once, however often they are sent."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session

from kb.errors import AlreadyDone
from kb.store.records import changes
from kb.store.tables.core import Change, SentOnce, now, table_of

_SENT, _CHANGE = table_of(SentOnce), table_of(Change)
# A phone may lie in a drawer for weeks with something on it that it has sent and got no answer to.
KEPT = timedelta(days=60)


def refuse_done(session: Session, who: str, key: str) -> None:
    """Raises AlreadyDone where a transaction of this person has taken the key and was kept."""
    query = select(_SENT.c.entity, _SENT.c.name).where(_SENT.c.who == who, _SENT.c.key == key)
    done = session.execute(query).first()
    if done is not None:
        raise AlreadyDone(done.entity, done.name)


def claim(session: Session, key: str) -> int:
    """Takes a key for this transaction; returns the newest change before it.

    Raises AlreadyDone where a transaction of the same person has taken it and was kept.
    """
    who = session.info.get("who", "")
    refuse_done(session, who, key)
    session.execute(delete(_SENT).where(_SENT.c.at < now() - KEPT))
    session.execute(insert(_SENT), [{"who": who, "key": key, "at": now(), "entity": "", "name": ""}])
    return changes.latest(session)[0]


def name_it(session: Session, key: str, since: int) -> None:
    """Notes with a key the first record that its transaction wrote."""
    session.flush()
    first = session.execute(
        select(_CHANGE.c.entity, _CHANGE.c.key).where(_CHANGE.c.seq > since).order_by(_CHANGE.c.seq).limit(1)
    ).first()
    if first is not None:
        mine = (_SENT.c.who == session.info.get("who", "")) & (_SENT.c.key == key)
        session.execute(update(_SENT).where(mine).values(entity=first.entity, name=first.key))
