"""Signing in and out, and who a request comes from.

A browser holds a random key of 256 bits, the store its SHA-256: such a key cannot be guessed, so it needs
no slow hash. Keys are changed as a session goes on. The prior key stays good until the new one has come
back once, since an answer may be lost on the way, and a minute longer for requests already under way.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable
from dataclasses import replace

from sqlmodel import Session

from kb.errors import BadInput, StoreTrouble, TooSoon
from kb.service.accounts import audit, passwords, second_factor, throttle
from kb.service.accounts.audit import Visitor
from kb.service.shop.cut_off.retry import retry_when_cut_off
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.store.records import audit as audit_records
from kb.store.records import people as records
from kb.store.records import sign_ins
from kb.store.records.people import Account
from kb.store.records.sign_ins import SignedIn

log = logging.getLogger(__name__)
ROTATE_S = 900
_UNDER_WAY_S = 60
# A session is noted as used no more than once in so many seconds.
_SEEN_EVERY_S = 60
_KEPT_AFTER_S = 60  # another process may have seen it used, and not have kept that yet
_DAY_S = 86_400
_REFUSED = "Name and password do not belong together."


class CodeNeeded(BadInput):
    """Name and password are right, and the account asks for a code."""


class SignInAgain(BadInput):
    """What was typed a moment ago holds no more."""


def new_secret() -> str:
    """A key, link or token that cannot be guessed: 256 bits."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """What the store keeps of a secret that cannot be guessed."""
    return hashlib.sha256(secret.encode()).hexdigest()


def sign_in(
    shop: Shop, name: str, password: str, *, address: str, browser: str = "", device: str = ""
) -> tuple[Visitor, str]:
    """Signs a person in; returns who it is and the key for the browser.

    `device` is the mark of a browser that has signed in to this account before. An unknown name takes as
    long as a wrong password and gets the same words. Raises BadInput, TooSoon after too many failures, and
    CodeNeeded where the password is right and the account asks for a code (`sign_in_with_code`).
    """
    rules = throttle.rules_for(name, address, device)
    now = int(shop.clock())
    with shop.read() as session:
        throttle.refuse_haste(session, rules, now)
        account = records.named(session, name)
    with shop.write() as session:
        slows = throttle.count(session, rules, now)
    try:
        right = passwords.matches(account.password_hash if account else "", password)
    except TooSoon:
        with shop.write() as session:
            throttle.succeeded(session, rules, now)  # its password was never looked at
        raise
    who = Visitor(address=address)
    if account is None or not right:
        _note_failure(shop, who, account, slows)
        raise BadInput(
            _REFUSED, field="password", remedy="Check both; an administrator can give you a new link."
        )
    if second_factor.is_on(account):
        # The attempt stays counted until the code was right as well: a known password gives no free guesses at it.
        raise CodeNeeded("This account asks for a code as well.", field="code", remedy="Type it.")
    renewed = passwords.hashed(password) if passwords.is_outdated(account.password_hash) else ""
    with shop.write(signing_in=True) as session:
        # The account may have been removed or its password changed while this one was looked at.
        looked_at = records.by_id(session, account.id)
        if looked_at.password_hash != account.password_hash or second_factor.is_on(looked_at):
            raise BadInput(_REFUSED, field="password", remedy="Try again.")
        throttle.succeeded(session, rules, now)
        if renewed:
            records.change(session, account.id, password_hash=renewed)
        key = begin(shop, session, account, address=address, browser=browser)
        _forget_old(shop, session, now)
    return Visitor(account.name, account.level, address, account.id), key


def sign_in_with_code(
    shop: Shop,
    person_id: int,
    code: str,
    *,
    is_same: Callable[[str], bool],
    address: str,
    browser: str = "",
    device: str = "",
) -> tuple[Visitor, str]:
    """Signs in somebody whose password was right a moment ago; `is_same` says whether the account still has it.

    Raises BadInput for a wrong code, SignInAgain where the account was changed meanwhile, TooSoon after too many
    failures, which count as those of the password.
    """
    now = int(shop.clock())
    with shop.read() as session:
        found = records.with_id(session, person_id)
    if found is None or not is_same(found.password_hash):
        raise SignInAgain("The account was changed meanwhile.", remedy="Sign in again.")
    rules = throttle.rules_for(found.name, address, device)
    with shop.write() as session:
        slows = throttle.count(session, rules, now)
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        who = Visitor(account.name, account.level, address, account.id)
        is_right = is_same(account.password_hash) and (
            not second_factor.is_on(account) or second_factor.uses_up(shop, session, account, code, who)
        )
        if is_right:
            throttle.succeeded(session, rules, now)
            throttle.succeeded(session, rules, now)  # that of the password, too
            key = begin(shop, session, account, address=address, browser=browser)
            _forget_old(shop, session, now)
    if not is_right:
        _note_failure(shop, Visitor(address=address), found, slows, "code wrong")
        raise second_factor.wrong_code()
    return who, key


def _note_failure(shop: Shop, by: Visitor, account: Account | None, slows: bool, detail: str = "") -> None:
    # What was typed for a name is kept only if it is one: people sometimes type their password there.
    about = account.name if account else "a name nobody has"
    log.warning("sign-in failed: %r from %s", about, by.address)
    with shop.write() as session:
        audit.note(shop, session, by, "sign-in failed", about=about, detail=detail)
        if slows:
            audit.note(shop, session, by, "sign-in slowed down", about=about)


def begin(shop: Shop, session: Session, account: Account, *, address: str, browser: str) -> str:
    """Starts a session for somebody who has proved who they are; returns its key."""
    key, now = new_secret(), int(shop.clock())
    sign_ins.start(
        session,
        person_id=account.id,
        key_hash=digest(key),
        confirmed=True,
        started_at=now,
        rotated_at=now,
        seen_at=now,
        proved_at=now,
        address=address,
        browser=browser[:120],
    )
    records.change(session, account.id, signed_in_at=now)
    audit.note(shop, session, Visitor(account.name, address=address), "signed in", about=account.name)
    return key


def _forget_old(shop: Shop, session: Session, now: int) -> None:
    settings = shop.settings
    sign_ins.end_old(
        session,
        started_before=now - settings.session_hours * 3600,
        seen_before=now - settings.session_idle_minutes * 60 - _SEEN_EVERY_S - _KEPT_AFTER_S,
    )
    audit_records.forget_before(session, now - settings.audit_days * _DAY_S)


@retry_when_cut_off
def visitor_with_key(shop: Shop, key: str, address: str) -> tuple[Visitor, str | None] | None:
    """Whose browser holds the key, and a new key for it where one is due; None for a key that is no good."""
    now, presented = int(shop.clock()), digest(key)
    with shop.known() as session:
        found, cut_off = sign_ins.signed_in(session, presented), is_copy(session)
    found = _as_last_used(shop, found) if found else None
    if found is None or _is_over(shop, found, now):
        return None
    is_prior = found.key_hash != presented
    if is_prior and found.confirmed and now - found.rotated_at > _UNDER_WAY_S:
        return None
    visitor = Visitor(
        found.name,
        found.level,
        address,
        found.person_id,
        found.id,
        proved_at=found.proved_at or 0,
        untold=found.untold,
        has_code=found.has_code,
    )
    if now - found.seen_at >= _SEEN_EVERY_S:
        shop.uses.of_session(found.id, now, address)
    if cut_off:
        return visitor, None  # its key stays: a new one could not be kept
    return visitor, _keep_going(shop, found, presented, now, address)


def _is_over(shop: Shop, found: SignedIn, now: int) -> bool:
    settings = shop.settings
    return (
        now - found.started_at >= settings.session_hours * 3600
        or now - found.seen_at >= settings.session_idle_minutes * 60
    )


def _as_last_used(shop: Shop, found: SignedIn) -> SignedIn:
    """A session with its last use, which may not be in the store yet."""
    moment, address = shop.uses.session(found.id)
    return replace(found, seen_at=moment, address=address) if moment > found.seen_at else found


def _keep_going(shop: Shop, found: SignedIn, presented: str, now: int, address: str) -> str | None:
    """Changes the key of a session where that is due, and notes that a new one arrived; returns a new key."""
    is_prior = found.key_hash != presented
    due = now - found.rotated_at >= ROTATE_S
    lost = is_prior and not found.confirmed and now - found.rotated_at > _UNDER_WAY_S
    values: dict[str, object] = {}
    fresh = None
    if lost or (due and not is_prior):
        fresh = new_secret()
        values = {
            "key_hash": digest(fresh),
            "prior_hash": presented,
            "confirmed": False,
            "rotated_at": now,
        }
    elif not is_prior and not found.confirmed:
        values["confirmed"] = True
    if values:
        values |= {"seen_at": now, "address": address}
        try:
            with shop.write(signing_in=True) if fresh else shop.write() as session:
                if not sign_ins.touch(session, found, **values):
                    fresh = None  # another request of this browser was first
        except StoreTrouble as error:
            log.warning("the use of a session was not noted: %s", error.message)
            return None
    return fresh


def end_with_key(shop: Shop, key: str) -> None:
    """Ends the session whose key a browser still held when it signed in again."""
    with shop.read() as session:
        found = sign_ins.signed_in(session, digest(key))
    if found is not None:
        with shop.write(signing_in=True) as session:
            sign_ins.end(session, found.person_id, only=found.id)


def sign_out(shop: Shop, by: Visitor) -> None:
    """Ends the session a request belongs to."""
    if by.person_id is None or by.session_id is None:
        return
    with shop.write(signing_in=True) as session:
        sign_ins.end(session, by.person_id, only=by.session_id)
        audit.note(shop, session, by, "signed out", about=by.name)


def sign_out_everywhere(shop: Shop, by: Visitor) -> None:
    """Ends all sessions of whoever asks."""
    if by.person_id is None:
        return
    with shop.write(signing_in=True) as session:
        ended = sign_ins.end(session, by.person_id)
        audit.note(
            shop, session, by, "signed out everywhere", about=by.name, detail=f"{ended} sessions ended"
        )


def sessions_of(shop: Shop, by: Visitor) -> list[SignedIn]:
    """Where whoever asks is signed in, the latest first."""
    now = int(shop.clock())
    with shop.read() as session:
        found = sign_ins.of_person(session, by.person_id or 0)
    return [one for one in (_as_last_used(shop, one) for one in found) if not _is_over(shop, one, now)]
