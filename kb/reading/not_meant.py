"""Words of a symptom that speak of something else: of a part, of the past, of what is as it should be."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading import function_words
from kb.reading.denials import OF_HISTORY
from kb.reading.framed import FOUND_BY_LOOKING
from kb.reading.patterns import FAR, PHRASE, Match, Places
from kb.reading.tokens import SIGN, Token

_NOISES = frozenset(
    ("buzzing from the board", "hum from speakers", "high-pitched whine", "ticking or chirping noise",
     "arcing or sparks", "relay clicks repeatedly", "fan at full speed")
)  # fmt: skip
_PAST_REACH = 8
_GOOD = frozenset(("ok", "okay", "fine", "gut", "goed", "bien", "bene", "io", "good"))
_BE = frozenset(("is", "was", "are", "ist", "war", "est", "es", "is", "e"))
# Names that are themselves said with such a word, or in which it is another thing that is good.
_HOLD_GOOD = frozenset(("works unloaded but not in the set", "sound but no picture", "picture but no sound"))


def is_past(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "it used to click off, now …", "was fixed last year for no output": what was once the matter."""
    clause = tokens[match.first].clause
    for span in places.before("used_to", match.first, _PAST_REACH):
        if tokens[span[0]].clause == clause:
            return True
    if match.name in _MAY_BE_WANTED and places.in_sentence("by_design", match.first):
        return True  # "goes off after ten minutes by design"
    if match.name in OF_HISTORY:
        return False
    for span in places.before("repaired", match.first, _PAST_REACH):
        between = range(span[-1], match.first)
        if tokens[span[0]].clause == clause and any(tokens[at].folded in _BECAUSE_OF for at in between):
            return True
    return False


# What a device may do because it was made or set to do so.
_MAY_BE_WANTED = frozenset(
    ("starts then shuts down", "fails when warm", "backlight goes off after seconds", "dim picture",
     "picture but no sound", "buttons do not respond", "does not turn off", "no picture")
)  # fmt: skip
_BECAUSE_OF = frozenset(("for", "because", "wegen", "pour", "voor", "wegens", "por", "per"))


def is_said_good(match: Match, tokens: Sequence[Token]) -> bool:
    """ "PS_ON low ok", "fan noise fine": the words right behind say that it is as it should be."""
    if match.nots or match.name in _HOLD_GOOD:
        return False
    at = match.last + 1
    while at < len(tokens) and tokens[at].folded in _BE:
        at += 1
    if at >= len(tokens) or tokens[at].clause != tokens[match.last].clause:
        return False
    if [token.folded for token in tokens[at : at + 3 : 2]] in (["as", "should"], ["like", "should"]):
        return True  # "relays click as they should"
    ends = at + 1 >= len(tokens) or tokens[at + 1].clause != tokens[at].clause
    return ends and tokens[at].folded in _GOOD


def is_put_together_wrongly(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """Whether words of a symptom stand near each other and belong to different things."""
    return (
        _denies_another_noun(match, tokens)
        or _denies_what_stands_before_and(match, tokens, places)
        or _says_only_where(match, tokens)
        or _is_a_joint(match, places)
        or _stays_after_all(match, tokens, places)
        or _is_another_power(match, tokens)
        or _is_where_it_shows(match, tokens)
        or _is_nothing_of_a_kind(match, tokens)
        or (
            match.way.endswith("needs push")
            and any(t.folded == "hard" for t in tokens[match.first : match.last])
        )
    )


def _denies_another_noun(match: Match, tokens: Sequence[Token]) -> bool:
    """ "no fault in lamp", "no error on the display": the "no" belongs to the noun behind it; the rest says where."""
    return any(
        tokens[no].folded == "no"
        and no + 1 < match.last
        and no + 1 not in match.places
        and tokens[no + 2].folded in function_words.PREPOSITIONS
        for no in match.nots
    )


_OF_A_KIND = frozenset(
    ("wrong", "unusual", "special", "bad", "abnormal", "suspicious", "obvious", "loose", "broken", "amiss")
)


def _is_nothing_of_a_kind(match: Match, tokens: Sequence[Token]) -> bool:
    """ "nothing wrong found, it worked", "nothing wrong with the motor": that nothing is wrong."""
    return any(
        tokens[at].folded in function_words.NOTHING
        and at + 1 < len(tokens)
        and at + 1 not in match.places
        and tokens[at + 1].folded in _OF_A_KIND
        for at in match.places
    )


_NOT_OF_THE_MAINS = frozenset(("out", "under", "for", "from", "at", "in"))
_WE_HAD = frozenset(("had", "have"))


def _is_another_power(match: Match, tokens: Sequence[Token]) -> bool:
    """ "we had no power for two hours", "tx no power out", "no power under load": not that the device is dead."""
    if [tokens[at].folded for at in match.places] != ["no", "power"]:
        return False
    behind = match.last + 1
    follows = behind < len(tokens) and tokens[behind].clause == tokens[match.last].clause
    return (follows and tokens[behind].folded in _NOT_OF_THE_MAINS) or (
        match.first > 0 and tokens[match.first - 1].folded in _WE_HAD
    )


_ON_A_DISPLAY = frozenset(("on", "in", "auf", "im", "sur", "op", "en", "sul", "sullo"))


def _is_where_it_shows(match: Match, tokens: Sequence[Token]) -> bool:
    """ "H:H on display & no start": the display is where something shows, and not what is missing."""
    if match.name != "no picture" or not match.nots:
        return False
    thing = (
        min(at for at in match.places if at not in match.nots) if len(match.places) > len(match.nots) else 0
    )
    before = thing - 1
    if before > 0 and tokens[before].folded in function_words.ARTICLES:
        before -= 1
    return min(match.nots) > thing > 0 and tokens[before].folded in _ON_A_DISPLAY


_VERBS_DENIED = frozenset(
    ("dont", "doesnt", "didnt", "cant", "cannot", "wont", "isnt", "arent", "wouldnt", "couldnt", "not")
)


def _denies_what_stands_before_and(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "letters don't type and the fan is running": behind the "and" nothing is denied any more."""
    if match.way.startswith(PHRASE):
        return False
    others = [at for at in match.places if at not in match.nots]
    return any(
        tokens[no].folded in _VERBS_DENIED
        and no + 1 < min(others, default=no)
        and places.joined_between(no + 1, min(others))
        for no in match.nots
    )


def _says_only_where(match: Match, tokens: Sequence[Token]) -> bool:
    """ "track burnt open near the NTC": the part says where, and is not what is open."""
    if match.name not in FOUND_BY_LOOKING:
        return False
    return any(
        tokens[at].folded in _BESIDE and at not in match.places for at in range(match.first + 1, match.last)
    )


def _is_a_joint(match: Match, places: Places) -> bool:
    """ "joint Q3 cracked": the part says which joint."""
    if match.name != "cracked part seen" or not match.way or match.way.startswith(PHRASE):
        return False
    return any(at in places.of("joint") for at in range(match.first - 2, match.last + 2))


_BESIDE = frozenset(
    ("near", "beside", "behind", "next", "by", "under", "around", "opposite", "below", "above")
)


def _stays_after_all(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "I can switch it on but it will not go off": that it stops is what is denied."""
    if match.name != "starts then shuts down" or match.way.startswith(PHRASE):
        return False
    return any(
        span[0] not in match.places
        and match.first - _STOP_REACH < span[0] < match.last
        and tokens[span[0]].clause == tokens[match.last].clause
        for span in places.before("no", match.last, 2 * _STOP_REACH)
    )


_STOP_REACH = 3

_OF_OUTPUTS = frozenset(("output voltage low", "output voltage high", "one output missing"))


_WATER = frozenset(("water", "wasser", "eau", "agua", "acqua"))
_THANKS_REACH = 9
_CORRODE_ALONE = ("@battery", "@keypad", "@switch", "@potentiometer", "@relay", "@cable", "@motor or pump")


_NOT_YET = frozenset(("tested", "tried", "checked", "fitted", "getestet", "probiert", "teste", "getest"))


def _costs_nothing(match: Match, tokens: Sequence[Token]) -> bool:
    """ "… soak test ok. no charge": alone behind all else, where nothing that charges was spoken of."""
    words = [tokens[at].folded for at in range(match.first, match.last + 1)]
    if (
        words not in (["no", "charge"], ["nothing", "charged"])
        or not match.first
        or match.last + 1 != len(tokens)
    ):
        return False
    if any(token.folded.startswith(WHAT_CHARGES) for token in tokens[: match.first]):
        return False
    at = match.first - 1
    while at > 0 and tokens[at].kind == SIGN:
        at -= 1
    before = tokens[at]
    if before.unit == "min":
        return True  # "10 min no charge"
    return before.clause != tokens[match.first].clause or before.folded in _HANDED_OUT


WHAT_CHARGES = ("charg", "batter", "phone", "laptop", "tablet", "toothbrush")
_HANDED_OUT = frozenset(
    ("returned", "back", "collected", "customer", "owner", "out", "given", "handed", "at", "so")
)
_STOPS = 2  # words that say that it stops, and not that it had started
_SAYS_WHEN = frozenset(
    ("responds to tapping or flexing", "works unloaded but not in the set", "clock or settings lost")
)
_SINGLE_CLICK = 3  # words that say that a relay clicks, and not again and again
# "snubber cap on the drain of the main fet shorted": the first part is, and not what it is connected to.
_SHORTED_PARTS = frozenset(
    ("main switch shorted", "power factor switch shorted", "bulk capacitor low or open", "output rectifier shorted",
     "mains rectifier shorted", "relay clicks repeatedly")
)  # fmt: skip
_SUPPLY_GONE = frozenset(("no standby voltage", "one output missing", "standby voltage low"))


def _part_between(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "standby regulator dead": a part of the supply, and not the supply."""
    return not match.nots and any(
        match.first < span[0]
        and span[-1] < match.last
        and tokens[span[0]].clause == tokens[match.first].clause
        for span in places.near("@part", match.last, match.last - match.first)
    )


_SHORTED_OUTPUTS = frozenset(("output rail shorted to ground", "standby rail shorted to ground"))


def _is_of_one_supply_or_not_tried(said: Sequence[Token]) -> bool:
    """ "12 V falls to 9.1 on load", of a supply and not the whole device; "not tested in the set"."""
    return any(token.value is not None or token.folded in _NOT_YET for token in said)


def _is_of_a_dirty_part(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "switch bank dirty", "contacts dirty", "dirty volume pot"."""
    near = {match.first - 2, match.first - 1}
    if tokens[match.last].folded in ("dirty", "filthy", "grubby"):
        near |= {match.last + 1, match.last + 2}
    clause = tokens[match.first].clause
    own = places.of("@part", "contact") - places.of("fan")
    return any(at in own and tokens[at].clause == clause for at in near) or (
        match.last + 1 in places.of("contact")
    )


def _is_in_a_name(match: Match, tokens: Sequence[Token]) -> bool:
    """ "smoke machine", "flood light", "spark plug tester": the word belongs to what a thing is called."""
    at = match.last + 1
    if len(match.places) > 1 or at >= len(tokens) or tokens[at].clause != tokens[match.last].clause:
        return False
    return tokens[match.last].folded in _IN_NAMES and tokens[at].folded in _CALLED_SO


_IN_NAMES = frozenset(
    ("smoke", "flood", "spark", "shock", "storm", "steam", "blackout", "heat", "water", "hum")
)
_CALLED_SO = frozenset(
    ("machine", "machines", "light", "lights", "lamp", "lamps", "lantern", "plug", "plugs", "alarm", "alarms",
     "detector", "detectors", "generator", "generators", "tester", "effect", "effects", "blind", "blinds", "curtain",
     "absorber", "extractor", "barrier", "gate", "warning", "siren")
)  # fmt: skip


def is_of_something_else(
    match: Match, kept: Sequence[Match], tokens: Sequence[Token], rails: dict[int, str], places: Places
) -> bool:
    """Whether the words of a symptom speak of another thing, which is read by itself."""
    if match.name in _OF_OUTPUTS:
        # The rectified mains and the controller's supply are no outputs.
        return (
            any(rails.get(at) in ("bulk", "controller supply") for at in match.places)
            or _names_a_part(match, tokens, places)
            or _is_held(match, tokens)
            or (
                match.name == "one output missing"
                and (_parts_of_it(match, tokens, places) or _part_between(match, tokens, places))
            )
        )
    from_part = match.name == "all outputs missing" and _comes_from_a_part(match, tokens, places)
    if from_part or _is_in_a_name(match, tokens):
        return True
    if match.name in _OF_NOISE_OR_LIGHT:
        return _is_of_another_name(match, kept, tokens)
    if match.name == "works unloaded but not in the set":
        return _is_of_one_supply_or_not_tried(tokens[match.first : match.last + 1])
    for place in range(match.first - 1, max(-1, match.first - _THANKS_REACH), -1):
        # "thanks for the quick repair last time"
        if tokens[place].clause != tokens[match.first].clause:
            break
        if any(place in span for span in places.spans.get("thanks", ())):
            return True
    if match.name == "starts then shuts down" and len(match.places) <= _STOPS:
        # "cuts out when the door slams", "touch the plug and it cuts out"
        sentence = tokens[match.first].sentence
        return any(
            other.name in _SAYS_WHEN and other.present and tokens[other.first].sentence == sentence
            for other in kept
        )
    if match.name == "does not charge" and _costs_nothing(match, tokens):
        return True
    if match.name == "corrosion on the board":
        # "brush battery corroded", "key foil oxidised"
        clause = tokens[match.first].clause
        near = [at for at in places.of(*_CORRODE_ALONE) if tokens[at].clause == clause]
        return any(0 < match.first - at <= 3 or 0 < at - match.last <= 3 for at in near)
    if match.name == "insects or dirt inside" and len(match.places) == 1:
        return _is_of_a_dirty_part(match, tokens, places)
    if match.name == "failed after a spill or damp" and len(match.places) <= _STOPS:
        return _is_water_of_its_own(match, tokens, places)
    if match.name == "failed after a power cut or storm":
        # "forgets the time at every power cut"
        around = range(max(0, match.first - 3), match.last + 1)
        return any(tokens[at].folded in _EVERY for at in around) and any(
            other.name == "clock or settings lost" and other.present for other in kept
        )
    if match.name == "dropped or mechanical damage":
        return _is_another_drop(match, tokens, rails, places)
    return _is_said_of_another(match, kept, tokens, places)


def _is_water_of_its_own(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """Water belongs into a washing machine; "no water comes in" is none that got in."""
    water = [at for at in match.places if tokens[at].folded in _WATER]
    if not match.way.startswith(PHRASE) and places.in_sentence("warmer", match.first):
        return True  # "sparks inside when I heat soup"
    return bool(water) and (
        places.in_sentence("washer", match.first)
        or any(at and tokens[at - 1].folded in ("no", "kein", "geen", "sin", "senza", "d") for at in water)
    )


def _is_another_drop(match: Match, tokens: Sequence[Token], rails: dict[int, str], places: Places) -> bool:
    """ "5 V drops when the panel is on", "since the remote was dropped"."""
    at = match.first
    if any(place in places.of("remote") for place in range(max(0, at - 2), at)):
        return True
    return tokens[at].folded in ("drops", "drop") or (
        tokens[at].folded == "dropped" and at > 0 and at - 1 in rails
    )


def _is_said_of_another(match: Match, kept: Sequence[Match], tokens: Sequence[Token], places: Places) -> bool:
    """Whether what was named is over, is the remote's, or is as it should be."""
    if match.name in _HEARD_OR_SMELT and _has_gone(match, tokens):
        return True
    if match.name == "fan runs but nothing else" and tokens[match.last].folded == "only":
        behind = match.last + 1  # "fan only goes on speed 3"
        return behind < len(tokens) and tokens[behind].clause == tokens[match.last].clause
    if match.name == "dead" and _is_by_remote(match, tokens, places):
        return True
    if match.name == "does not turn off" and _stays_at_last(match, kept, tokens):
        return True
    return _is_of_a_part(match, kept, tokens, places)


_BY = frozenset(("with", "from", "by", "via", "using", "mit", "von", "per", "avec", "depuis", "met",
    "vanaf", "con", "desde",
                 "dal", "col"))  # fmt: skip
_AT_LAST = frozenset(
    ("then", "finally", "eventually", "now", "once", "until", "dann", "puis", "dan", "luego", "poi", "it")
)
_LASTS = frozenset(("for", "all", "as", "long", "until", "longer", "fine", "ok", "once"))


_HEARD_OR_SMELT = _NOISES | {
    "burnt smell",
    "smoke seen",
    "backlight flickers",
    "lines or bars in the picture",
}
_GONE = frozenset(
    ("gone", "stopped", "disappeared", "vanished", "weg", "verschwunden", "disparu", "desaparecido", "sparito")
)  # fmt: skip
_BEFORE_GONE = frozenset(
    ("has", "have", "is", "was", "noise", "sound", "all", "now", "ist", "sind", "jetzt", "a", "est", "is", "nu",
     "ha", "e", "ahora")
)  # fmt: skip


def _has_gone(match: Match, tokens: Sequence[Token]) -> bool:
    """ "the buzzing noise has gone since you repaired it": it is no more."""
    at = match.last + 1
    while (
        at < len(tokens)
        and tokens[at].clause == tokens[match.last].clause
        and tokens[at].folded in _BEFORE_GONE
    ):
        at += 1
    return at < len(tokens) and tokens[at].clause == tokens[match.last].clause and tokens[at].folded in _GONE


def _is_by_remote(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "cannot switch it on with the remote": the remote's fault as far as this says; "no it powers up"."""
    if tokens[match.first].folded == "no" and tokens[match.last].folded in ("powers", "powered", "powering"):
        return True
    remote = [at for at in range(match.last + 1, match.last + 4) if at in places.of("remote")]
    return any(
        tokens[at].clause == tokens[match.last].clause
        and any(tokens[place].folded in _BY for place in range(match.last + 1, at))
        for at in remote
    )


def _stays_at_last(match: Match, kept: Sequence[Match], tokens: Sequence[Token]) -> bool:
    """ "after five tries it stays on for the evening": it does what it should."""
    words = [tokens[at].folded for at in match.places]
    if any(tokens[at].folded == "no" and tokens[at + 1].folded in ("stop", "stops") for at in match.nots):
        return True  # "2 h at full load, no stop"
    if not set(words) & {"stays", "stay", "stayed", "remains", "bleibt", "reste", "blijft", "queda", "resta"}:
        return False
    behind = match.last + 1
    lasts = behind < len(tokens) and tokens[behind].folded in _LASTS
    at_last = any(
        tokens[at].folded in _AT_LAST - {"it"} for at in range(max(0, match.first - 3), match.first)
    )
    starts = {
        "starts only after several tries",
        "restarts by itself",
        "intermittent",
        "starts then shuts down",
    }
    return lasts or at_last or any(other.name in starts and other.first < match.first for other in kept)


_EVERY = frozenset(
    ("every", "each", "any", "jedem", "jeder", "jedes", "chaque", "elke", "iedere", "bij", "cada",
    "ogni", "when", "wenn",
     "quand", "cuando", "quando")
)  # fmt: skip
_PART_REACH = 8
_CIRCUITS = frozenset(
    ("protection", "trip", "circuit", "detector", "sensing", "sense", "detection", "lockout")
)
_HELD = frozenset(
    ("pulled", "held", "pull", "hold", "pulling", "holding", "tied", "taken", "goes", "going", "active")
)


def _names_a_part(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "over-voltage zener", "low voltage trip": what a part or circuit is for."""
    behind = match.last + 1
    if behind >= len(tokens) or tokens[behind].clause != tokens[match.last].clause:
        return False
    return tokens[behind].folded in _CIRCUITS or any(
        span[0] == behind for span in places.near("@part", behind, 0)
    )


def _is_held(match: Match, tokens: Sequence[Token]) -> bool:
    """ "ok when pulled low by hand": a line, and no voltage that is too low."""
    return match.name != "one output missing" and any(
        tokens[at].folded in ("low", "high") and at and tokens[at - 1].folded in _HELD for at in match.places
    )


def _parts_of_it(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "both transistors of the inverter dead": parts of the supply, and not the supply."""
    first = match.first
    return any(
        tokens[at].folded in _OF and tokens[at].clause == tokens[first].clause and at > low
        for low in [span[-1] for span in places.before("@part", first, _PART_REACH)]
        for at in range(max(low + 1, first - 2), first)
    )


_OF = frozenset(
    ("of", "in", "on", "at", "across", "from", "by", "near", "beside", "behind", "to", "for", "along", "around", "next",
     "des", "der", "vom", "von", "am", "an", "im", "bei", "neben", "uber", "ueber", "zum", "zur",
     "du", "de", "sur", "pres", "aux", "au", "van", "op", "aan", "bij", "naast", "over",
     "del", "en", "sobre", "junto", "di", "della", "dello", "sul", "sulla", "vicino", "dei")
)  # fmt: skip


def _comes_from_a_part(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "regulator U7 has 5 V in and no output": of a part."""
    clause = tokens[match.first].clause
    whole = places.of("device")
    return any(
        tokens[span[0]].clause == clause and not set(span) & set(match.places) and whole.isdisjoint(span)
        for span in places.before("@part", match.first, _PART_REACH)
    )


_HEARING = frozenset(("it", "that", "es", "das", "le", "la", "lo", "het", "this", "them"))
_OF_NOISE_OR_LIGHT = frozenset(
    ("picture but no sound", "dim picture", "discoloured board", "standby light on but will not start")
)


def _is_of_another_name(match: Match, kept: Sequence[Match], tokens: Sequence[Token]) -> bool:
    """Whether another symptom of the sentence has the words: what is silent is a noise, a faint display is no
    backlight, what is brown has leaked, "only in standby" says when it whines."""
    sentence = tokens[match.first].sentence
    others = {
        other.name
        for other in kept
        if other is not match and other.present and tokens[other.first].sentence == sentence
    }
    if match.name == "picture but no sound":
        heard = any(tokens[at].folded in _HEARING for at in range(match.first, match.last + 1))
        noisy = any(other.name in _NOISES and other.first < match.first for other in kept)
        return (heard and bool(others & _NOISES)) or (len(match.places) == 1 and noisy)
    if match.name == "dim picture":
        return "display dim or fading" in others
    if match.name == "discoloured board":
        return "leaking capacitor" in others
    words = {tokens[at].folded for at in range(match.first, match.last + 1)}
    return bool(others) and bool(words & {"in"}) and not words & {"stuck", "stays", "stay", "remains"}


def _is_of_a_part(match: Match, kept: Sequence[Match], tokens: Sequence[Token], places: Places) -> bool:
    """Whether the words say what a part does or how it is, and nothing of the device."""
    if match.name in _SHORTED_PARTS and _parts_of_it(match, tokens, places):
        return True
    if match.name == "relay clicks repeatedly" and places.in_sentence("contact", match.first):
        # "K2 clicks but contact 18 ohm": it works, what it switches does not.
        return len(match.places) <= _SINGLE_CLICK
    if match.name in _SUPPLY_GONE and _part_between(match, tokens, places):
        return True
    if match.name in _SHORTED_OUTPUTS and _parts_of_it(match, tokens, places):
        return True
    if match.name in _SHORTED_OUTPUTS:
        # "output transistor Q5 shorted", "heater element down to earth": a part.
        parts = [span[0] for span in places.spans.get("@part", ())]
        clause = tokens[match.first].clause
        primary = any(tokens[at].clause == clause for span in places.spans.get("primary", ()) for at in span)
        return primary or any(
            match.first - 3 <= at <= match.last and tokens[at].clause == clause for at in parts
        )
    if match.name == "part too hot to touch":
        # "display says HOT", "20k to earth when hot"
        near = {tokens[at].folded for at in range(max(0, match.first - 3), match.last)}
        hot = next((at for at in match.places if tokens[at].folded == "hot"), 0)
        return bool(near & {"says", "shows", "display"}) or (
            hot > 0 and tokens[hot - 1].folded in function_words.WHEN
        )
    if match.name == "no standby light" and not match.nots:
        # The lamp of a charger that does not charge; "no lamp at all" says more.
        return any(other.name == "does not charge" and abs(other.first - match.last) <= FAR for other in kept)
    return False
