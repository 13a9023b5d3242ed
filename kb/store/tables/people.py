"""Tables of the people of a shop: accounts, where they are signed in, their tokens, failures and the audit list.

Moments are whole seconds since 1970 (UTC), because they are only ever compared and added to. Of every
secret that is handed out (password, link, session, token) the table holds a hash and nothing else.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, Column, ForeignKey, Text, text
from sqlmodel import Field

from kb.store.tables.core import RowNumber, Table


def _person(*, needed: bool = True) -> Any:
    return Column(RowNumber, ForeignKey("person.id", ondelete="CASCADE"), nullable=not needed, index=True)


def _moment(*, needed: bool = True) -> Any:
    return Column(BigInteger, nullable=not needed)


class Person(Table, table=True):
    """One account. An empty `password_hash` means that nobody can sign in with it yet; `link_hash` is the
    one-time link with which its password is chosen.

    `totp_secret` is that of an app for codes; it counts from `totp_added_at` on, and only codes of steps of time
    after `totp_step` are good. `recovery_hashes` and `untold` (what befell the account and was not shown to its
    person yet) are lists in JSON, "" where empty."""

    __tablename__ = "person"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    name: str
    name_key: str = Field(unique=True)
    level: str = Field(index=True)
    password_hash: str = ""
    link_hash: str | None = Field(default=None, unique=True)
    link_expires_at: int | None = Field(default=None, sa_column=_moment(needed=False))
    added_at: int = Field(sa_column=_moment())
    signed_in_at: int | None = Field(default=None, sa_column=_moment(needed=False))
    totp_secret: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    totp_added_at: int | None = Field(default=None, sa_column=_moment(needed=False))
    totp_step: int | None = Field(default=None, sa_column=_moment(needed=False))
    recovery_hashes: str = Field(
        default="", sa_column=Column(Text, nullable=False, server_default=text("''"))
    )
    untold: str = Field(default="", sa_column=Column(Text, nullable=False, server_default=text("''")))


class PersonSession(Table, table=True):
    """One browser that is signed in. After a change of the key `prior_hash` stays good until the new one
    has been `confirmed` by a request, and a little longer for requests that were under way. `proved_at` is when its
    person last typed the password."""

    __tablename__ = "person_session"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    person_id: int = Field(sa_column=_person())
    key_hash: str = Field(unique=True)
    prior_hash: str | None = Field(default=None, index=True)
    confirmed: bool = False
    started_at: int = Field(sa_column=_moment())
    rotated_at: int = Field(sa_column=_moment())
    seen_at: int = Field(sa_column=_moment())
    address: str = ""
    browser: str = ""
    proved_at: int | None = Field(default=None, sa_column=_moment(needed=False))


class PersonToken(Table, table=True):
    """A key for programs; `scope` is "read" or "work"."""

    __tablename__ = "person_token"
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    person_id: int = Field(sa_column=_person())
    name: str
    scope: str
    token_hash: str = Field(unique=True)
    made_at: int = Field(sa_column=_moment())
    expires_at: int = Field(sa_column=_moment())
    used_at: int | None = Field(default=None, sa_column=_moment(needed=False))


class FailedSignIn(Table, table=True):
    """How often signing in failed lately, for an address, an account, or the two together (`key`)."""

    __tablename__ = "failed_sign_in"
    key: str = Field(primary_key=True)
    count: int
    last_at: int = Field(sa_column=Column(BigInteger, nullable=False, index=True))


class AuditEntry(Table, table=True):
    """What was done with accounts and with the store as a whole. Names are kept as they were, so that an
    entry outlives the account it speaks of."""

    __tablename__ = "audit_entry"
    __table_args__ = ({"sqlite_autoincrement": True},)
    id: int = Field(default=None, primary_key=True, sa_type=RowNumber)
    at: int = Field(sa_column=Column(BigInteger, nullable=False, index=True))
    who: str = ""
    event: str = Field(index=True)
    about: str = ""
    address: str = ""
    detail: str = Field(default="", sa_column=Column(Text, nullable=False))
