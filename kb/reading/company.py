"""What else a text says beside a symptom, where that makes it likely that its words mean something else.

Of 793 symptoms that earlier states of the reader gave on English notes which were new to them 0.83 were right; the
8 of them that are told twice and the 6 that are told by others were all wrong. What is found here is proposed and not
taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.symptoms import SYMPTOMS
from kb.reading.denials import OF_HISTORY
from kb.reading.framed import FOUND_BY_LOOKING
from kb.reading.patterns import Match, Places

# What only a device does that has power: it is not dead.
_LIFE = frozenset(
    ("hum from speakers", "buzzing from the board", "display shows garbage", "freezes", "motor runs weak or jerky",
     "motor does not run", "intermittent", "does not turn off", "standby light blinks",
     "sound but no picture", "lines or bars in the picture", "backlight flickers",
     "error code shown", "sound distorted", "one channel silent", "display dim or fading", "clock or settings lost",
     "fan at full speed", "does not hold charge", "uneven backlight", "fails when warm", "restarts by itself",
     "backlight goes off after seconds", "starts only after several tries", "does not boot", "no communication",
     "standby light on but will not start")
)  # fmt: skip
_TRIPS = ("trips the mains breaker", "trips the residual-current device")
# Wide names, and the narrower ones that their words mostly tell a second time where these stand beside them ("trips
# the breaker as soon as it is plugged in" is nothing that stays on).
_NARROWER: dict[str, frozenset[str]] = {
    "starts then shuts down": frozenset(
        ("fails when warm", "intermittent", "buttons press themselves", "restarts by itself", "hiccup", "freezes",
         "backlight goes off after seconds", "starts only after several tries", "relay clicks repeatedly",
         "works unloaded but not in the set", "all outputs missing", "one channel silent", "no communication",
         "motor runs weak or jerky", "does not hold charge", *_TRIPS)
    ),
    "does not turn off": frozenset(
        (*_TRIPS, "intermittent", "buttons press themselves", "does not charge", "fails when warm")
    ),
    "standby light on but will not start": frozenset(
        (*_TRIPS, "starts then shuts down", "intermittent", "high-pitched whine", "does not charge",
         "relay clicks repeatedly", "motor does not run", "heater does not heat", "does not boot", "freezes",
         "no communication")
    ),
    "dim picture": frozenset(("display dim or fading", "no picture", "display shows garbage")),
}  # fmt: skip
# Of these only what names the thing is as good beside another symptom: "no picture", and not "panel dead" or "silent".
_NAMED = {"no picture": ("picture", "screen"), "picture but no sound": ("picture", "sound")}
_OF_A_FUNCTION = frozenset(one.name for one in SYMPTOMS) - FOUND_BY_LOOKING - frozenset(OF_HISTORY)


def without_told_twice(sure: Sequence[Match], places: Places) -> list[Match]:
    """The symptoms without wide ones of which another is likely what their words are about."""
    left = [match for match in sure if not _tells_another(match, sure, places)]
    shown = {match.name for match in left if match.present}
    if not _LIFE.isdisjoint(shown) or _shows_something(places):
        left = [match for match in left if match.name != "dead" or not match.present]
    return left


def _shows_something(places: Places) -> bool:
    """ "H:H on display": what has a display on which something stands."""
    tokens = places.tokens
    for at in places.of("screen"):
        before = [
            token.folded for token in tokens[max(0, at - 5) : at] if token.sentence == tokens[at].sentence
        ]
        on = before[-1:] == ["on"] or before[-2:] in (["on", "the"], ["on", "its"])
        if on and len(before) > before.index("on") > 0 and not _NOTHING.intersection(before):
            return True
    return False


_NOTHING = frozenset(
    ("nothing", "no", "not", "anything", "without", "turn", "switch", "comes", "come", "isnt", "wont")
)


def _tells_another(match: Match, sure: Sequence[Match], places: Places) -> bool:
    if not match.present:
        return False
    others = {other.name for other in sure if other.present and other.name != match.name}
    if match.name in _NAMED:
        named = bool(match.nots) and not places.of(*_NAMED[match.name]).isdisjoint(match.places)
        return not named and not _OF_A_FUNCTION.isdisjoint(others)
    return not _NARROWER.get(match.name, frozenset()).isdisjoint(others)
