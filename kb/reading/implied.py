"""What facts say of one another: a reading near its rail's volts after a fix says that the fix worked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from kb.reading import function_words
from kb.reading.endings import Clauses, led_to, not_for_long, short_endings, stays, there_again
from kb.reading.good_news import answered_no, well_behind
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.mentions import Mention
from kb.reading.off_volts import is_near, swings, symptom_of
from kb.reading.patterns import Match
from kb.reading.tokens import SIGN, Token
from kb.reading.value_ends import Found, mentions_now

_CALM = 0.5  # of the ripple that was there before
GOOD_AFTERWARDS = frozenset(
    ("ok", "work", "start", "turn", "heat", "charge", "cured", "lit", "react", "hold")
)
_PASSING = frozenset(
    ("cold", "cooled", "tap", "sometimes", "intermittent", "unloaded", "unplugged", "once", "soon")
)
_SYMPTOM_OF_FAILURE: dict[tuple[str, str], str] = {
    ("fuse", "open"): "fuse blown",
    ("fuse", "burnt"): "fuse blown",
    ("bridge rectifier", "shorted"): "mains rectifier shorted",
    ("MOSFET", "shorted"): "main switch shorted",
    ("power factor MOSFET", "shorted"): "power factor switch shorted",
    ("current sense resistor", "open"): "current sense resistor open",
    ("current sense resistor", "burnt"): "current sense resistor open",
    ("inrush limiter", "open"): "inrush limiter open",
    ("start-up resistor", "open"): "start-up resistor open",
    ("Schottky rectifier", "shorted"): "output rectifier shorted",
    ("fast rectifier", "shorted"): "output rectifier shorted",
    ("diode", "shorted"): "output rectifier shorted",
    ("electrolytic capacitor", "high ESR"): "high ESR found",
    ("electrolytic capacitor", "bulging"): "bulging capacitor",
    ("electrolytic capacitor", "leaking electrolyte"): "leaking capacitor",
    ("bulk capacitor", "bulging"): "bulging capacitor",
    ("bulk capacitor", "leaking electrolyte"): "leaking capacitor",
    ("bulk capacitor", "lost capacitance"): "bulk capacitor low or open",
    ("bulk capacitor", "open"): "bulk capacitor low or open",
    ("varistor", "burnt"): "varistor burnt or cracked",
    ("solder joint", "cracked joint"): "cracked solder joint seen",
    ("resistor", "burnt"): "burnt part seen",
    ("transformer", "burnt"): "burnt part seen",
    ("connector", "burnt"): "burnt part seen",
    ("controller IC", "burnt"): "burnt part seen",
    ("connector", "corroded"): "corrosion on the board",
    ("circuit board", "corroded"): "corrosion on the board",
}


_DENIED_BY_GOOD = {
    "fuse": "fuse blown",
    "bridge rectifier": "mains rectifier shorted",
    "MOSFET": "main switch shorted",
    "power factor MOSFET": "power factor switch shorted",
    "solder joint": "cracked solder joint seen",
    "varistor": "varistor burnt or cracked",
}


def settle_after_repair(
    readings: Sequence[Found],
    tokens: Sequence[Token],
    acted: int | None,
    mentions: Sequence[Mention],
    wrong: frozenset[str],
) -> None:
    """A reading behind a fix is one after the repair where it is near its rail's volts or said to be "now".

    `wrong` names the supplies that were found wrong: of these a good value behind a bad part says that it was mended.
    """
    failed = min((mention.last for mention in mentions if mention.failure or mention.bad), default=None)
    for one in readings:
        if not one.before and _was_off(one, wrong, failed):
            one.after_repair = True
        if one.after_repair or acted is None or one.tokens[0] < acted or one.before:
            continue
        if is_near(one) or mentions_now(tokens, one) or _is_calmer(one, readings):
            one.after_repair = True


def _is_calmer(one: Found, readings: Sequence[Found]) -> bool:
    """Whether a ripple is much less than the one that was read before on the same supply."""
    if one.quantity != "ripple_v" or one.value is None:
        return False
    earlier = [
        other.value
        for other in readings
        if other.quantity == "ripple_v" and other.value is not None and other.tokens[0] < one.tokens[0]
    ]
    return bool(earlier) and one.value <= _CALM * max(earlier)


def result_events(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    readings: Sequence[Found],
    matches: Sequence[Match],
    mentions: Sequence[Mention],
    acted: int | None,
) -> tuple[list[tuple[int, int, str]], list[Match]]:
    """(what says how a fix ended, as (first, last, result) in order; symptoms that were part of that).

    `acted` is the first token that says what was done.
    """
    failed = min((mention.last for mention in mentions if mention.failure or mention.bad), default=None)
    found = _said_outright(tokens, hits, failed if acted is None else acted)
    found += _good_again(tokens, hits, readings, mentions, acted)
    found += _back_again(tokens, hits, matches, acted)
    spent: list[Match] = []
    if acted is not None:
        found += _good_behind(tokens, hits, readings, mentions, acted)
        found += _there_alone(tokens, hits, acted)
        found += well_behind(tokens, hits, matches, mentions, acted)
        found += answered_no(tokens, mentions)
        clauses = Clauses(tokens, hits, matches, mentions, acted)
        found += [*short_endings(clauses), *there_again(clauses), *stays(tokens, matches, acted)]
        found += led_to(tokens, matches, mentions)
        gone = {hit.first for hit in hits if hit.table == CONCEPT and hit.value == "missing"}
        for match in matches:
            over = len(match.places) == 1 and any(
                at in gone and tokens[at].clause == tokens[match.first].clause
                for at in range(match.last, min(match.last + 3, len(tokens)))
            )
            if match.first > acted and (not match.present or over):
                if not match.present:
                    spent.append(match)
                found.append((2, match.first, match.last, "cured"))
    once = [hit for hit in hits if hit.table == CONCEPT and hit.value == "back_then"]
    # "Swapped C9 last year": what says when is no outcome.
    found = [one for one in found if not any(hit.first <= one[1] and one[2] <= hit.last for hit in once)]
    found = [one for one in found if not _names_the_part(one[1], one[2], mentions, tokens)]
    events = not_for_long(tokens, _strongest(found))
    if acted is not None:
        long_ago = any(tokens[hit.first].sentence == tokens[acted].sentence for hit in once)
        if long_ago:
            # "replaced in 2019, now dead": the board is dead today, which that fix neither mended nor made worse.
            events = [(first, last, "no change" if how == "worse" else how) for first, last, how in events]
        spent += [
            match
            for match in matches
            if match.first > acted
            and match not in spent
            and not (long_ago and match.present)
            and _says_how_it_ended(match, events, tokens)
        ]
    return events, spent


def _names_the_part(first: int, last: int, mentions: Sequence[Mention], tokens: Sequence[Token]) -> bool:
    """ "replaced the start cap", "new on/off switch": words between what was done and its part are of its name."""
    return any(
        mention.acted_at is not None
        and mention.acted_at < first
        and last <= mention.last
        and tokens[mention.acted_at].clause == tokens[first].clause == tokens[mention.last].clause
        for mention in mentions
    )


def _says_how_it_ended(match: Match, events: Sequence[tuple[int, int, str]], tokens: Sequence[Token]) -> bool:
    """Whether a symptom behind a fix is part of what came of it: "no more hum", "hum gone"."""
    cured = any(
        result == "cured"
        and (
            tokens[first].clause == tokens[match.first].clause
            # "runs, 392 V, no heat, no clicking": what there is none of behind a good word
            or (match.nots and first < match.first and tokens[first].sentence == tokens[match.first].sentence)
        )
        for first, _, result in events
    )
    return cured or any(
        first <= match.first <= last or match.first <= first <= match.last
        for first, last, result in events
        # "bleibt tot", "still trips": what is wrong is said as well.
        if result != "no change" or not match.present
    )


def _said_outright(
    tokens: Sequence[Token], hits: Sequence[Hit], acted: int | None
) -> list[tuple[int, int, int, str]]:
    """What the phrases for results and verdicts say."""
    found: list[tuple[int, int, int, str]] = []
    done = [frozenset(hit.places) for hit in hits if hit.table == "actions"]
    for hit in hits:
        if hit.table == "results":
            value = hit.value if hit.denies or is_so(hit, tokens) else "no change"
            found.append((0, hit.first, hit.last, value))
        elif (
            hit.table == "verdicts"
            and hit.value == "repaired"
            and acted is not None
            and is_so(hit, tokens)
            and not any(set(hit.places) < action for action in done)
        ):
            found.append((1, hit.first, hit.last, "cured"))
    passing = {tokens[hit.first].clause for hit in hits if hit.table == CONCEPT and hit.value in _PASSING}
    return [
        one
        for one in found
        # "cooled down it works again": for a while, before anything was done.
        if not (
            one[3] == "cured"
            and (acted is None or one[1] < acted)
            and passing & {tokens[one[1]].clause, tokens[one[1]].clause - 1}
        )
    ]


def _good_behind(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    readings: Sequence[Found],
    mentions: Sequence[Mention],
    acted: int,
) -> list[tuple[int, int, int, str]]:
    """Good and bad words, and good values, behind the first thing that was done."""
    nots = _nots(hits, tokens)
    found: list[tuple[int, int, int, str]] = []
    for hit in hits:
        if hit.table != CONCEPT or hit.first <= acted:
            continue
        if hit.value == "faults" and _is_none(hit, tokens):
            found.append((2, hit.first, hit.last, "cured"))
        elif hit.value == "no_effect":
            found.append((0, hit.first, hit.last, "no change"))
        elif hit.value in GOOD_AFTERWARDS and _is_good(hit, nots, tokens, mentions):
            found.append((2, hit.first, hit.last, "cured"))
    found += [
        (2, one.tokens[0], one.tokens[-1], "cured")
        for one in readings
        if one.after_repair and (is_near(one) or _is_calmer(one, readings)) and one.tokens[0] > acted
    ]
    return found


def _good_again(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    readings: Sequence[Found],
    mentions: Sequence[Mention],
    first_action: int | None,
) -> list[tuple[int, int, int, str]]:
    """ "D31 shorted. 24 V ok", "triac dead. 20 min. ok": the board is good behind a part that was found bad,
    without a word of what was done. A good word counts in a clause of its own, a reading where it was off before.
    """
    failed = min((mention.last for mention in mentions if mention.failure or mention.bad), default=None)
    if failed is None or (first_action is not None and first_action <= failed):
        return []
    until = len(tokens) if first_action is None else first_action
    nots = _nots(hits, tokens)
    found: list[tuple[int, int, int, str]] = []
    for hit in hits:
        if hit.table != CONCEPT or not failed < hit.first < until or _is_denied(hit, nots, tokens):
            continue
        if hit.value in GOOD_AFTERWARDS or hit.value == "hot":
            clause = tokens[hit.first].clause
            low, high = hit.first - 1, hit.last + 1
            own = (low < 0 or tokens[low].clause != clause or tokens[low].kind == SIGN) and (
                high >= len(tokens) or tokens[high].clause != clause
            )
            if own and tokens[hit.first].clause != tokens[failed].clause:
                found.append((2, hit.first, hit.last, "cured"))
    found += [
        (2, one.tokens[0], one.tokens[-1], "cured")
        for one in readings
        if one.after_repair and is_near(one) and failed < one.tokens[0] < until
    ]
    return found


def _back_again(
    tokens: Sequence[Token], hits: Sequence[Hit], matches: Sequence[Match], first_action: int | None
) -> list[tuple[int, int, int, str]]:
    """ "picture back", "wieder hell": what is said to be there again in a short clause behind a fix; what is said to
    have failed again says that the fix changed nothing.
    """
    if first_action is None:
        return []
    bad = {tokens[hit.first].clause for hit in hits if hit.table == CONCEPT and hit.value in _FAILS}
    bad |= {tokens[match.first].clause for match in matches if match.present}
    sizes: dict[int, int] = {}
    for token in tokens:
        sizes[token.clause] = sizes.get(token.clause, 0) + 1
    found: list[tuple[int, int, int, str]] = []
    for at in range(first_action + 1, len(tokens)):
        token = tokens[at]
        if token.folded not in function_words.BACK_AGAIN or sizes[token.clause] > _SHORT:
            continue
        ends = at + 1 >= len(tokens) or tokens[at + 1].clause != token.clause
        starts = tokens[at - 1].clause != token.clause
        if token.folded in function_words.WAY_BACK:
            # "back to the customer", "please send back" speak of the device's way.
            near = ends and not starts and tokens[at - 1].folded not in function_words.SENT
        else:
            near = ends or starts or sizes[token.clause] <= 3
        if token.clause == tokens[first_action].clause or not near:
            continue
        found.append((3, at, at, "no change" if token.clause in bad else "cured"))
    return found


def _there_alone(
    tokens: Sequence[Token], hits: Sequence[Hit], first_action: int
) -> list[tuple[int, int, int, str]]:
    """ "C9 new: picture": what is there again, alone in its clause behind a fix."""
    sizes: dict[int, int] = {}
    for token in tokens:
        sizes[token.clause] = sizes.get(token.clause, 0) + (token.kind != SIGN)
    return [
        (3, hit.first, hit.last, "no change" if hit.value == "nothing" else "cured")
        for hit in hits
        if hit.table == CONCEPT
        and (
            hit.value in _THERE
            or (hit.value == "missing" and tokens[hit.first].folded in function_words.GONE)
        )
        and hit.first > first_action
        and sizes[tokens[hit.first].clause] == len(hit.places)
        and tokens[hit.first].clause != tokens[first_action].clause
    ]


_THERE = frozenset(("picture", "sound", "backlight", "nothing"))
_SHORT = 5
_FAILS = frozenset(("no", "stop", "blown", "dead", "defective", "missing", "trip", "no_effect", "collapse"))


def _was_off(one: Found, wrong: frozenset[str], failed: int | None) -> bool:
    """Whether the supply of a good reading was found wrong before, and a bad part between the two."""
    if failed is None or one.tokens[0] < failed or not one.subject.rail or not is_near(one):
        return False
    return one.subject.rail in wrong


def is_so(hit: Hit, tokens: Sequence[Token]) -> bool:
    """Whether nothing just before denies it: "not repaired yet"."""
    return not any(token.folded in negation_words() for token in tokens[max(0, hit.first - 2) : hit.first])


def _strongest(found: list[tuple[int, int, int, str]]) -> list[tuple[int, int, str]]:
    """Of those that overlap the surest and longest, in the order of the text."""
    kept: list[tuple[int, int, str]] = []
    for _, first, last, result in sorted(found, key=lambda one: (one[0], one[1] - one[2], one[1])):
        if not any(first <= other_last and other_first <= last for other_first, other_last, _ in kept):
            kept.append((first, last, result))
    return sorted(kept)


def _is_good(
    hit: Hit, nots: Mapping[int, Sequence[Hit]], tokens: Sequence[Token], mentions: Sequence[Mention]
) -> bool:
    """Whether a good word speaks of the whole board: not denied, and not of a part beside it ("D5 ok")."""
    if hit.first and tokens[hit.first - 1].folded in _THE_REST:
        return False  # "everything else ok"
    if hit.value == "ok" and any(mention.ok and 0 < hit.first - mention.last <= 3 for mention in mentions):
        return False
    return not _is_denied(hit, nots, tokens)


_THE_REST = frozenset(
    ("else", "rest", "otherwise", "sonst", "rest", "autre", "reste", "resto", "demas", "overige")
)


def _is_none(hit: Hit, tokens: Sequence[Token]) -> bool:
    """ "no cut-outs", "keine Ausfälle mehr"."""
    before = range(max(0, hit.first - 2), hit.first)
    clause = tokens[hit.first].clause
    return any(tokens[at].folded in function_words.NONE and tokens[at].clause == clause for at in before)


def _is_denied(hit: Hit, nots: Mapping[int, Sequence[Hit]], tokens: Sequence[Token]) -> bool:
    """Whether a denial stands near; `nots` has the denials of each clause."""
    for other in nots.get(tokens[hit.first].clause, ()):
        if hit.value == "cured" and other.first in hit.places:
            continue
        if abs(other.first - hit.first) <= 4:
            return True
    return False


def _nots(hits: Sequence[Hit], tokens: Sequence[Token]) -> dict[int, list[Hit]]:
    """The denials, by the clause in which they stand."""
    found: dict[int, list[Hit]] = {}
    for hit in hits:
        if hit.table == CONCEPT and hit.value == "no":
            found.setdefault(tokens[hit.first].clause, []).append(hit)
    return found


def implied_symptoms(
    matches: Sequence[Match],
    mentions: Sequence[Mention],
    readings: Sequence[Found],
    tokens: Sequence[Token],
    *,
    outputs: bool = False,
) -> list[Match]:
    """The symptoms that were named, and those that a bad part or a reading is.

    `outputs`: the text speaks of an output, so that a shorted diode is its rectifier.
    """
    found = list(matches)
    names = {match.name for match in found}

    def add(name: str, first: int, last: int, present: bool = True) -> None:
        if name not in names:
            names.add(name)
            found.append(Match(name, tuple(range(first, last + 1)), frozenset(), present))

    if any(mention.part_class == "bipolar transistor" for mention in mentions):
        found = [match for match in found if match.name != "main switch shorted"]
    found = [match for match in found if not _is_of_a_part(match, mentions)]
    found = [match for match in found if not _is_small_ripple(match, tokens)]
    found = [_of_its_class(match, mentions) for match in found]
    names |= {match.name for match in found}
    for mention in mentions:
        name = _SYMPTOM_OF_FAILURE.get((mention.part_class or "", mention.failure or ""))
        if name == "fuse blown" and "fuse blows again when replaced" in names:
            continue
        if name == "fuse blown":
            # "mains fuse gone": the board's, where it is read as a part
            found = [one for one in found if one.name != "trips the mains breaker" or one.last < mention.start or mention.end < one.first]  # noqa: E501  # fmt: skip
        if name and not mention.ok and not mention.inferred and mention.end - mention.start <= 40:
            if name == "main switch shorted" and not _is_main(mention):
                continue
            of_output = outputs or str(mention.section).endswith("output")
            if name == "output rectifier shorted" and not of_output and mention.part_class == "diode":
                continue
            if name == "output rectifier shorted" and mention.section in _PRIMARY:
                continue
            add(name, min(mention.first, mention.start), max(mention.last, mention.end))
    for mention in mentions:
        if mention.ok and (name := _DENIED_BY_GOOD.get(mention.part_class or "")):
            add(name, mention.first, min(mention.last + 1, len(tokens) - 1), False)
    gone = {
        one.subject.rail
        for one in readings
        if not one.after_repair and symptom_of(one) == "one output missing"
    }
    for one in readings:
        if swings(one):
            add("hiccup", one.first, one.last)
        if not one.after_repair and (name := symptom_of(one)):
            if name == "one output missing" and (len(gone) > 1 or "more than one output missing" in names):
                name = "more than one output missing"
            add(name, one.first, one.last)
    return sorted(found, key=lambda match: (match.first, match.last))


_SMALL_RIPPLE_V = 0.12  # about a hundredth of 12 V, as usual limits have it; common practice


def _is_small_ripple(match: Match, tokens: Sequence[Token]) -> bool:
    """ "ripple only 20 mV": the value says that it is not high."""
    if match.name != "high ripple" or len(match.places) > 1:
        return False
    near = range(match.first, min(match.last + 5, len(tokens)))
    own = [
        tokens[at].value or 0.0
        for at in near
        if tokens[at].unit in ("V", "Vpp") and tokens[at].clause == tokens[match.first].clause
    ]
    return bool(own) and own[0] <= _SMALL_RIPPLE_V  # "30 mV on 12V"


_PRIMARY = ("main converter", "bulk and power factor stage")
_BURN_OUT = frozenset(("fuse", "thermal cut-out", "light-emitting diode"))  # said of them: open
_DRY_CAPACITORS = frozenset(("safety capacitor", "film capacitor", "ceramic capacitor"))


def _is_of_a_part(match: Match, mentions: Sequence[Mention]) -> bool:
    """Whether the words say how a part failed and nothing of the board: a resistor that drifted, a Y
    capacitor with leakage current."""
    for mention in mentions:
        if mention.start <= match.last and match.first <= mention.end:
            if not match.present and mention.action and match.name in _DENIED_BY_GOOD.values():
                return True
            if match.name == "leaking capacitor" and mention.part_class in _DRY_CAPACITORS:
                return True
            if match.name == "output drifts with heat" and mention.failure == "drifted":
                return True
            if match.name == "main switch shorted" and mention.part_class == "triac or thyristor":
                return True
            burnt = match.name == "burnt part seen"
            if burnt and (mention.part_class in _BURN_OUT or mention.failure == "worn contacts"):
                return True
    return False


def _of_its_class(match: Match, mentions: Sequence[Mention]) -> Match:
    """A shorted transistor by what it is in its family: the power factor stage's is not the main switch."""
    if match.name != "main switch shorted":
        return match
    for mention in mentions:
        here = mention.start <= match.last and match.first <= mention.end
        if here and mention.part_class == "power factor MOSFET":
            return replace(match, name="power factor switch shorted")
    return match


def _is_main(mention: Mention) -> bool:
    """Whether a shorted transistor is the main switch; of Q101 nobody can say it by its number."""
    return mention.part is None or len(mention.part) <= 2 or mention.first != mention.last
