"""Readings that another computer sends, where the instrument hangs there (`kb meter`).

They live in memory: a page takes the newest, a log or a recording each of them. What is sent twice, because the answer
to the first was lost, counts once.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

from kb.errors import InstrumentTrouble, Taken
from kb.instruments.responses import Measured

FRESH_S = 5.0
MOST_FEEDS = 20
MOST_AT_ONCE = 100
_FORGOTTEN_S = 3600.0
_KEYS = 1000


@dataclass(frozen=True, slots=True)
class Arrived:
    """One reading; `at_s` on this machine's clock that nothing sets."""

    at_s: float
    quantity: str
    measured: Measured


@dataclass(slots=True)
class Feed:
    """What one `kb meter` sends under a name, in whose name, and the newest of it."""

    name: str
    person: str
    heard_s: float
    last: Arrived | None = None
    offset_s: float | None = None
    keys: OrderedDict[str, None] = field(default_factory=OrderedDict)

    def newest(self, quantity: str, now_s: float, meaning: str) -> Measured:
        """The newest reading. Raises InstrumentTrouble where it is old or of another quantity."""
        if self.last is None or now_s - self.last.at_s > FRESH_S:
            ago = f"for {now_s - self.last.at_s:.0f} s" if self.last else "yet"
            raise InstrumentTrouble(
                f"It has sent nothing {ago}.",
                remedy="Look at the computer that it hangs on: is kb meter running, and does it reach this one?",
            )
        if self.last.quantity != quantity:
            raise InstrumentTrouble(
                f"It sends another quantity, and {meaning} is wanted here.",
                remedy="Turn the meter, or start kb meter with another --quantity.",
            )
        return self.last.measured


class Feeds:
    """All that is being sent. Not for several threads at once: the desk holds its lock."""

    def __init__(self) -> None:
        self._by_name: dict[str, Feed] = {}

    def all(self, now_s: float) -> list[Feed]:
        """Those that were heard of within the hour, in order of their names."""
        for name in [name for name, one in self._by_name.items() if now_s - one.heard_s > _FORGOTTEN_S]:
            del self._by_name[name]
        return sorted(self._by_name.values(), key=lambda one: one.name.casefold())

    def find(self, name: str) -> Feed | None:
        """The feed of that name, None where there is none."""
        return self._by_name.get(name)

    def receive(
        self,
        name: str,
        person: str,
        key: str,
        now_s: float,
        sent_s: float,
        readings: list[tuple[float, str, Measured]],
    ) -> list[Arrived] | None:
        """Takes in what was sent, each with its time on the sender's clock; None where it was taken in before.

        `sent_s` is the sender's clock when it was sent for the first time. The clocks differ by the least that was ever
        seen between sending and arriving: what comes late because the server was away is not taken for what is now.
        Raises Taken for a name that somebody else sends under, InstrumentTrouble for too many.
        """
        feed = self._by_name.get(name)
        if feed is None:
            if len(self.all(now_s)) >= MOST_FEEDS:
                raise InstrumentTrouble(f"{MOST_FEEDS} instruments send already.", remedy="Stop one of them.")
            feed = self._by_name[name] = Feed(name, person, now_s)
        if feed.person != person:
            if now_s - feed.heard_s <= _FORGOTTEN_S:
                raise Taken(
                    f"Somebody else sends readings as {name}.",
                    field="instrument",
                    remedy="Choose another name.",
                )
            feed = self._by_name[name] = Feed(name, person, now_s)
        if key:
            if key in feed.keys:
                return None
            feed.keys[key] = None
            while len(feed.keys) > _KEYS:
                feed.keys.popitem(last=False)
        feed.heard_s = now_s
        apart = now_s - sent_s
        # A sender that was started again counts from another moment.
        restarted = feed.offset_s is not None and apart > feed.offset_s + _FORGOTTEN_S
        feed.offset_s = apart if feed.offset_s is None or restarted else min(feed.offset_s, apart)
        arrived = [Arrived(min(at + feed.offset_s, now_s), quantity, one) for at, quantity, one in readings]
        for one in arrived:
            if feed.last is None or one.at_s >= feed.last.at_s:
                feed.last = one
        return arrived
