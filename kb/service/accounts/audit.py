"""The audit list: what was done with accounts and with the store as a whole, by whom and from where."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlmodel import Session

from kb.model.people import ADMINISTER, reaches
from kb.service.shop.shop import Shop
from kb.store.records import audit as records
from kb.store.records import people
from kb.store.records.audit import Entry

log = logging.getLogger(__name__)
# What an entry may say happened; routes that are audited name theirs in kb/web/guard/access.py.
EVENTS = (
    "signed in",
    "sign-in failed",
    "sign-in slowed down",
    "signed out",
    "signed out everywhere",
    "password changed",
    "person added",
    "level changed",
    "link made",
    "link used",
    "person removed",
    "token made",
    "token revoked",
    "second factor added",
    "second factor removed",
    "recovery code used",
    "recovery codes made",
    "whole store taken out",
    "shared with other shops",
    "backup made",
    "backup restored",
    "records merged or withdrawn",
    "other devices let in or shut out",
)


# What the person is told at the next page that it befell: what opens the account was changed, or used.
TOLD = frozenset(
    {
        "password changed",
        "level changed",
        "link made",
        "token made",
        "second factor added",
        "second factor removed",
        "recovery code used",
        "recovery codes made",
    }
)
_MOST_UNTOLD = 20


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks, and from where. The visitor of a bench without sign-in has no name and may do everything.

    `proved_at` is when the password was last typed, `untold` what befell the account and was not shown yet (JSON),
    `has_code` whether the account asks for a code.
    """

    name: str = ""
    level: str = ADMINISTER
    address: str = ""
    person_id: int | None = None
    session_id: int | None = None
    by_token: bool = False
    proved_at: int = 0
    untold: str = ""
    has_code: bool = False

    def may(self, level: str) -> bool:
        """Whether this visitor reaches a level; nobody in particular (level "") reaches none."""
        return bool(self.level) and reaches(self.level, level)


def note(shop: Shop, session: Session, by: Visitor, event: str, *, about: str = "", detail: str = "") -> None:
    """Adds an entry in the transaction of what it tells."""
    assert event in EVENTS, event
    now = int(shop.clock())
    records.add(session, Entry(now, by.name, event, about, by.address, detail))
    if event in TOLD:
        line = {"at": now, "event": event, "by": by.name, "address": by.address, "detail": detail}
        people.tell(session, about or by.name, line, most=_MOST_UNTOLD)
    log.info("%s: by %r about %r from %s %s", event, by.name, about, by.address or "here", detail)


def note_alone(shop: Shop, by: Visitor, event: str, detail: str = "") -> None:
    """Adds an entry about something that keeps no transaction open."""
    with shop.write() as session:
        note(shop, session, by, event, detail=detail)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the list as it is shown."""

    at: datetime
    entry: Entry


def listed(shop: Shop, *, event: str = "", limit: int, offset: int) -> tuple[int, list[Line]]:
    """How many entries there are, of one event or of all (""), and a page of them, the newest first."""
    with shop.read() as session:
        total, entries = records.newest(session, event=event, limit=limit, offset=offset)
    return total, [Line(moment(entry.at), entry) for entry in entries]


def moment(seconds: int) -> datetime:
    """A kept moment by the clock on the wall."""
    return datetime.fromtimestamp(seconds, UTC).astimezone()
