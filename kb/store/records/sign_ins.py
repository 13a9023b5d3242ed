"""Where people are signed in, the tokens of programs, and how often signing in failed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, insert, or_, select, update
from sqlmodel import Session, col

from kb.store.tables.people import FailedSignIn, Person, PersonSession, PersonToken


@dataclass(frozen=True, slots=True)
class SignedIn:
    """One browser that is signed in, and as whom."""

    id: int
    person_id: int
    key_hash: str
    prior_hash: str | None
    confirmed: bool
    started_at: int
    rotated_at: int
    seen_at: int
    address: str
    browser: str
    proved_at: int | None
    name: str
    level: str
    untold: str
    has_code: bool


@dataclass(frozen=True, slots=True)
class Token:
    """One token of a program."""

    id: int
    person_id: int
    name: str
    scope: str
    made_at: int
    expires_at: int
    used_at: int | None


_OF_SIGNED_IN = [getattr(PersonSession, name) for name in list(SignedIn.__dataclass_fields__)[:-4]]
_OF_PERSON = (col(Person.name), col(Person.level), col(Person.untold), col(Person.totp_added_at).is_not(None))
_OF_TOKEN = [getattr(PersonToken, name) for name in Token.__dataclass_fields__]


def start(session: Session, **values: Any) -> None:
    """Keeps a browser that has signed in."""
    session.execute(insert(PersonSession), values)


def signed_in(session: Session, key_hash: str) -> SignedIn | None:
    """The browser with that key, present or prior."""
    row = session.execute(
        select(*_OF_SIGNED_IN, *_OF_PERSON)
        .join(Person, col(Person.id) == col(PersonSession.person_id))
        .where(or_(col(PersonSession.key_hash) == key_hash, col(PersonSession.prior_hash) == key_hash))
    ).first()
    return SignedIn(*row) if row else None


def prove(session: Session, session_id: int, now: int) -> None:
    """Notes that the person of a session has typed the password now."""
    session.execute(update(PersonSession).where(col(PersonSession.id) == session_id).values(proved_at=now))


def touch(session: Session, found: SignedIn, **values: Any) -> bool:
    """Changes a browser's row unless its key was changed meanwhile; says whether it did."""
    done = session.execute(
        update(PersonSession)
        .where(col(PersonSession.id) == found.id, col(PersonSession.key_hash) == found.key_hash)
        .values(**values)
    )
    return bool(done.rowcount)  # type: ignore[attr-defined]


def note_uses(session: Session, sessions: Mapping[int, tuple[int, str]], tokens: Mapping[int, int]) -> None:
    """Keeps (last use, address) of sessions and the last use of tokens, unless a later one is there."""
    for number, (moment, address) in sessions.items():
        earlier = (col(PersonSession.id) == number, col(PersonSession.seen_at) < moment)
        session.execute(update(PersonSession).where(*earlier).values(seen_at=moment, address=address))
    for number, moment in tokens.items():
        older = or_(col(PersonToken.used_at).is_(None), col(PersonToken.used_at) < moment)
        session.execute(
            update(PersonToken).where(col(PersonToken.id) == number, older).values(used_at=moment)
        )


def of_person(session: Session, person_id: int) -> list[SignedIn]:
    """Where somebody is signed in, the latest first."""
    rows = session.execute(
        select(*_OF_SIGNED_IN, *_OF_PERSON)
        .join(Person, col(Person.id) == col(PersonSession.person_id))
        .where(col(PersonSession.person_id) == person_id)
        .order_by(col(PersonSession.seen_at).desc(), col(PersonSession.id).desc())
    )
    return [SignedIn(*row) for row in rows]


def end(session: Session, person_id: int, *, only: int | None = None, but: int | None = None) -> int:
    """Ends sessions of a person: all, only one, or all but one; returns how many."""
    query = delete(PersonSession).where(col(PersonSession.person_id) == person_id)
    if only is not None:
        query = query.where(col(PersonSession.id) == only)
    if but is not None:
        query = query.where(col(PersonSession.id) != but)
    return int(session.execute(query).rowcount)  # type: ignore[attr-defined]


def end_old(session: Session, *, started_before: int, seen_before: int) -> None:
    """Forgets sessions that have run out."""
    session.execute(
        delete(PersonSession).where(
            or_(col(PersonSession.started_at) < started_before, col(PersonSession.seen_at) < seen_before)
        )
    )


def new_keys_due(session: Session, person_id: int) -> None:
    """Lets all sessions of a person take a new key at their next request."""
    session.execute(
        update(PersonSession).where(col(PersonSession.person_id) == person_id).values(rotated_at=0)
    )


def add_token(session: Session, **values: Any) -> None:
    """Keeps a token."""
    session.execute(insert(PersonToken), values)


def token(session: Session, token_hash: str) -> tuple[Token, str, str] | None:
    """The token with that hash, its person's name and that person's level."""
    row = session.execute(
        select(*_OF_TOKEN, col(Person.name).label("person"), col(Person.level))
        .join(Person, col(Person.id) == col(PersonToken.person_id))
        .where(col(PersonToken.token_hash) == token_hash)
    ).first()
    return (Token(*row[:-2]), row.person, row.level) if row else None


def tokens(session: Session, person_id: int) -> list[Token]:
    """The tokens of a person, the newest first."""
    rows = session.execute(
        select(*_OF_TOKEN).where(col(PersonToken.person_id) == person_id).order_by(col(PersonToken.id).desc())
    )
    return [Token(*row) for row in rows]


def revoke(session: Session, person_id: int, token_id: int | None = None) -> list[str]:
    """Ends one token of a person, or all; returns their names."""
    mine = col(PersonToken.person_id) == person_id
    chosen = mine if token_id is None else mine & (col(PersonToken.id) == token_id)
    names = list(session.scalars(select(col(PersonToken.name)).where(chosen)))
    session.execute(delete(PersonToken).where(chosen))
    return names


def failures(session: Session, keys: Iterable[str]) -> dict[str, tuple[int, int]]:
    """(count, moment of the last) of failed sign-ins by key; absent where there was none."""
    columns = (col(FailedSignIn.key), col(FailedSignIn.count), col(FailedSignIn.last_at))
    rows = session.execute(select(*columns).where(col(FailedSignIn.key).in_(list(keys))))
    return {key: (count, last_at) for key, count, last_at in rows}


def count_failure(session: Session, key: str, count: int, now: int) -> None:
    """Keeps a new count for a key."""
    values = {"count": count, "last_at": now}
    done = session.execute(update(FailedSignIn).where(col(FailedSignIn.key) == key).values(**values))
    if not done.rowcount:  # type: ignore[attr-defined]
        session.execute(insert(FailedSignIn), {"key": key, **values})


def forget_failures(session: Session, keys: Iterable[str]) -> None:
    """Forgets the counts of some keys."""
    session.execute(delete(FailedSignIn).where(col(FailedSignIn.key).in_(list(keys))))


def forget_failures_before(session: Session, moment: int) -> None:
    """Forgets counts that no longer matter."""
    session.execute(delete(FailedSignIn).where(col(FailedSignIn.last_at) < moment))
