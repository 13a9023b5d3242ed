"""Accounts: who there is, at which level, and the one-time links with which passwords are chosen."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, func, insert, or_, select, update
from sqlmodel import Session

from kb.errors import NotFound, Taken
from kb.model.people import ADMINISTER, name_key
from kb.store.tables.core import table_of
from kb.store.tables.people import Person

_PERSON = table_of(Person)


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


_COLUMNS = tuple(_PERSON.c[name] for name in Account.__dataclass_fields__)


def every(session: Session) -> list[Account]:
    """All accounts by name."""
    rows = session.execute(select(*_COLUMNS).order_by(_PERSON.c.name_key))
    return [Account(*row) for row in rows]


def with_id(session: Session, person_id: int) -> Account | None:
    """One account, None where it was removed."""
    row = session.execute(select(*_COLUMNS).where(_PERSON.c.id == person_id)).first()
    return Account(*row) if row else None


def by_id(session: Session, person_id: int) -> Account:
    """One account. Raises NotFound."""
    found = with_id(session, person_id)
    if found is None:
        raise NotFound("There is no such person.", remedy="Reload the list of people.")
    return found


def named(session: Session, name: str) -> Account | None:
    """The account with that name, however it is written."""
    row = session.execute(select(*_COLUMNS).where(_PERSON.c.name_key == name_key(name))).first()
    return Account(*row) if row else None


def with_link(session: Session, link_hash: str, now: int) -> Account | None:
    """The account that a link still opens."""
    row = session.execute(
        select(*_COLUMNS).where(_PERSON.c.link_hash == link_hash, _PERSON.c.link_expires_at > now)
    ).first()
    return Account(*row) if row else None


def add(session: Session, name: str, level: str, now: int) -> Account:
    """Adds an account without a password. Raises Taken where somebody goes by that name."""
    if named(session, name) is not None:
        raise Taken(
            f"There is a person called {name}.", field="name", remedy="Choose a name that tells them apart."
        )
    session.execute(
        insert(_PERSON),
        {"name": name, "name_key": name_key(name), "level": level, "password_hash": "", "added_at": now},
    )
    added = named(session, name)
    assert added is not None
    return added


def change(session: Session, person_id: int, **values: Any) -> None:
    """Changes columns of one account."""
    session.execute(update(_PERSON).where(_PERSON.c.id == person_id).values(**values))


def tell(session: Session, name: str, line: dict[str, Any], *, most: int) -> None:
    """Adds a line to what the account of that name is told next, if there is such an account; the last `most` stay."""
    account = named(session, name)
    if account is not None:
        lines = [*json.loads(account.untold or "[]"), line][-most:]
        change(session, account.id, untold=json.dumps(lines, ensure_ascii=False))


def remove(session: Session, person_id: int) -> None:
    """Removes an account with its sessions and tokens."""
    session.execute(delete(_PERSON).where(_PERSON.c.id == person_id))


def other_administrators(session: Session, person_id: int) -> int:
    """How many others administer and can sign in.

    Asked in the writing transaction that changes one of them: there is one writer at a time on both kinds of
    database, so two administrators who remove each other at once do not both find the other.
    """
    rows = session.execute(
        select(_PERSON.c.id).where(_PERSON.c.level == ADMINISTER, _PERSON.c.password_hash != "")
    )
    return sum(1 for row in rows if row.id != person_id)


def can_be_administered(session: Session, now: int) -> bool:
    """Whether somebody administers who can sign in, or will be able to with a link that still opens."""
    found = session.scalar(
        select(func.count())
        .select_from(_PERSON)
        .where(
            _PERSON.c.level == ADMINISTER, or_(_PERSON.c.password_hash != "", _PERSON.c.link_expires_at > now)
        )
    )
    return bool(found)
