"""Personal tokens: keys with which a person's programs use the API, for a time and for less than everything."""

from __future__ import annotations

import re
from dataclasses import replace

from kb.errors import BadInput, NotFound
from kb.model.people import SCOPES, lower_of, person_name
from kb.service.accounts import audit
from kb.service.accounts.audit import Visitor
from kb.service.accounts.signed_in import digest, new_secret
from kb.service.shop.shop import Shop
from kb.store.records import people as records
from kb.store.records import sign_ins
from kb.store.records.sign_ins import Token

PREFIX = "kbt_"
LONGEST_DAYS = 366
_MOST = 50
_DAY_S = 86_400
_SHAPE = re.compile(PREFIX + r"[A-Za-z0-9_-]{43}")
_USED_EVERY_S = 60


def make(shop: Shop, by: Visitor, name: str, scope: str, days: str) -> str:
    """Makes a token for whoever asks and answers it, the only time it can be seen. Raises BadInput."""
    label = person_name(name, "label")
    if scope not in SCOPES:
        raise BadInput("It is not said what the token may do.", field="scope", remedy="Choose read or work.")
    if not (days.isascii() and days.isdigit() and 1 <= int(days[:9]) <= LONGEST_DAYS):
        raise BadInput(
            f"A token is good for 1 to {LONGEST_DAYS} days.", field="days", remedy="Type a whole number."
        )
    token, now = PREFIX + new_secret(), int(shop.clock())
    with shop.write() as session:
        account = records.by_id(session, by.person_id or 0)
        if lower_of(scope, account.level) != scope:
            raise BadInput(
                "The token would allow more than you may do.", field="scope", remedy="Choose read."
            )
        if len(sign_ins.tokens(session, account.id)) >= _MOST:
            raise BadInput(
                f"You have {_MOST} tokens already.", field="label", remedy="Revoke those you no longer use."
            )
        sign_ins.add_token(
            session,
            person_id=account.id,
            name=label,
            scope=scope,
            token_hash=digest(token),
            made_at=now,
            expires_at=now + int(days) * _DAY_S,
        )
        audit.note(
            shop, session, by, "token made", about=by.name, detail=f"{label}: {scope}, {int(days)} days"
        )
    return token


def of(shop: Shop, by: Visitor) -> list[Token]:
    """The tokens of whoever asks, the newest first."""
    with shop.read() as session:
        found = sign_ins.tokens(session, by.person_id or 0)
    return [replace(one, used_at=max(one.used_at or 0, shop.uses.token(one.id)) or None) for one in found]


def revoke(shop: Shop, by: Visitor, token_id: int) -> None:
    """Ends one of one's own tokens. Raises NotFound."""
    with shop.write() as session:
        names = sign_ins.revoke(session, by.person_id or 0, token_id)
        if not names:
            raise NotFound("There is no such token.", remedy="Reload the page.")
        audit.note(shop, session, by, "token revoked", about=by.name, detail=names[0])


def visitor_with_token(shop: Shop, text: str, address: str) -> Visitor | None:
    """Whose program holds the token; None for one that is no good, has expired or was revoked."""
    if not _SHAPE.fullmatch(text):
        return None
    now = int(shop.clock())
    with shop.read() as session:
        found = sign_ins.token(session, digest(text))
    if found is None or found[0].expires_at <= now:
        return None
    token, name, level = found
    if now - max(token.used_at or 0, shop.uses.token(token.id)) >= _USED_EVERY_S:
        shop.uses.of_token(token.id, now)
    # A token never reaches further than the person does by now.
    return Visitor(name, lower_of(token.scope, level), address, token.person_id, by_token=True)
