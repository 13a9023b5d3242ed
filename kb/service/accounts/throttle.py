"""How long the next attempt to sign in must wait, counted in the store so that all processes know.

Three counts are kept for each attempt: of the account from this place, of the place, and of the account
from anywhere. The first two make somebody who guesses wait longer and longer. The third holds for guesses
from many places: it never makes anybody wait longer than a minute, and not at all in a browser that has
signed in to this account before, so nobody can lock a known account out from elsewhere. Together they
leave fewer than 100 guesses an hour on one account (OWASP ASVS 4.0.3, 2.2.1; from memory).
"""

from __future__ import annotations

import hashlib
import ipaddress
from dataclasses import dataclass

from sqlmodel import Session

from kb.errors import TooSoon
from kb.model.people import name_key
from kb.store.records import sign_ins

# A count is forgotten after so long without another failure.
FORGET_S = 3600
_AHEAD_S = 5


@dataclass(frozen=True, slots=True)
class Rule:
    """`free` failures cost nothing; then the wait begins with `first_s` and doubles up to `most_s`."""

    free: int
    first_s: int
    most_s: int

    def wait_s(self, failures: int) -> int:
        """Seconds that must lie between that many failures and the next attempt."""
        over = failures - self.free
        return 0 if over < 0 else min(self.most_s, self.first_s << min(over, 20))


_HERE = Rule(free=5, first_s=2, most_s=900)
_PLACE = Rule(free=20, first_s=2, most_s=900)
_ACCOUNT = Rule(free=20, first_s=60, most_s=60)


def place_of(address: str) -> str:
    """The address that is counted: with IPv6 the network, since one machine has as many as it likes."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address[:64]
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped:
            return str(ip.ipv4_mapped)
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)


def rules_for(name: str, address: str, device: str) -> dict[str, Rule]:
    """The counts an attempt falls under.

    `device` is the mark of a browser that has signed in to this account before, "" for any other. Names
    are kept as a hash, because people sometimes type their password there.
    """
    account = hashlib.sha256(name_key(name).encode()).hexdigest()[:32]
    if device:
        return {f"device {account} {device}": _HERE}
    place = place_of(address)
    return {f"here {account} {place}": _HERE, f"place {place}": _PLACE, f"account {account}": _ACCOUNT}


def refuse_haste(session: Session, rules: dict[str, Rule], now: int) -> dict[str, int]:
    """The failures counted so far. Raises TooSoon where the next attempt comes too early."""
    found = sign_ins.failures(session, rules)
    counted = {key: count for key, (count, last) in found.items() if now - last < FORGET_S}
    # A failure that lies ahead is from before the clock was set back: one attempt is free, which is counted now.
    wait = max(
        (
            rules[key].wait_s(count) - (now - found[key][1])
            for key, count in counted.items()
            if found[key][1] <= now + _AHEAD_S
        ),
        default=0,
    )
    if wait > 0:
        raise TooSoon(
            "Too many attempts to sign in have failed.",
            seconds=wait,
            remedy=f"Try again in {wait} s." if wait < 120 else f"Try again in {-(-wait // 60)} minutes.",
        )
    return counted


# Writing transactions come one after the other on both kinds of database, so none reads a count that another
# is about to change.
def count(session: Session, rules: dict[str, Rule], now: int) -> bool:
    """Counts an attempt as failed before its password is looked at, so that many at once gain nothing.

    Says whether the next one has to wait. Raises TooSoon like `refuse_haste`.
    """
    counted = refuse_haste(session, rules, now)
    for key in rules:
        sign_ins.count_failure(session, key, counted.get(key, 0) + 1, now)
    sign_ins.forget_failures_before(session, now - 2 * FORGET_S)
    return any(rule.wait_s(counted.get(key, 0) + 1) for key, rule in rules.items())


def succeeded(session: Session, rules: dict[str, Rule], now: int) -> None:
    """Takes the attempt back out of the counts: the pair is forgiven, the others lose this one only."""
    found = sign_ins.failures(session, rules)
    for key, (number, last) in found.items():
        if rules[key] is _HERE or number <= 1:
            sign_ins.forget_failures(session, [key])
        else:
            sign_ins.count_failure(session, key, number - 1, last)
