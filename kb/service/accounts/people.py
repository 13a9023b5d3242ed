"""People: who has an account, what they may do, and how they come to their password.

Nobody chooses a password for somebody else: an administrator makes a one-time link and hands it over.
Somebody who administers and can sign in always stays.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from kb.errors import BadInput, Conflict, NotFound
from kb.model.people import ADMINISTER, level_named, person_name
from kb.service.accounts import audit, passwords, second_factor, signed_in, throttle
from kb.service.accounts.audit import Visitor
from kb.service.accounts.signed_in import digest, new_secret
from kb.service.shop.shop import Shop
from kb.store.records import people as records
from kb.store.records import sign_ins
from kb.store.records.people import Account

LINK_HOURS = 48
COMMAND_LINE = Visitor("command line", address="this machine")


@dataclass(frozen=True, slots=True)
class Person:
    """One line of the list of people."""

    id: int
    name: str
    level: str
    state: str
    sessions: int
    tokens: int
    has_code: bool
    signed_in_at: int | None


def can_be_administered(shop: Shop) -> bool:
    """Whether somebody administers, or can with a link that still opens."""
    with shop.read() as session:
        return records.can_be_administered(session, int(shop.clock()))


def listed(shop: Shop) -> list[Person]:
    """All people by name."""
    now = int(shop.clock())
    with shop.read() as session:  # tokens are not at hand
        return [
            Person(
                account.id,
                account.name,
                account.level,
                _state(account, now),
                len(sign_ins.of_person(session, account.id)),
                len(sign_ins.tokens(session, account.id)),
                second_factor.is_on(account),
                account.signed_in_at,
            )
            for account in records.every(session)
        ]


def _state(account: Account, now: int) -> str:
    if account.password_hash:
        return "can sign in"
    if account.link_hash and (account.link_expires_at or 0) > now:
        return "has a link, no password yet"
    return "has no password; the link has expired"


def get(shop: Shop, person_id: int) -> Account:
    """One account. Raises NotFound."""
    with shop.read() as session:
        return records.by_id(session, person_id)


def id_of(shop: Shop, name: str) -> int | None:
    """The account that goes by a name, None where there is none."""
    with shop.read() as session:
        found = records.named(session, name)
    return found.id if found else None


def named(shop: Shop, name: str) -> Account:
    """The account that goes by a name. Raises NotFound."""
    with shop.read() as session:
        found = records.named(session, name)
    if found is None:
        raise NotFound(f"There is no person called {name}.", field="name", remedy="kb person list shows all.")
    return found


def add(shop: Shop, by: Visitor, name: str, level: str, password: str | None = None) -> tuple[Account, str]:
    """Adds a person; returns the account and the one-time link's secret, "" where a password is given.

    Raises BadInput and Taken.
    """
    name, level = person_name(name), level_named(level)
    kept = "" if password is None else _kept(shop, name, password)
    with shop.write() as session:
        account = records.add(session, name, level, int(shop.clock()))
        audit.note(shop, session, by, "person added", about=name, detail=level)
        if kept:
            _keep_password(session, account, kept)
        return account, "" if kept else _new_link(shop, session, by, account)


def _kept(shop: Shop, name: str, password: str, field: str = "password") -> str:
    """What is kept of a new password. Raises BadInput for one that is easily guessed."""
    return passwords.hashed(passwords.check(password, name, shop.settings.shop_name, field=field))


def _new_link(shop: Shop, session: Session, by: Visitor, account: Account) -> str:
    secret = new_secret()
    until = int(shop.clock()) + LINK_HOURS * 3600
    records.change(session, account.id, link_hash=digest(secret), link_expires_at=until)
    audit.note(shop, session, by, "link made", about=account.name)
    return secret


def new_link(shop: Shop, by: Visitor, person_id: int) -> tuple[Account, str]:
    """Gives somebody a new link; the password, the sessions and the tokens they had end at once.

    Raises BadInput for oneself, who changes the password instead, and Conflict where nobody else could
    administer meanwhile.
    """
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        if by.person_id == person_id:
            raise BadInput(
                "You cannot give yourself a link.", remedy="Change your password under your account."
            )
        # Whoever holds the link from the command line holds the machine, and nobody is locked out.
        if by is not COMMAND_LINE:
            _leave_an_administrator(session, account)
        sign_ins.end(session, account.id)
        sign_ins.revoke(session, account.id)
        records.change(session, account.id, password_hash="")
        second_factor.take_away(shop, session, by, account)  # the phone may be what was lost
        return account, _new_link(shop, session, by, account)


def _leave_an_administrator(session: Session, account: Account) -> None:
    """Refuses what would leave nobody who administers and can sign in. Raises Conflict."""
    if (
        account.level == ADMINISTER
        and account.password_hash
        and not records.other_administrators(session, account.id)
    ):
        raise Conflict(
            f"Nobody but {account.name} could administer then.",
            remedy="Let another administrator sign in first.",
        )


def set_level(shop: Shop, by: Visitor, person_id: int, level: str) -> Account:
    """Changes what somebody may do, at once. Raises BadInput, NotFound and Conflict."""
    level = level_named(level)
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        if level == account.level:
            return account
        if level != ADMINISTER:
            _leave_an_administrator(session, account)
        records.change(session, person_id, level=level)
        sign_ins.new_keys_due(session, person_id)
        audit.note(
            shop, session, by, "level changed", about=account.name, detail=f"{account.level} to {level}"
        )
        return records.by_id(session, person_id)


def remove(shop: Shop, by: Visitor, person_id: int) -> Account:
    """Removes somebody with all sessions and tokens, at once. Raises NotFound and Conflict.

    What they did keeps their name.
    """
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        _leave_an_administrator(session, account)
        records.remove(session, person_id)
        audit.note(shop, session, by, "person removed", about=account.name, detail=account.level)
    return account


def opened_by(shop: Shop, secret: str) -> Account:
    """Whose link it is. Raises NotFound for one that is used, replaced or expired."""
    with shop.read() as session:
        return _opened(shop, session, secret)


def _opened(shop: Shop, session: Session, secret: str) -> Account:
    account = records.with_link(session, digest(secret), int(shop.clock()))
    if account is None:
        raise NotFound(
            "This link does not work: it was used, replaced by a newer one, or has expired.",
            remedy="Ask an administrator for a new link.",
        )
    return account


def choose_password(
    shop: Shop, secret: str, password: str, *, address: str, browser: str = ""
) -> tuple[Visitor, str]:
    """Uses a link up: keeps the password and signs in. Raises NotFound and BadInput."""
    account = opened_by(shop, secret)
    kept = _kept(shop, account.name, password)
    with shop.write(signing_in=True) as session:
        # Looked at again: of two who use the same link at once, one is second.
        account = _opened(shop, session, secret)
        _keep_password(session, account, kept)
        sign_ins.end(session, account.id)
        records.change(session, account.id, untold="")  # whoever uses the link begins with it
        who = Visitor(account.name, account.level, address, account.id)
        audit.note(shop, session, who, "link used", about=account.name)
        return who, signed_in.begin(shop, session, account, address=address, browser=browser)


def _keep_password(session: Session, account: Account, password_hash: str) -> None:
    records.change(session, account.id, password_hash=password_hash, link_hash=None, link_expires_at=None)


def change_password(shop: Shop, by: Visitor, old: str, new: str) -> None:
    """Changes one's own password; all other sessions end. Raises BadInput and TooSoon."""
    account = get(shop, by.person_id or 0)
    text = passwords.check(new, account.name, shop.settings.shop_name, field="new")
    # Somebody at a browser left open must not be able to try passwords for as long as they like.
    rules, now = throttle.rules_for(account.name, by.address, f"session {by.session_id}"), int(shop.clock())
    with shop.write() as session:
        throttle.count(session, rules, now)
    if not passwords.matches(account.password_hash, old):
        audit.note_alone(shop, by, "sign-in failed", "old password wrong at a change of it")
        raise BadInput("This is not your present password.", field="old", remedy="Type it again.")
    kept = passwords.hashed(text)
    with shop.write(signing_in=True) as session:
        if records.by_id(session, account.id).password_hash != account.password_hash:
            raise Conflict("The password was changed elsewhere meanwhile.", remedy="Sign in again.")
        throttle.succeeded(session, rules, now)
        _keep_password(session, account, kept)
        sign_ins.end(session, account.id, but=by.session_id)
        sign_ins.new_keys_due(session, account.id)
        audit.note(shop, session, by, "password changed", about=account.name)


def told(by: Visitor) -> list[dict[str, Any]]:
    """What befell the account of whoever asks and was not shown to them yet: at, event, by, address, detail."""
    return list(json.loads(by.untold)) if by.untold else []


def has_seen(shop: Shop, by: Visitor) -> None:
    """Forgets what was shown; what came since stays."""
    if by.person_id is None:
        return
    with shop.write() as session:
        left = json.loads(records.by_id(session, by.person_id).untold or "[]")
        shown = told(by)
        kept = [line for line in left if line not in shown]
        records.change(session, by.person_id, untold=json.dumps(kept, ensure_ascii=False) if kept else "")


def set_password(shop: Shop, by: Visitor, person_id: int, password: str) -> None:
    """Keeps a password that was typed on the server's own terminal. Raises BadInput and NotFound."""
    account = get(shop, person_id)
    kept = _kept(shop, account.name, password)
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        _keep_password(session, account, kept)
        sign_ins.end(session, account.id)
        audit.note(shop, session, by, "password changed", about=account.name)
