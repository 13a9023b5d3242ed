"""The supplies, parts and points of which something is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from kb.facts.designators import designator_letters, rail_key
from kb.facts.rail_names import obvious_rail
from kb.reading import function_words
from kb.reading.facts import KnownRail
from kb.reading.lexicon import Hit
from kb.reading.tokens import CODE, DESIGNATOR, NUMBER, RAIL, SIGN, VOLTS, WORD, Token


@dataclass(slots=True)
class Subject:
    """What is measured: a supply (`rail`, with what is known of it) or a point, said at tokens `first` to `last`."""

    first: int
    last: int
    rail: str | None = None
    role: str = ""
    nominal_v: float | None = None
    point: str | None = None
    always_on: bool = False
    maybe_value: bool = False  # "12V" may be what was measured
    rated: bool = False  # the text says what it should have
    tolerance: float | None = None  # the family's, as a share of its volts


def find_subjects(
    text: str, tokens: Sequence[Token], hits: Sequence[Hit], rails: Sequence[KnownRail]
) -> list[Subject]:
    """The supplies and points that are named, in order; a family's own names win over obvious ones."""
    by_key = {rail_key(rail.name): rail for rail in rails}
    by_role: dict[str, list[KnownRail]] = {}
    for rail in rails:
        by_role.setdefault(rail.role, []).append(rail)
    found: list[Subject] = []
    taken: set[int] = set()
    for hit in hits:
        by_volts = tokens[hit.first].kind in (VOLTS, RAIL)
        if (
            hit.table == "rails"
            and hit.value != "other"
            and not by_volts
            and not taken.intersection(hit.places)
        ):
            taken.update(range(hit.first, hit.last + 1))
            found.append(_of_role(hit.first, hit.last, hit.value, by_role, _spoken(text, tokens, hit)))
    for hit in hits:
        if hit.table == "parts" and hit.value in _RECTIFIED and _has_mains_volts(hit, tokens):
            if not taken.intersection(hit.places):
                found.append(_of_role(hit.first, hit.last, "bulk", by_role, "bulk"))
            taken.update(hit.places)
    taken.update(
        place for hit in hits if hit.table == "parts" and len(hit.places) > 1 for place in hit.places
    )
    for at, token in enumerate(tokens):
        subject = None
        if token.kind in (VOLTS, RAIL, CODE) or (token.kind == WORD and at not in taken):
            behind = tokens[at + 1].folded if at + 1 < len(tokens) else ""
            subject = _named(text, at, token, by_key, rails, behind in _A_RAIL)  # "42V rail"
        if subject is not None and at not in taken:
            found.append(subject)
        elif token.kind == NUMBER and (bare := _bare(at, token, tokens, rails)) is not None:
            found.append(bare)
        elif (spelt := _spelt(at, tokens, rails)) is not None:
            found.append(spelt)
        elif token.kind == DESIGNATOR:
            found.append(Subject(at, at, point=token.folded))
        elif token.folded in function_words.CONTACT and (owner := _switch_before(at, tokens)) is not None:
            found.append(Subject(at, at, point=owner))
    found.sort(key=lambda subject: subject.first)
    return _joined(found, tokens)


_A_RAIL = frozenset(
    ("rail", "line", "output", "schiene", "ausgang", "uitgang", "lijn", "ligne", "sortie", "salida")
)
_SPELT_VOLTS = {"three": 3.0, "five": 5.0, "nine": 9.0, "twelve": 12.0, "fifteen": 15.0, "twentyfour": 24.0}


def _spelt(at: int, tokens: Sequence[Token], rails: Sequence[KnownRail]) -> Subject | None:
    """ "the five volt line", "twelve is 12.3": a supply whose volts are written as a word."""
    volts = _SPELT_VOLTS.get(tokens[at].folded)
    if volts is None or at + 1 >= len(tokens) or tokens[at + 1].clause != tokens[at].clause:
        return None
    last = at + 1 if tokens[at + 1].folded in ("volt", "volts", "v") else at
    after = tokens[last + 1] if last + 1 < len(tokens) else None
    if after is None or after.folded not in function_words.IS_RAIL | function_words.GIVES:
        return None
    measured = tokens[last + 2] if last + 2 < len(tokens) else None
    if last == at and (measured is None or measured.kind not in (NUMBER, VOLTS)):
        return None  # "twelve is too many"
    own = next((rail for rail in rails if rail.nominal_v == volts), None)
    if own is not None:
        return _known(at, last, own)
    named = obvious_rail(f"{volts:g}V")
    return Subject(at, last, f"{volts:g}V", named.role, volts) if named else None


_SWITCHES = frozenset(("K", "RL", "RLY", "RY", "S", "SW"))
_CONTACT_REACH = 8


def _switch_before(at: int, tokens: Sequence[Token]) -> str | None:
    """The relay or switch of which "contact 18 ohm" is said: the one named last in the sentence."""
    after = tokens[at + 1 : at + 4]
    if not any(one.unit == "ohm" for one in after):
        return None
    for place in range(at - 1, max(-1, at - _CONTACT_REACH - 1), -1):
        if tokens[place].sentence != tokens[at].sentence:
            return None
        if tokens[place].kind == DESIGNATOR and designator_letters(tokens[place].folded) in _SWITCHES:
            return tokens[place].folded
    return None


_RECTIFIED = ("bulk capacitor", "electrolytic capacitor")


def _has_mains_volts(hit: Hit, tokens: Sequence[Token]) -> bool:
    """ "385 V on the cap", "0V sur le chimique principal": what stands on it is the rectified mains."""
    at, clause = hit.first - 1, tokens[hit.first].clause
    behind = tokens[hit.last + 1 : hit.last + 4]
    if hit.value == "bulk capacitor" and [one.folded for one in behind[:2]] == ["charged", "to"]:
        return len(behind) > 2 and behind[2].kind in (NUMBER, VOLTS)
    seen = False
    while at >= 0 and tokens[at].clause == clause and tokens[at].folded in function_words.ON:
        seen, at = True, at - 1
    if not seen or at < 0 or tokens[at].clause != clause or tokens[at].value is None:
        return False
    volts = tokens[at].value or 0.0
    if hit.value == "bulk capacitor":
        return tokens[at].kind in (NUMBER, VOLTS)
    return tokens[at].kind in (NUMBER, VOLTS) and 280 <= volts <= 420


def rated_outputs(
    tokens: Sequence[Token], subjects: Sequence[Subject], rails: Sequence[KnownRail]
) -> list[Subject]:
    """ "output 13.1 should be 13.8": an output that is named by the volts it should have.

    The subject is the word for the output, or the place before the measured number where there is none.
    """
    found: list[Subject] = []
    named = {place for subject in subjects for place in range(subject.first, subject.last + 1)}
    for at, token in enumerate(tokens):
        if token.kind not in (NUMBER, VOLTS) or token.value is None:
            continue
        rated = _rated(tokens, at)
        if rated is None:
            continue
        start = at
        while (
            start > 0
            and at - start < 4
            and tokens[start - 1].clause == token.clause
            and tokens[start - 1].kind == WORD
            and start - 1 not in named
        ):
            start -= 1
        words = range(start, at)
        output = next(
            (place for place in reversed(words) if tokens[place].folded in function_words.OUTPUT), None
        )
        if output is None or any(
            subject.rail and 0 <= output - subject.last <= 2 and tokens[subject.last].clause == token.clause
            for subject in subjects
        ):
            continue
        own = next((rail for rail in rails if rail.nominal_v == rated), None)
        if own is not None:
            found.append(replace(_known(output, output, own), rated=True))
        else:
            name = f"{rated:g}V"
            obvious = obvious_rail(name)
            found.append(
                Subject(output, output, name, obvious.role if obvious else "other", rated, rated=True)
            )
    return found


def _rated(tokens: Sequence[Token], at: int) -> float | None:
    """The volts behind "should be", "statt" and the like after number `at`."""
    seen = False
    for place in range(at + 1, min(at + 6, len(tokens))):
        token = tokens[place]
        if token.sentence != tokens[at].sentence:
            return None
        if token.kind in (NUMBER, VOLTS):
            return token.value if seen else None
        seen = (
            seen
            or token.folded in function_words.SHOULD
            or (place == at + 1 and token.folded in function_words.PLAIN_NOTS)
        )
    return None


def _spoken(text: str, tokens: Sequence[Token], hit: Hit) -> str:
    return text[tokens[hit.first].start : tokens[hit.last].end]


def _of_role(first: int, last: int, role: str, by_role: dict[str, list[KnownRail]], spoken: str) -> Subject:
    own = by_role.get(role, [])
    if len(own) == 1:
        return _known(first, last, own[0])
    named = obvious_rail(spoken)
    if named is not None and named.role == role:
        return Subject(first, last, spoken, role, named.nominal_v, always_on=named.always_on)
    return Subject(first, last, role, role, None, always_on=role == "standby")


def _known(first: int, last: int, rail: KnownRail) -> Subject:
    always_on = rail.always_on or rail.role == "standby"
    return Subject(first, last, rail.name, rail.role, rail.nominal_v, always_on=always_on)


def _named(
    text: str,
    at: int,
    token: Token,
    by_key: dict[str, KnownRail],
    rails: Sequence[KnownRail],
    is_named_rail: bool = False,
) -> Subject | None:
    spoken = text[token.start : token.end].strip("±~")
    if token.value is None and token.low is not None:
        return None
    own = by_key.get(rail_key(spoken))
    if own is None and token.kind == VOLTS:
        own = next((rail for rail in rails if rail.nominal_v == token.value), None)
    if own is not None:
        subject = _known(at, at, own)
        subject.maybe_value = token.kind == VOLTS
        return subject
    if token.kind == WORD and len(spoken) < 2:
        return None
    named = obvious_rail(spoken)
    if named is None:
        return None
    name = rail_name(spoken) if token.kind != WORD else spoken
    if token.kind == VOLTS and abs(named.nominal_v or 0) not in _USUAL_VOLTS and not is_named_rail:
        return None
    same = [rail for rail in rails if rail.role == named.role and rail.nominal_v in (named.nominal_v, None)]
    if named.nominal_v is None:
        same = [rail for rail in rails if rail.role == named.role]
    if len(same) == 1:
        subject = _known(at, at, same[0])
    else:
        subject = Subject(at, at, name, named.role, named.nominal_v, always_on=named.always_on)
    subject.maybe_value = token.kind == VOLTS
    return subject


def _bare(at: int, token: Token, tokens: Sequence[Token], rails: Sequence[KnownRail]) -> Subject | None:
    """ "24 is 23.8", "+12 = 12.2", "3.3 rail 3.29": the volts alone name the supply."""
    after = tokens[at + 1] if at + 1 < len(tokens) else None
    if (
        token.value is not None
        and abs(token.value) in _USUAL_DENIED
        and (_is_denied(at, tokens) or _is_gone(at, tokens))
    ):
        known = next((rail for rail in rails if rail.nominal_v == token.value), None)
        name = f"{token.value:g}V"
        named = obvious_rail(name)
        if known is not None:
            return _known(at, at, known)
        if named is not None:
            return Subject(at, at, name, named.role, named.nominal_v)
    if _is_told_behind(at, tokens):
        known = next((rail for rail in rails if rail.nominal_v == token.value), None)
        if known is not None:
            return _known(at, at, known)
        named = obvious_rail(f"{token.value:g}V")
        if token.value in _USUAL_DENIED and named is not None:
            return Subject(at, at, f"{token.value:g}V", named.role, named.nominal_v)
    if after is None or token.value is None:
        return None
    if _is_in_a_row(at, tokens):
        return _of_volts(at, token.value, rails)
    led = at > 0 and tokens[at - 1].folded == "the" and after.folded in function_words.GIVES | {"only"}
    if after.folded not in function_words.IS_RAIL and not led:
        return None
    beyond = tokens[at + 2 : at + 5]
    if not any(one.kind in (NUMBER, VOLTS) for one in beyond):
        return None
    own = next((rail for rail in rails if rail.nominal_v == token.value), None)
    if own is not None:
        return _known(at, at, own)
    signed = token.folded[:1] in ("-", "+", "−")
    if abs(token.value) not in _USUAL_VOLTS or (after.folded in ("is", "at") and not signed):
        return None
    return _of_volts(at, token.value, rails)


def _of_volts(at: int, volts: float, rails: Sequence[KnownRail]) -> Subject | None:
    own = next((rail for rail in rails if rail.nominal_v == volts), None)
    if own is not None:
        return _known(at, at, own)
    named = obvious_rail(f"{volts:g}V")
    return Subject(at, at, f"{volts:g}V", named.role, named.nominal_v) if named else None


_ROW = 10  # tokens in which a row has a supply by its name


def _is_in_a_row(at: int, tokens: Sequence[Token]) -> bool:
    """ "5VSB 5.1 / 12 0 / 5 0 / 3.3 0": supplies by their volts, each with its value, between strokes."""
    if abs(tokens[at].value or 0.0) not in _USUAL_DENIED or not at or tokens[at - 1].folded != "/":
        return False
    if not any(token.kind in (VOLTS, RAIL) for token in tokens[max(0, at - _ROW) : at]):
        return False
    value, behind = tokens[at + 1], tokens[at + 2] if at + 2 < len(tokens) else None
    return value.kind == NUMBER and (
        behind is None or behind.clause != value.clause or behind.folded in ("/", ",")
    )


_USUAL_DENIED = frozenset((3.3, 5.0, 12.0, 15.0, 18.0, 24.0))
_DENIES = frozenset(
    ("no", "kein", "keine", "geen", "pas", "sin", "senza", "sans", "ohne", "missing", "falta", "faltan", "manca",
     "manque")
)  # fmt: skip


def _is_denied(at: int, tokens: Sequence[Token]) -> bool:
    """ "no 12 no 24": a bare number that is said to be missing, nothing counted behind it."""
    before = at - 1
    if before >= 0 and tokens[before].folded in ("de", "d") and tokens[before].clause == tokens[at].clause:
        before -= 1
    if before < 0 or tokens[before].folded not in _DENIES or tokens[before].clause != tokens[at].clause:
        return False
    after = tokens[at + 1] if at + 1 < len(tokens) else None
    return (
        after is None
        or after.clause != tokens[at].clause
        or after.kind == SIGN
        or after.folded in _DENIES | function_words.JOINS_OF_RAILS
        or after.folded in ("out", "either", "on", "neither", "nor", "again", "yet", "now", "there")
    )


_GONE_BEHIND = frozenset(("missing", "absent", "gone", "dead", "never", "fehlt", "fehlen", "weg", "manque", "falta", "manca"))  # noqa: E501  # fmt: skip


def _is_gone(at: int, tokens: Sequence[Token]) -> bool:
    """ "24 missing", "12 and 24 absent": bare numbers at the head of a clause or joined, said to be gone behind."""
    before = tokens[at - 1] if at else None
    leads = (
        before is None
        or before.clause != tokens[at].clause
        or before.kind == SIGN
        or before.folded in function_words.JOINS_OF_RAILS | function_words.ARTICLES
    )
    if not leads:
        return False
    place = at + 1
    while place + 1 < len(tokens) and (
        tokens[place].folded in function_words.JOINS_OF_RAILS | {",", "/", "both", "is", "are"}
        or (tokens[place].kind == NUMBER and abs(tokens[place].value or 0.0) in _USUAL_DENIED)
    ):
        place += 1
    return (
        place < len(tokens)
        and tokens[place].folded in _GONE_BEHIND
        and tokens[place].clause == tokens[at].clause
    )


def _is_told_behind(at: int, tokens: Sequence[Token]) -> bool:
    """ "14.6 on the 12": a bare number at the end of a clause, behind a number and "on the"."""
    clause = tokens[at].clause
    if at + 1 < len(tokens) and tokens[at + 1].clause == clause:
        return False
    place = at - 1
    while (
        place >= 0
        and tokens[place].clause == clause
        and tokens[place].folded in function_words.ON_ONE | function_words.ARTICLES
    ):
        place -= 1
    return (
        place < at - 1
        and place >= 0
        and tokens[place].clause == clause
        and (tokens[place].kind == VOLTS or "." in tokens[place].folded or "," in tokens[place].folded)
        and any(tokens[one].folded in function_words.ON_ONE for one in range(place + 1, at))
    )


_USUAL_VOLTS = frozenset(
    (
        1.2,
        1.5,
        1.8,
        2.5,
        3.3,
        5,
        6,
        7.5,
        8,
        9,
        10,
        12,
        13.8,
        15,
        16,
        18,
        19,
        20,
        24,
        28,
        30,
        32,
        33,
        35,
        36,
        48,
        60,
    )
)


def rail_name(spoken: str) -> str:
    """A rail's name as it was written, without the spaces in it."""
    return "".join(spoken.split())


def _joined(found: list[Subject], tokens: Sequence[Token]) -> list[Subject]:
    """ "standby 5V" beside each other, "5V standby": one supply."""
    kept: list[Subject] = []
    for subject in found:
        before = kept[-1] if kept else None
        if before is not None and before.rail and subject.rail and subject.first - before.last == 1:
            same_clause = tokens[before.last].clause == tokens[subject.first].clause
            if (
                same_clause
                and before.maybe_value
                and not subject.maybe_value
                and subject.nominal_v in (None, before.nominal_v, tokens[before.first].value)
            ):
                nominal = subject.nominal_v or tokens[before.first].value
                kept[-1] = replace(subject, first=before.first, nominal_v=nominal)
                continue
        kept.append(subject)
    return kept


_ON_THE = frozenset(("on", "auf", "am", "sur", "op", "en", "su", "sulla", "sull"))
_SET_TO = frozenset(("set", "sets", "eingestellt", "regle", "ingesteld", "ajustado", "regolato"))


def without_stated(subjects: Sequence[Subject], tokens: Sequence[Token]) -> list[Subject]:
    """The supplies and points, without volts that are only printed or chosen."""
    return [one for one in subjects if not _is_only_stated(one, tokens)]


def _is_only_stated(subject: Subject, tokens: Sequence[Token]) -> bool:
    """ "18V on the label", "set to 12V gives 15": what is printed or chosen, and no supply that was measured."""
    at = subject.last + 1
    if at < len(tokens) and tokens[at].folded in _ON_THE:
        behind = [token.folded for token in tokens[at + 1 : at + 3]]
        if function_words.PRINTED_ON.intersection(behind):
            return True
    before = [token.folded for token in tokens[max(0, subject.first - 2) : subject.first]]
    return (
        bool(subject.rail)
        and bool(before)
        and (
            before[-1] == "sets"
            or (before[0] in _SET_TO and before[-1] in ("to", "at", "auf", "a", "op", "for"))
        )
    )
