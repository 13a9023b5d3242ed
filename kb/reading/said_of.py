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
from kb.reading.tokens import DESIGNATOR, NUMBER, QUANTITY, SIGN, WORD, Token

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
        or _is_of_a_piece(match, tokens, places)
        or _is_of_a_noise(match, tokens)
        or _is_of_one_of_several(match, tokens)
        or _is_only_smelt(match, tokens)
        or _is_of_a_flat_cell(match, tokens)
        or _ticks_by_nature(match, tokens)
        or _is_a_part_of_the_screen(match, tokens)
        or _is_on_paper(match, tokens)
        or _shows_a_time(match, tokens)
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


_BEHIND_OF = function_words.ARTICLES | frozenset(("my", "our", "your", "his", "her", "their", "this"))
_NO_PIECES = frozenset(
    ("none", "all", "both", "half", "some", "most", "one", "each", "rest", "kind", "sort", "pair", "type", "out",
     "instead", "because", "inside", "power", "control", "use", "model", "brand", "part")
)  # fmt: skip
_PIECES_IN_ER = frozenset(
    ("filter", "cover", "roller", "lever", "holder", "drawer", "cutter", "carrier", "beater")
)


def _is_of_a_piece(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "the vacuum hose is broken", "the lid of the washer is broken": a piece of the device has the state.

    What ends in "-er" behind a device is most likely the device ("vacuum cleaner"), but for a few.
    """
    if match.name not in ("does not work", "dead") or not match.present:
        return False
    clause = tokens[match.last].clause
    devices = places.of("motor", *_NAMED_DEVICES)
    at = match.last
    while at >= 0 and tokens[at].clause == clause and (
        at == match.last or at in match.nots or tokens[at].folded in function_words.BEFORE_PREDICATE
        or (at in match.places and at not in devices)
    ):  # fmt: skip
        at -= 1
    if at < 1 or tokens[at].clause != clause or tokens[at].kind != WORD:
        return False
    if at in devices:
        head = at - 1
        while head > 0 and (head in devices or tokens[head].folded in _BEHIND_OF):
            head -= 1
        return (
            head > 0
            and tokens[head].folded == "of"
            and tokens[head - 1].clause == clause
            and head - 1 not in devices
            and tokens[head - 1].folded not in _NO_PIECES
        )
    before = at - 1 - (tokens[at - 1].folded == "s")
    word = tokens[at].folded
    return (
        before >= 0
        and before in devices
        and tokens[before].clause == clause
        and tokens[before].folded not in ("it", "thing")
        and (not word.endswith(("er", "or")) or word in _PIECES_IN_ER)
        and word
        not in _NO_PIECES | function_words.ARTICLES | function_words.PREPOSITIONS | function_words.NO_NOUNS
    )


_NOISE_NOUNS = frozenset(
    ("hum", "humming", "buzz", "buzzing", "whine", "whining", "whistle", "whistling", "squeal", "squealing", "noise",
     "hiss", "hissing", "crackle", "crackling", "rattle", "rattling", "ticking", "beep", "beeping", "smell", "chirp",
     "chirping", "squeak", "squeaking", "clicking")
)  # fmt: skip
_STOPS_OR_NOT = frozenset(
    ("works unloaded but not in the set", "starts then shuts down", "fails when warm", "does not turn off",
     "intermittent", "freezes", "motor does not run", "restarts by itself")
)  # fmt: skip
_ADJECTIVES = frozenset(
    ("loud", "high", "pitched", "low", "strange", "funny", "odd", "slight", "faint", "same")
)
_SUBJECTS = frozenset(("it", "he", "she", "i", "we", "they", "the", "my", "which", "set", "tv", "then"))


_SOME = frozenset(
    ("half", "one", "two", "three", "four", "five", "some", "few", "several", "both", "another")
)


def _is_of_one_of_several(match: Match, tokens: Sequence[Token]) -> bool:
    """ "strip 2 half dead", "cleaned, one dead still": of one of several things."""
    at = match.first - 1
    return (
        match.name == "dead"
        and len(match.places) == 1
        and at >= 0
        and tokens[at].clause == tokens[match.first].clause
        and (tokens[at].folded in _SOME or (tokens[at].folded == "still" and tokens[at - 1].folded in _SOME))
    )


_SMELL = frozenset(("smell", "smells", "smelled", "smelt", "stink", "stinks", "stank"))


def _is_only_smelt(match: Match, tokens: Sequence[Token]) -> bool:
    """ "smell of burnt motor": nobody saw it."""
    before = tokens[max(0, match.first - 4) : match.first]
    return match.name == "burnt part seen" and any(
        token.folded in _SMELL and token.clause == tokens[match.first].clause for token in before
    )


_OF_CHARGING = (
    "charg",
    "recharg",
    "hold",
    "last",
    "cordless",
    "laptop",
    "phone",
    "minute",
    "hour",
    "overnight",
)


def _is_of_a_flat_cell(match: Match, tokens: Sequence[Token]) -> bool:
    """ "clock, battery inside flat": of a cell that nothing charges."""
    return match.name == "does not hold charge" and not any(
        token.folded.startswith(_OF_CHARGING) or token.unit in ("min", "day") for token in tokens
    )


_TICK = frozenset(("clock", "watch", "metronome", "timer", "pendulum"))


def _ticks_by_nature(match: Match, tokens: Sequence[Token]) -> bool:
    """ "wall clock, new battery, ticks": what it is made for."""
    return match.name == "ticking or chirping noise" and any(token.folded in _TICK for token in tokens)


_PORTIONS = frozenset(
    (
        "half",
        "third",
        "quarter",
        "part",
        "corner",
        "side",
        "left",
        "right",
        "top",
        "bottom",
        "lower",
        "upper",
        "edge",
    )
)


def _is_a_part_of_the_screen(match: Match, tokens: Sequence[Token]) -> bool:
    """ "lower third of the screen dark": the rest has a picture."""
    before = tokens[max(0, match.first - 5) : match.last]
    return match.name in ("no picture", "dim picture", "backlight off") and any(
        token.folded in _PORTIONS and token.clause == tokens[match.first].clause for token in before
    )


def _head_of_clause(at: int, tokens: Sequence[Token]) -> int:
    clause = tokens[at].clause
    while at and tokens[at - 1].clause == clause and tokens[at - 1].kind != SIGN:
        at -= 1
    return at


def _is_of_a_noise(match: Match, tokens: Sequence[Token]) -> bool:
    """ "the buzzing stops after two seconds": what stops, stays or comes and goes is the noise."""
    if match.name not in _STOPS_OR_NOT:
        return False
    at = _head_of_clause(match.first, tokens)
    before = at - 1 if at and tokens[at - 1].kind != SIGN else at - 2
    if at == match.first and before > 0 and tokens[before].sentence == tokens[at].sentence:
        at = _head_of_clause(before, tokens)  # "whistle at idle, stops under load"
    named = False
    while at <= match.last and tokens[at].folded in function_words.ARTICLES | _ADJECTIVES:
        named, at = True, at + 1
    if at > match.last or tokens[at].folded not in _NOISE_NOUNS:
        return False
    between = [tokens[place].folded for place in range(at + 1, match.first)]
    if named or tokens[at].clause != tokens[match.first].clause:
        return not (_SUBJECTS - {"then"}).intersection(between)
    return all(word in function_words.BEFORE_PREDICATE and word != "then" for word in between)


_PRINTS = frozenset(
    ("printer", "copier", "photocopier", "plotter", "scanner", "paper", "page", "print", "prints")
)
_PICTURES = frozenset(("screen", "display", "picture", "tv", "telly", "monitor", "lcd", "image"))


def _is_on_paper(match: Match, tokens: Sequence[Token]) -> bool:
    """ "printer prints stripes": lines of what is printed and not of a picture."""
    if match.name != "lines or bars in the picture":
        return False
    words = {token.folded for token in tokens}
    return bool(words & _PRINTS) and not words & _PICTURES


def _shows_a_time(match: Match, tokens: Sequence[Token]) -> bool:
    """ "it flashes 12:00": what a clock shows, and no light."""
    behind = tokens[match.last + 1 : match.last + 4]
    return match.name in ("standby light blinks", "backlight flickers") and (
        len(behind) > 1 and behind[0].kind == NUMBER and behind[1].folded == ":"
    )


def _is_a_condition(match: Match, tokens: Sequence[Token]) -> bool:
    """ "pulls 2 A with the display off": how it was measured."""
    at = match.first - 1
    if match.name in ("dim picture", "fan at full speed") and at >= 0 and tokens[at].folded == "at":
        return True  # "flickers at low brightness"
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
    if words.isdisjoint(_OF_POWER) and any(token.folded in _BULBS for token in tokens):
        return True  # "christmas star, no light. 2 of 12 bulbs gone"
    return "lamp" in words or (
        "lights" in words
        and not match.nots
        and any(tokens[at].folded in ("out", "off") for at in match.places)
    )


_BULBS = frozenset(("bulb", "bulbs", "string", "garland", "candle", "candles", "lantern"))
_OF_POWER = frozenset(("standby", "stby", "led", "power", "indicator", "pilot"))


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
