"""Symptoms among the words: from phrases of the lists, and from patterns of concepts in every language."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from kb.reading import function_words
from kb.reading.denials import OF_HISTORY, settle_denied
from kb.reading.framed import is_only_spoken_of
from kb.reading.kinds_of_device import by_device, is_lamp_of_projector
from kb.reading.lexicon import Hit, every_common_word, negation_words
from kb.reading.mentions import device_phrases
from kb.reading.not_meant import (
    is_of_something_else,
    is_past,
    is_put_together_wrongly,
    is_said_good,
)
from kb.reading.patterns import PHRASE, Match, Places, pattern_matches
from kb.reading.tokens import NUMBER, WORD, Token

_SHORT_CLAUSE = 5  # words of a clause in which an everyday word alone is about the device


def find_symptoms(hits: Sequence[Hit], places: Places) -> list[Match]:
    """The symptoms that the text of `places` names, each where it stands, present or denied; longest names win."""
    tokens, rails = places.tokens, places.rails
    negations = negation_words()
    found: list[Match] = []
    held = _by_first(hit for hit in hits if hit.table == "parts" and len(hit.places) > 1)
    devices = device_phrases(hits)
    for hit in hits:
        if hit.table == "symptoms":
            own = frozenset(hit.places)
            if hit.value in _OF_A_PART and any(
                not part <= own for place in own for part in held.get(place, ())
            ):
                continue  # "thermal fuse open" is no blown fuse
            if any(first in own and not own >= phrase for first, phrase in devices.items()):
                continue  # "fan heater only …" is no fan
            nots = frozenset(at for at in hit.places if tokens[at].folded in negations)
            words = " ".join(tokens[at].folded for at in hit.places)
            found.append(Match(hit.value, hit.places, nots, way=f"{PHRASE}{words}"))
    found += pattern_matches(places)
    found = [_of_an_amplifier(match, places) for match in found]
    found = [_once_blown(match, tokens) for match in found]
    found = [_lives(match, tokens) for match in found]
    found = [_of_one_output(match, tokens, rails) for match in found]
    found = [match for match in found if not is_put_together_wrongly(match, tokens, places)]
    kept = _longest(_own_negation(found, tokens))
    kept = _one_of_alike(_about_the_device(kept, tokens, places))
    kept = [match for match in kept if not is_of_something_else(match, kept, tokens, rails, places)]
    if any(match.name in _OF_THE_WHOLE for match in kept):
        others, whole = places.of(*_OTHER_SUBJECTS), places.of("device")
        alone = places.of(*_GOES_OFF_ALONE)
        kept = [
            match
            for match in kept
            if not _has_other_subject(
                match, tokens, alone if match.name == "starts then shuts down" else others, whole
            )
        ]
    kept = [match for match in kept if not is_only_spoken_of(match, tokens, places)]
    kept = [match for match in kept if not _is_of_a_lamp(match, places)]
    kept = [match for match in kept if not _is_of_a_verb(match, tokens)]
    done = _by_first(hit for hit in hits if hit.table == "actions")
    kept = [match for match in kept if not _inside(match, done)]
    kept = [_joined_outputs(match, tokens, rails) for match in _several_outputs(kept, rails)]
    outcomes = _by_first(hit for hit in hits if hit.table == "results" and len(hit.places) > 1)
    kept = [
        match
        for match in kept
        # "maakt niks uit": no change, and nothing of turning off
        if match.name != "does not turn off"
        or not any(set(match.places) < phrase for phrase in outcomes.get(match.first, ()))
    ]
    kept = [match for match in kept if not is_past(match, tokens, places) and not is_said_good(match, tokens)]
    kept = [by_device(match, places) for match in kept if not is_lamp_of_projector(match, tokens)]
    return _only_if_alone(settle_denied(kept, tokens, places))


# Symptoms whose phrases name a part, of which a longer name is another part.
_OF_A_PART = frozenset(("fuse blown", "fuse blows again when replaced", "burnt part seen"))
# What a sentence may be about instead of the whole device.
_OTHER_SUBJECTS = (
    "button", "channel", "pfc", "fan", "motor", "light", "backlight", "heater", "remote", "speaker", "screen",
    "picture", "sound", "standby", "segment", "port", "vcc", "bulk", "relay", "error", "communication", "else",
)  # fmt: skip
_OF_THE_WHOLE = frozenset(("dead", "does not work", "does not turn off", "starts then shuts down"))
# What goes off by itself without the device doing so: "sound cuts out".
_GOES_OFF_ALONE = ("sound", "channel", "remote", "communication", "button")
_SUBJECT_REACH = 4


def _has_other_subject(
    match: Match, tokens: Sequence[Token], others: frozenset[int], whole: frozenset[int]
) -> bool:
    """Whether "does nothing" or "stays on" is said of a thing of its own: the remote, a channel, a lamp."""
    if match.name not in _OF_THE_WHOLE:
        return False
    at, clause = match.first - 1, tokens[match.first].clause
    own = set(match.places)
    if match.name == "dead" and at >= 0 and tokens[at].kind == NUMBER and tokens[at].clause == clause:
        return True  # "speed 2 dead"
    for _ in range(_SUBJECT_REACH):
        if at < 0 or tokens[at].clause != clause:
            return False
        if at in whole:
            return False
        if at in others and at not in own:
            return True
        at -= 1
    return False


def _of_an_amplifier(match: Match, places: Places) -> Match:
    """What hums of an amplifier are its speakers, unless the board or its transformer is named."""
    if match.name != "buzzing from the board" or not places.in_sentence("amplifier", match.first):
        return match
    inside = {"board", "@transformer", "track"}
    if any(places.in_sentence(name, match.first) for name in inside):
        return match
    return replace(match, name="hum from speakers")


_LEADS_TO_NOTHING = frozenset(
    ("et", "puis", "alors", "depuis", "donc", "ensuite", "maintenant", "la", "y", "orage", "tempete", "soudain")
)  # fmt: skip


def _once_blown(match: Match, tokens: Sequence[Token]) -> Match:
    """ "replaced the fuse which had blown": the old one, and no new one that blew again."""
    if match.name != "fuse blows again when replaced":
        return match
    words = {tokens[at].folded for at in range(match.first, match.last + 1)}
    if words & _RELATIVE and not words & _AGAIN:
        return replace(match, name="fuse blown")
    return match


def _lives(match: Match, tokens: Sequence[Token]) -> Match:
    """ "makes a noise and does nothing": something goes on, so that it is not dead."""
    if match.name != "dead" or not match.first or tokens[match.first].folded not in _DOES:
        return match
    if not any(tokens[at].folded in function_words.NOTHING for at in match.places):
        return match  # "clicks and does not come on"
    at = match.first - 1
    if tokens[at].folded not in _AND_BUT or (at and tokens[at - 1].sentence != tokens[at].sentence):
        return match
    return replace(match, name="does not work")


def _of_one_output(match: Match, tokens: Sequence[Token], rails: dict[int, str]) -> Match:
    """ "the 24 V output is missing": a supply that is named, and not all of them."""
    if match.name != "all outputs missing" or match.nots:
        return match
    others = ("bulk", "controller supply", "standby")
    near = range(match.first - 1, match.last)
    named = next(
        (at for at in near if tokens[at].kind == NUMBER or rails.get(at, "bulk") not in others), None
    )
    if named is None or named in match.places or tokens[named].clause != tokens[match.first].clause:
        return match
    return replace(match, name="one output missing", places=tuple(sorted((named, *match.places))))


_DOES = frozenset(("does", "do", "did", "tut", "macht", "doet", "fait", "hace", "fa"))
_AND_BUT = frozenset(("and", "but", "und", "aber", "et", "mais", "en", "maar", "y", "pero", "e", "ma"))
_RELATIVE = frozenset(("which", "that", "had", "was", "who", "qui", "que", "che", "die", "der", "welche"))
_AGAIN = frozenset(
    ("again", "wieder", "immediately", "instantly", "nouveau", "weer", "opnieuw", "nuevo", "vez", "nuovo",
     "new")
)  # fmt: skip


def _is_of_a_verb(match: Match, tokens: Sequence[Token]) -> bool:
    """ "on ne lit plus rien": the verb before "plus rien" says what is not done."""
    if match.name != "dead" or [tokens[at].folded for at in match.places] != ["plus", "rien"]:
        return False
    before = match.first - 1
    if before < 0 or tokens[before].clause != tokens[match.first].clause or tokens[before].kind != WORD:
        return False
    return tokens[before].folded not in _LEADS_TO_NOTHING and any(
        tokens[at].folded in ("ne", "n", "on", "je") for at in range(max(0, before - 2), before)
    )


def _by_first(hits: Iterable[Hit]) -> dict[int, list[frozenset[int]]]:
    """The tokens of phrases, under each of them."""
    found: dict[int, list[frozenset[int]]] = defaultdict(list)
    for hit in hits:
        for place in hit.places:
            found[place].append(frozenset(hit.places))
    return found


def _inside(match: Match, phrases: Mapping[int, Sequence[frozenset[int]]]) -> bool:
    """Whether all words of a symptom are words of one of the phrases."""
    return any(set(match.places) <= phrase for phrase in phrases.get(match.first, ()))


def _is_of_a_lamp(match: Match, places: Places) -> bool:
    """Whether the light that blinks or is out is the lamp under repair and no standby light."""
    if match.name not in ("standby light blinks", "no standby light"):
        return False
    return places.of("standby").isdisjoint(match.places) and places.in_sentence("lamp_device", match.first)


def _several_outputs(kept: list[Match], rails: dict[int, str]) -> list[Match]:
    """ "no 12 no 24": two supplies of which each is said to be missing."""
    single = [match for match in kept if match.name == "one output missing" and match.present]
    named = {place for match in single for place in match.places if place in rails}
    if len(single) < 2 or len(named) < 2:
        return kept
    first = single[0]
    places = tuple(sorted({place for match in single for place in match.places}))
    nots = frozenset().union(*(match.nots for match in single))
    several = replace(first, name="more than one output missing", places=places, nots=nots)
    return [several if match is first else match for match in kept if match is first or match not in single]


def _joined_outputs(match: Match, tokens: Sequence[Token], rails: dict[int, str]) -> Match:
    """ "12V and 24V dead", "lost the 5 V and the 12 V": what is said of two supplies that are joined."""
    own = [at for at in match.places if at in rails]
    if not match.present or match.name != "one output missing" or len(own) != 1:
        return match
    for step in (-1, 1):
        at, joined = own[0] + step, False
        while 0 <= at < len(tokens) and tokens[at].sentence == tokens[own[0]].sentence:
            if at in rails:
                if joined and rails[at] not in ("bulk", "controller supply"):
                    places = tuple(sorted({*match.places, at}))
                    return replace(match, name="more than one output missing", places=places)
                break
            joined = joined or tokens[at].folded in function_words.JOINS_OF_RAILS
            if not (
                tokens[at].folded in function_words.JOINS_OF_RAILS | function_words.ARTICLES
                or tokens[at].folded in _BOTH_RAILS
            ):
                break
            at += step
    return match


_BOTH_RAILS = frozenset(
    ("v", "volt", "volts", "rail", "rails", "d", "les", "los", "las", "i", "gli", "ni", "no", "nor")
)


def _only_if_alone(kept: list[Match]) -> list[Match]:
    """Without "does not work" where anything more is said to be wrong, and without a denied shutdown."""
    more = any(match.present and match.name not in (_NO_MORE, *OF_HISTORY) for match in kept)
    if any(
        match.present and match.name in ("fails when warm", "backlight goes off after seconds")
        for match in kept
    ):
        # "stops after ten minutes, starts again when cold"; "backlight on for a second, then goes out"
        kept = [match for match in kept if match.name != "starts then shuts down"]
    runs = any(match.present and match.name in _RUNS for match in kept)
    general = {"standby light on but will not start"} if runs else set()
    general |= {_GENERAL_OF[match.name] for match in kept if match.present and match.name in _GENERAL_OF}
    return [
        match
        for match in kept
        if not (more and match.name == _NO_MORE)
        and not (match.present and match.name in general)
        and (match.present or match.name != "starts then shuts down")
    ]


_NO_MORE = "does not work"
# What only a set does that has started.
_RUNS = ("sound but no picture", "picture but no sound", "backlight goes off after seconds")
# Symptoms that say all that a wider one says, and more.
_GENERAL_OF = {"sound but no picture": "no picture", "standby light on but will not start": "dead"}
# Symptoms that describe one thing in different degrees: of two that share a word the first listed is meant.
_ALIKE = (
    ("buzzing from the board", "hum from speakers"),
    ("hum from speakers", "buzzing from the board"),
    ("does not hold charge", "does not charge"),
    ("fuse blows again when replaced", "fuse blown"),
    ("fan does not run", "motor does not run"),
    ("dim picture", "display dim or fading", "no picture"),
    ("fuse blown", "varistor burnt or cracked", "damaged track or via", "burnt part seen"),
    ("part too hot to touch", "fails when warm"),
    ("trips the mains breaker", "trips the residual-current device", "starts then shuts down"),
    ("one channel silent", "dead", "does not work", "picture but no sound"),
    ("trips the mains breaker", "trips the residual-current device", "fuse blown"),
    ("relay clicks once", "relay clicks repeatedly", "ticking or chirping noise"),
    ("standby light on but will not start", "dead", "does not work"),
    ("standby light on but will not start", "starts then shuts down"),
    ("restarts by itself", "starts then shuts down", "no picture"),
    ("standby light blinks", "backlight flickers"),
    ("no standby light", "dead", "does not work"),
)


def _one_of_alike(kept: list[Match]) -> list[Match]:
    result: list[Match] = []
    for match in kept:
        own = set(match.places) - match.nots
        clash = next(
            (other for other in result if own & (set(other.places) - other.nots) and _alike(match, other)),
            None,
        )
        if clash is None:
            result.append(match)
        elif len(match.places) > len(clash.places) or (
            match.name == "fuse blows again when replaced" and len(match.places) == len(clash.places)
        ):
            result[result.index(clash)] = match
    return result


def _alike(match: Match, other: Match) -> bool:
    return any(match.name in names and other.name in names for names in _ALIKE)


def _of_a_board(tokens: Sequence[Token], at: int) -> bool:
    """ "scaler board faulty": one of several boards, and not the device."""
    return (
        at >= 2
        and tokens[at - 1].folded in ("board", "pcb", "platine", "carte", "print", "placa", "scheda")
        and tokens[at - 2].clause == tokens[at].clause
        and tokens[at - 2].kind == WORD
        and tokens[at - 2].folded not in function_words.ARTICLES
    )


def _about_the_device(kept: list[Match], tokens: Sequence[Token], places: Places) -> list[Match]:
    """Without single everyday words ("smoke", "broken") in clauses that are about something else.

    Such a word is taken in a short clause, beside a word for the device, or beside another symptom.
    """
    sizes: dict[int, int] = defaultdict(int)
    symptoms: dict[int, int] = defaultdict(int)
    for token in tokens:
        sizes[token.clause] += token.kind == WORD
    for match in kept:
        symptoms[tokens[match.first].clause] += 1
    devices = {tokens[span[0]].clause for name in ("device", "@part") for span in places.spans.get(name, ())}
    parts = places.of("@part")
    boards = parts - places.of("device", "motor")
    result = []
    for match in kept:
        if len(match.places) == 1:
            at, clause = match.first, tokens[match.first].clause
            if match.name == "does not work" and (
                _of_a_board(tokens, at)
                or sizes[clause] > _SHORT_CLAUSE
                or any(at + step in parts for step in (-3, -2, -1, 1, 2, 3))
            ):
                continue
            if match.name == "dead" and any(
                place in boards and tokens[place].clause == clause for place in (at - 2, at - 1)
            ):
                continue  # "triac Q5 dead": a part that failed
            everyday = tokens[at].folded in every_common_word() and not _as_it_came(tokens, at)
            if everyday and sizes[clause] > _SHORT_CLAUSE and clause not in devices and symptoms[clause] < 2:
                continue
        result.append(match)
    return result


def _as_it_came(tokens: Sequence[Token], at: int) -> bool:
    """ "came in dead from the harbour office": how the board was when it was handed in."""
    before = [token.folded for token in tokens[max(0, at - 3) : at] if token.clause == tokens[at].clause]
    return any(word in _HANDED_IN for word in before)


_HANDED_IN = frozenset(
    ("came", "comes", "arrived", "arrives", "brought", "sent", "delivered", "handed", "dropped", "posted", "kam",
     "gebracht", "geschickt", "geliefert", "abgegeben", "binnengebracht", "binnengekomen", "arrive",
     "apporte", "depose", "llego", "traido", "arrivato", "arrivata", "portato", "portata")
)  # fmt: skip


def _own_negation(found: list[Match], tokens: Sequence[Token]) -> list[Match]:
    """Each "no" belongs to what stands nearest, and through "or" to what is joined with it."""
    nearest: dict[int, tuple[int, Match]] = {}
    for match in found:
        for at in match.nots:
            distance = _distance(match, at)
            if at not in nearest or (distance, -len(match.places)) < (
                nearest[at][0],
                -len(nearest[at][1].places),
            ):
                nearest[at] = (distance, match)
    kept = []
    for match in found:
        for at in match.nots:
            distance, owner = nearest[at]
            if _distance(match, at) > distance and not (set(match.places) - match.nots) & set(owner.places):
                low, high = (
                    sorted((owner.first, match.last))
                    if owner.first < match.last
                    else (match.first, owner.last)
                )
                if not any(tokens[between].folded in function_words.JOINS for between in range(low, high)):
                    break
        else:
            kept.append(match)
    return kept


def _distance(match: Match, at: int) -> int:
    return min((abs(place - at) for place in match.places if place not in match.nots), default=0)


# (symptom, one that holds its words): both are said, "very dark, darker at the right".
_BOTH = frozenset(
    (
        ("dim picture", "uneven backlight"),
        ("does not turn off", "heats all the time"),
        ("intermittent", "responds to tapping or flexing"),
        ("intermittent", "freezes"),
        ("freezes", "does not boot"),
        ("hiccup", "controller supply missing"),
        ("controller supply missing", "hiccup"),
    )
)


def _longest(found: list[Match]) -> list[Match]:
    """Without those whose words are all part of a longer one."""
    kept: list[Match] = []
    by_place: dict[int, list[tuple[set[int], str]]] = defaultdict(list)
    ordered = sorted(found, key=lambda match: (-len(match.places), match.last - match.first, match.first))
    named: set[tuple[str, int]] = set()
    for match in ordered:
        own = set(match.places)
        if any(own <= other and (match.name, name) not in _BOTH for other, name in by_place[match.first]):
            continue
        if (match.name, match.first) in named:
            continue
        named.add((match.name, match.first))
        kept.append(match)
        for place in match.places:
            by_place[place].append((own, match.name))
    return sorted(kept, key=lambda match: (match.first, match.last))
