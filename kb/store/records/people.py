"""Accounts: who there is, at which level, and the one-time links with which passwords are chosen."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, func, or_, update
from sqlmodel import Session, col, select

from kb.errors import NotFound, Taken
from kb.model.people import ADMINISTER, name_key
from kb.store.tables.people import Person


@dataclass(frozen=True, slots=True)
class Account:
    """One account as the store keeps it; moments in seconds since 1970."""

    id: int
    name: str
    level: str
    password_hash: str
    link_hash: str | None
    link_expires_at: int | None
    added_at: int
    signed_in_at: int | None
    totp_secret: str
    totp_added_at: int | None
    totp_step: int | None
    recovery_hashes: str
    untold: str


_FIELDS = tuple(Account.__dataclass_fields__)


def _account(row: Person) -> Account:
    return Account(*(getattr(row, name) for name in _FIELDS))


def _only(session: Session, *conditions: Any) -> Account | None:
    row = session.exec(select(Person).where(*conditions)).first()
    return _account(row) if row else None


def every(session: Session) -> list[Account]:
    """All accounts by name."""
    return [_account(row) for row in session.exec(select(Person).order_by(Person.name_key))]


def with_id(session: Session, person_id: int) -> Account | None:
    """One account, None where it was removed."""
    return _only(session, Person.id == person_id)


def by_id(session: Session, person_id: int) -> Account:
    """One account. Raises NotFound."""
    found = with_id(session, person_id)
    if found is None:
        raise NotFound("There is no such person.", remedy="Reload the list of people.")
    return found


def named(session: Session, name: str) -> Account | None:
    """The account with that name, however it is written."""
    return _only(session, Person.name_key == name_key(name))


def with_link(session: Session, link_hash: str, now: int) -> Account | None:
    """The account that a link still opens."""
    return _only(session, Person.link_hash == link_hash, col(Person.link_expires_at) > now)


def add(session: Session, name: str, level: str, now: int) -> Account:
    """Adds an account without a password. Raises Taken where somebody goes by that name."""
    if named(session, name) is not None:
        raise Taken(
            f"There is a person called {name}.", field="name", remedy="Choose a name that tells them apart."
        )
    person = Person(name=name, name_key=name_key(name), level=level, added_at=now)
    session.add(person)
    session.flush()
    return _account(person)


def change(session: Session, person_id: int, **values: Any) -> None:
    """Changes columns of one account."""
    session.execute(update(Person).where(col(Person.id) == person_id).values(**values))


def tell(session: Session, name: str, line: dict[str, Any], *, most: int) -> None:
    """Adds a line to what the account of that name is told next, if there is such an account; the last `most` stay."""
    account = named(session, name)
    if account is not None:
        lines = [*json.loads(account.untold or "[]"), line][-most:]
        change(session, account.id, untold=json.dumps(lines, ensure_ascii=False))


def remove(session: Session, person_id: int) -> None:
    """Removes an account with its sessions and tokens."""
    session.execute(delete(Person).where(col(Person.id) == person_id))


def other_administrators(session: Session, person_id: int) -> int:
    """How many others administer and can sign in.

    Asked in the writing transaction that changes one of them: there is one writer at a time on both kinds of
    database, so two administrators who remove each other at once do not both find the other.
    """
    query = select(Person.id).where(Person.level == ADMINISTER, Person.password_hash != "")
    return sum(1 for number in session.exec(query) if number != person_id)


def can_be_administered(session: Session, now: int) -> bool:
    """Whether somebody administers who can sign in, or will be able to with a link that still opens."""
    can_sign_in = or_(col(Person.password_hash) != "", col(Person.link_expires_at) > now)
    query = select(func.count()).select_from(Person).where(Person.level == ADMINISTER, can_sign_in)
    return session.exec(query).one() > 0
