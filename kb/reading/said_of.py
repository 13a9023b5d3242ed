"""What a symptom is said of, where the words of a symptom alone would not tell.

The same words mean the device or something else by the part that they play in their clause. English texts are asked
for the order of their words; the rest holds in every language. What is found here is proposed and not taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.designators import designator_letters
from kb.reading import function_words
from kb.reading.denials import OF_HISTORY
from kb.reading.framed import FOUND_BY_LOOKING
from kb.reading.patterns import DEVICES, Match, Places
from kb.reading.tokens import DESIGNATOR, NUMBER, QUANTITY, WORD, Token

# What somebody looks, listens or smells for and does not find. That a device does not restart by itself or hiccup is
# said of the time after a fix, or is no denial at all ("goes off for no reason").
_LOOKED_FOR = (
    FOUND_BY_LOOKING
    | frozenset(OF_HISTORY)
    | frozenset(
        ("burnt smell", "smoke seen", "bang heard", "arcing or sparks", "buzzing from the board", "hum from speakers",
         "high-pitched whine", "ticking or chirping noise", "error code shown", "part too hot to touch",
         "does not charge", "does not hold charge", "standby light blinks", "no standby light", "tingle from the case",
         "dead", "high ripple", "no standby voltage", "trips the mains breaker", "trips the residual-current device",
         "relay clicks repeatedly", "relay clicks once", "relay does not click", "no communication")
    )
)  # fmt: skip
_OF_THE_WHOLE = frozenset(
    ("dead", "does not work", "does not turn off", "starts then shuts down", "restarts by itself")
)
_NAMED_DEVICES = (*sorted(DEVICES), "screen_device")
_WITH = frozenset(("with", "without", "while", "when"))


def is_said_of_another(match: Match, tokens: Sequence[Token], places: Places, english: bool) -> bool:
    """Whether the words of a symptom are, by their part in the clause, likely said of something else."""
    if not match.present and match.name not in _LOOKED_FOR:
        return True
    if match.name == "inrush limiter open" and (
        _is_a_sensor(match, tokens, places) or _is_only_a_designator(match, tokens)
    ):
        return True
    if _is_a_panel(match, tokens) or _is_lit_by_itself(match, tokens):
        return True
    if _clicks_all_the_same(match, tokens):
        return True
    if _is_of_sound_alone(match, tokens, places) or _is_a_loose_wire(match, places):
        return True
    if not english:
        return False
    return (
        _has_an_own_subject(match, tokens, places)
        or _is_a_condition(match, tokens)
        or _is_a_board(match, tokens)
        or _is_of_the_house(match, tokens)
        or _is_only_warm(match, tokens)
        or _is_a_single_click(match, tokens)
        or _flashes_by_nature(match, tokens)
        or _is_nothing_but_noise(match, tokens)
    )


def _has_an_own_subject(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "his phone is dead", "supercap 0.1F dead", where the device was named before: what is dead is another thing."""
    if match.name not in _OF_THE_WHOLE or match.nots:
        return False
    clause = tokens[match.first].clause
    at = match.first - 1
    while at >= 0 and tokens[at].clause == clause and tokens[at].folded in function_words.BEFORE_PREDICATE:
        at -= 1
    if at < 0 or tokens[at].clause != clause:
        return False
    if tokens[at].kind in (NUMBER, QUANTITY, DESIGNATOR):
        return tokens[at].kind != QUANTITY or tokens[at].unit not in ("s", "min", "times")
    if tokens[at].kind != WORD or at in places.of("motor", *_NAMED_DEVICES):
        return False
    # Clauses come in order, so the first device is in another one if any before this word is.
    device = min(places.of(*_NAMED_DEVICES), default=at)
    if device >= at or tokens[device].clause == clause or tokens[at].folded in function_words.NO_NOUNS:
        return False
    # A word that the text had before is likely a name of the device that is in no list.
    return all(token.folded != tokens[at].folded for token in tokens[:at])


def _is_a_condition(match: Match, tokens: Sequence[Token]) -> bool:
    """ "pulls 2 A with the display off": how it was measured."""
    at = match.first - 1
    if at < 1 or tokens[at].folded not in ("the", "its") or tokens[at - 1].folded not in _WITH:
        return [token.folded for token in tokens[match.first : match.first + 2]] == ["without", "the"]
    return tokens[match.last].folded in ("off", "on", "out", "open", "closed", "unplugged", "disconnected")


_SUPPLIES = frozenset(("rail", "line", "supply", "output", "voltage", "volts", "v", "out", "feed", "power"))
_BOARD_NAMES = frozenset(
    ("inverter", "backlight", "display", "panel", "logic", "main", "lamp", "led", "leds")
)
_OF_RAILS = frozenset(
    ("one output missing", "output rail shorted to ground", "output voltage low", "output voltage high")
)


def _is_a_board(match: Match, tokens: Sequence[Token]) -> bool:
    """ "inverter is short": a board that has the name of its supply."""
    if match.name not in _OF_RAILS:
        return False
    own = [tokens[at] for at in range(match.first, match.last + 1)]
    if any(token.kind != WORD or token.folded in _SUPPLIES for token in own):
        return False
    behind = match.last + 1
    return any(token.folded in _BOARD_NAMES for token in own) and not (
        behind < len(tokens) and tokens[behind].folded in _SUPPLIES
    )


def _is_of_the_house(match: Match, tokens: Sequence[Token]) -> bool:
    """ "bang, lights out", "no lamp, fan ok": those of the house or the lamp of a screen, and none that shows power."""
    if match.name != "no standby light":
        return False
    words = {tokens[at].folded for at in match.places}
    return "lamp" in words or (
        "lights" in words
        and not match.nots
        and any(tokens[at].folded in ("out", "off") for at in match.places)
    )


def _is_a_sensor(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "NTC in lid, 100k": an inrush limiter has a few ohms, a sensor thousands."""
    sentence = tokens[match.first].sentence
    near = range(max(0, match.first - 8), min(len(tokens), match.last + 10))
    if any(
        tokens[at].kind == QUANTITY
        and tokens[at].unit == "ohm"
        and (tokens[at].value or tokens[at].high or 0) >= 1000
        for at in near
    ):
        return True
    return any(places.in_sentence(name, match.first) for name in ("fan", "warmer", "washer")) or any(
        tokens[at].folded in ("temp", "temperature", "sensor", "probe", "lid")
        and tokens[at].sentence == sentence
        for at in near
    )


def _is_only_warm(match: Match, tokens: Sequence[Token]) -> bool:
    """ "driver chip warm": not too hot to touch."""
    if match.name != "part too hot to touch":
        return False
    own = {tokens[at].folded for at in range(max(0, match.first - 1), match.last + 1)}
    return "warm" in own and not own & {"very", "too", "really", "hot"}


_SIGNS_OF_MANY = frozenset(
    ("again", "repeatedly", "constantly", "continuously", "times", "every", "keeps", "clicks")
)


def _is_a_single_click(match: Match, tokens: Sequence[Token]) -> bool:
    """ "I heard a click", "click and then nothing": one, unless the clause has more of them."""
    if match.name != "relay clicks repeatedly":
        return False
    clause = tokens[match.first].clause
    words = [tokens[at].folded for at in range(match.first, match.last + 1)]
    if "click" not in words:
        return False
    near = [token.folded for token in tokens if token.clause == clause]
    return near.count("click") == 1 and _SIGNS_OF_MANY.isdisjoint(near)


_ALL_THE_SAME = frozenset(
    ("though", "aber", "jedoch", "trotzdem", "wel", "pourtant", "bien", "pero", "pero", "however")
)


def _clicks_all_the_same(match: Match, tokens: Sequence[Token]) -> bool:
    """ "heats not, relay clicks though": it clicks as it should."""
    behind = match.last + 1
    return (
        match.name == "relay clicks repeatedly"
        and behind < len(tokens)
        and tokens[behind].folded in _ALL_THE_SAME
        and (behind + 1 >= len(tokens) or tokens[behind + 1].clause != tokens[behind].clause)
    )


def _is_a_loose_wire(match: Match, places: Places) -> bool:
    """ "lead pulled off": of a wire, and no damage of the device that its name says."""
    if match.name != "dropped or mechanical damage":
        return False
    return any(at in places.of("@cable", "@connector") for at in range(match.first - 2, match.first))


_ONLY_HEARD = frozenset(
    ("amp", "amplifier", "radio", "organ", "piano", "synth", "doorbell", "megaphone", "intercom", "verstarker", "orgel",
     "klingel", "versterker", "ampli", "amplificateur", "amplificador", "amplificatore", "turntable", "walkman")
)  # fmt: skip


def _is_of_sound_alone(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "amp, no sound": of a device that has no picture more than the name of the symptom says is not known."""
    if match.name != "picture but no sound" or not match.present:
        return False
    return any(token.folded in _ONLY_HEARD for token in tokens) and not places.of(
        "picture", "screen", "screen_device"
    )


def _is_nothing_but_noise(match: Match, tokens: Sequence[Token]) -> bool:
    """ "hiss only": nothing is received, so that no sound is there to be distorted."""
    if match.name != "sound distorted" or len(match.places) > 1:
        return False
    around = tokens[max(0, match.first - 1) : match.last + 2]
    return any(token.folded in ("only", "just") for token in around)


_FLASH_BY_NATURE = frozenset(
    ("strobe", "beacon", "flasher", "indicator", "indicators", "lighthouse", "blinker")
)


def _flashes_by_nature(match: Match, tokens: Sequence[Token]) -> bool:
    """ "the strobe flashes at half rate": what it is made for."""
    if match.name not in ("standby light blinks", "backlight flickers", "hiccup"):
        return False
    sentence = tokens[match.first].sentence
    return any(token.sentence == sentence and token.folded in _FLASH_BY_NATURE for token in tokens)


def _is_only_a_designator(match: Match, tokens: Sequence[Token]) -> bool:
    """ "RT1 open": a thermistor, which may as well be a sensor."""
    named = [at for at in match.places if tokens[at].kind == DESIGNATOR]
    return any(designator_letters(tokens[at].folded) in _ANY_THERMISTOR for at in named) and not any(
        tokens[at].folded in _LIMITERS
        for at in range(max(0, match.first - 2), min(len(tokens), match.last + 3))
    )


_ANY_THERMISTOR = frozenset(("RT", "TH", "RTH"))
_LIMITERS = frozenset(("ntc", "inrush", "limiter", "thermistor", "einschaltstrombegrenzer", "heissleiter"))
_PANELS = frozenset(("panel", "panels", "paneel", "panneau", "pannello"))


def _is_a_panel(match: Match, tokens: Sequence[Token]) -> bool:
    """ "panel dark": one of lamps, of keys or of the sun as well as a screen."""
    return match.name == "no picture" and any(tokens[at].folded in _PANELS for at in match.places)


_SHINES = frozenset(("leuchtet", "leuchten", "leuchtete"))
_LIGHTS = ("led", "licht", "lampe", "leucht", "anzeige", "standby", "kontroll", "diode", "birne")


def _is_lit_by_itself(match: Match, tokens: Sequence[Token]) -> bool:
    """ "Pfeil leuchtet nicht": the verb is said of another thing than a light of the device."""
    words = {tokens[at].folded for at in match.places if at not in match.nots}
    before = match.first - 1
    if match.name != "no standby light" or not words <= _SHINES or before < 0:
        return False
    return (
        tokens[before].kind == WORD
        and tokens[before].clause == tokens[match.first].clause
        and not any(part in tokens[before].folded for part in _LIGHTS)
    )
