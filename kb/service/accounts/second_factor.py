"""The second factor: a code of six figures that an app on the phone shows (TOTP, RFC 6238), and recovery codes.

Each code is good once, within half a minute before and after its own. Of the recovery codes the store keeps hashes;
they have 80 bits, so no slow hash is needed. The app's secret must be kept as it is, since codes are worked out of it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import secrets

import pyotp
from sqlmodel import Session

from kb.errors import BadInput, Conflict
from kb.service.accounts import audit, passwords, throttle
from kb.service.accounts.audit import Visitor
from kb.service.shop.shop import Shop
from kb.store.records import people as records
from kb.store.records import sign_ins
from kb.store.records.people import Account

STEP_S = 30
# The clocks of phone and server may differ by so many steps (RFC 6238, 5.2: one is recommended).
_STEPS_OFF = (0, -1, 1)
RECOVERY_CODES = 10
_RECOVERY_BYTES = 10
# How long after proving who one is the gravest things can be done without proving it again.
FRESH_S = 600
_WRONG = "This code is wrong, or was used already."
_REMEDY = "Type the code that the app shows now, or a recovery code that was not used yet."


def is_on(account: Account) -> bool:
    """Whether an account asks for a code beside its password."""
    return bool(account.totp_secret) and account.totp_added_at is not None


def step_of(secret: str, code: str, now: int, after: int | None) -> int | None:
    """The step of time whose code this is, None where it is that of none near `now` that comes after `after`."""
    digits = re.sub(r"\s", "", code)
    if not re.fullmatch(r"[0-9]{6}", digits):
        return None
    totp = pyotp.TOTP(secret, interval=STEP_S)
    for off in _STEPS_OFF:
        step = now // STEP_S + off
        if (after is None or step > after) and hmac.compare_digest(totp.generate_otp(step), digits):
            return step
    return None


def recovery_hash(code: str) -> str:
    """What is kept of a recovery code, however it is spaced."""
    return hashlib.sha256(re.sub(r"[\s-]", "", code).upper().encode()).hexdigest()


def uses_up(shop: Shop, session: Session, account: Account, code: str, by: Visitor) -> bool:
    """Whether a code is good, which it is no more afterwards. Within the transaction of what it opens."""
    now = int(shop.clock())
    step = step_of(account.totp_secret, code, now, account.totp_step)
    if step is not None:
        records.change(session, account.id, totp_step=step)
        return True
    given = recovery_hash(code)
    left = json.loads(account.recovery_hashes or "[]")
    if not any(hmac.compare_digest(one, given) for one in left):
        return False
    left = [one for one in left if one != given]
    records.change(session, account.id, recovery_hashes=json.dumps(left))
    audit.note(
        shop, session, by, "recovery code used", about=account.name, detail=f"{len(left)} of them are left"
    )
    return True


def begin(shop: Shop, by: Visitor) -> str:
    """Makes a secret for an app, which counts for nothing before a code of it was typed. Raises Conflict."""
    with shop.write() as session:
        account = records.by_id(session, by.person_id or 0)
        if is_on(account):
            raise Conflict("A second factor is there already.", remedy="Take it away first.")
        secret = pyotp.random_base32(32)
        records.change(session, account.id, totp_secret=secret, totp_step=None)
        return secret


def pending(shop: Shop, by: Visitor) -> str:
    """The secret that waits for its first code, "" where none does."""
    with shop.read() as session:
        account = records.by_id(session, by.person_id or 0)
    return "" if is_on(account) else account.totp_secret


def address_of(secret: str, person: str, shop_name: str) -> str:
    """What the QR code says to the app."""
    return pyotp.TOTP(secret, interval=STEP_S).provisioning_uri(
        name=person, issuer_name=shop_name or "Board fault book"
    )


def confirm(shop: Shop, by: Visitor, code: str) -> list[str]:
    """Turns it on with the first code of the app; returns the recovery codes, which are shown this once.

    All other sessions end. Raises BadInput.
    """
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, by.person_id or 0)
        now = int(shop.clock())
        step = None if is_on(account) else step_of(account.totp_secret, code, now, None)
        if not account.totp_secret or step is None:
            raise BadInput(
                "This is not the code that the app shows now.",
                field="code",
                remedy="Wait for the next one. If it is wrong again, see that phone and server have the right time.",
            )
        records.change(session, account.id, totp_added_at=now, totp_step=step)
        sign_ins.end(session, account.id, but=by.session_id)
        audit.note(shop, session, by, "second factor added", about=account.name)
        return _new_codes(session, account)


def _new_codes(session: Session, account: Account) -> list[str]:
    made = []
    for _ in range(RECOVERY_CODES):
        text = base64.b32encode(secrets.token_bytes(_RECOVERY_BYTES)).decode()
        made.append("-".join(text[at : at + 4] for at in range(0, len(text), 4)))
    records.change(session, account.id, recovery_hashes=json.dumps([recovery_hash(code) for code in made]))
    return made


def new_codes(shop: Shop, by: Visitor) -> list[str]:
    """Makes new recovery codes; the old ones are no good any more. Raises BadInput where there is no factor."""
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, by.person_id or 0)
        if not is_on(account):
            raise BadInput("There is no second factor yet.", field="code", remedy="Add one first.")
        audit.note(shop, session, by, "recovery codes made", about=account.name)
        return _new_codes(session, account)


def codes_left(shop: Shop, by: Visitor) -> int:
    """How many recovery codes were not used yet."""
    with shop.read() as session:
        return len(json.loads(records.by_id(session, by.person_id or 0).recovery_hashes or "[]"))


def take_away(shop: Shop, session: Session, by: Visitor, account: Account) -> None:
    """Turns it off, in the transaction of what makes that right."""
    if account.totp_secret:
        records.change(
            session, account.id, totp_secret="", totp_added_at=None, totp_step=None, recovery_hashes=""
        )
        if is_on(account):
            audit.note(shop, session, by, "second factor removed", about=account.name)


def remove(shop: Shop, by: Visitor, person_id: int) -> Account:
    """Turns it off for oneself, who has proved again who it is, or from the server's own terminal."""
    with shop.write(signing_in=True) as session:
        account = records.by_id(session, person_id)
        take_away(shop, session, by, account)
        return account


def prove(shop: Shop, by: Visitor, password: str, code: str) -> None:
    """Proves again who holds a session: the password, and a code where one is asked for.

    Raises BadInput, and TooSoon after too many failures, which count as those of a change of the password.
    """
    with shop.read() as session:
        account = records.by_id(session, by.person_id or 0)
    rules, now = throttle.rules_for(account.name, by.address, f"session {by.session_id}"), int(shop.clock())
    with shop.write() as session:
        throttle.count(session, rules, now)
    if not passwords.matches(account.password_hash, password):
        audit.note_alone(shop, by, "sign-in failed", "password wrong when it was asked for again")
        raise BadInput("This is not your password.", field="password", remedy="Type it again.")
    with shop.write() as session:
        account = records.by_id(session, account.id)
        is_right = not is_on(account) or uses_up(shop, session, account, code, by)
        if is_right:
            throttle.succeeded(session, rules, now)
            sign_ins.prove(session, by.session_id or 0, now)
        else:
            audit.note(shop, session, by, "sign-in failed", about=account.name, detail="code wrong")
    if not is_right:
        raise BadInput(_WRONG, field="code", remedy=_REMEDY)


def is_fresh(shop: Shop, by: Visitor) -> bool:
    """Whether somebody has proved lately who they are; on a bench without sign-in nobody has to."""
    return by.person_id is None or 0 <= int(shop.clock()) - by.proved_at < FRESH_S


def wrong_code() -> BadInput:
    """What is said of a code that is no good."""
    return BadInput(_WRONG, field="code", remedy=_REMEDY)
