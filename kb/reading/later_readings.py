"""Readings behind a fix that name no supply, told by their volts."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.rail_names import obvious_rail
from kb.reading import function_words
from kb.reading.facts import KnownRail
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.subjects import Subject
from kb.reading.tokens import NUMBER, SIGN, VOLTS, Token
from kb.reading.value_ends import Found, are_near, is_rating


def implied_readings(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    subjects: Sequence[Subject],
    readings: Sequence[Found],
    rails: Sequence[KnownRail],
    blocked: frozenset[int],
    acted: int | None,
) -> list[Found]:
    """Numbers behind a fix that are near the volts of a supply named before ("new one in -> 12.0")."""
    used = {place for one in readings for place in one.tokens} | blocked
    named = [*(one.subject for one in readings), *(one for one in subjects if not one.maybe_value)]
    used |= {place for subject in named for place in range(subject.first, subject.last + 1)}
    action_words = {place for hit in hits if hit.table == "actions" for place in hit.places}
    states = {place: hit.value for hit in hits if hit.table == "loads" for place in hit.places}
    parts = {place for hit in hits if hit.table == "parts" for place in hit.places}
    good = {hit.first for hit in hits if (hit.table, hit.value) == (CONCEPT, "ok")}
    found = _listed_volts(tokens, rails, used)
    used |= {at for one in found for at in one.tokens}
    if acted is not None:
        found += _calmer(tokens, readings, used, acted)
    found += _said_to_be_good(tokens, hits, rails, used, acted)
    if acted is None:
        return found
    used |= {at for one in found for at in one.tokens}
    for at, token in enumerate(tokens):
        if at <= acted - 3 or at in used or token.kind not in (NUMBER, VOLTS) or token.value is None:
            continue
        if is_rating(tokens, at) or _is_back(tokens, at):
            continue
        before = tokens[at - 1] if at else None
        arrow = (
            before is not None and before.kind == SIGN and (before.folded == "=" or len(before.folded) > 1)
        )
        alone = (
            before is None
            or before.clause != token.clause
            or before.folded in (",", ":")
            or before.folded in function_words.JOINS_OF_RAILS
            or at - 1 in parts
            or at - 1 in action_words
            or (before.folded in function_words.DOWN_TO and at - 2 in action_words)  # "adjusted to 12.0"
            or before.folded in function_words.AGAIN | function_words.NOW
            or before.folded in function_words.STEADY
            or (before.folded == "one" and tokens[at - 2].folded in function_words.NEW)  # "new one 5.04"
        )
        sure_end = (arrow and not token.folded.isdigit()) or at + 1 in states or at + 1 in good
        ends = sure_end or _ends(tokens, at)
        if not (arrow or alone) or not ends:
            continue
        back = before is not None and before.folded in function_words.AGAIN | function_words.NOW
        sure = back or arrow or token.kind == VOLTS or not token.folded.isdigit()
        subject = _near_rail(token.value, at, subjects, rails if sure else ())
        if subject is not None:
            made = Found(subject, at, at, "dc_v", token.value, tokens=[at], after_repair=True)
            made.supply = "standby" if subject.role == "standby" else None
            made.load = next((states[place] for place in (at + 1, at + 2) if place in states), None)
            found.append(made)
    return found


_MILLIVOLTS = 0.5


def _calmer(
    tokens: Sequence[Token], readings: Sequence[Found], used: set[int] | frozenset[int], acted: int
) -> list[Found]:
    """ "ripple on 12V 800mVpp, C41 replaced, 40mV now": what is left of the ripple that was read before."""
    before = next((one for one in readings if one.quantity == "ripple_v" and one.subject.rail), None)
    if before is None or before.tokens[0] > acted:
        return []
    return [
        Found(before.subject, at, at, "ripple_v", token.value, tokens=[at], after_repair=True)
        for at, token in enumerate(tokens)
        if at > acted
        and at not in used
        and token.value is not None
        and token.unit in ("V", "Vpp")
        and 0 < token.value < _MILLIVOLTS
    ]


def _is_back(tokens: Sequence[Token], at: int) -> bool:
    """ "12 V back": the supply of that name, and nothing that was read."""
    behind = tokens[at + 1] if at + 1 < len(tokens) else None
    named = tokens[at].kind == VOLTS and tokens[at].value == int(tokens[at].value or 0)
    return (
        named
        and behind is not None
        and behind.folded in function_words.AGAIN | {"there", "present", "da", "up"}
    )


# What rows of three and more volts stand for where no family says its supplies.
_USUAL = tuple(
    KnownRail(f"{volts:g}V", named.role, volts)
    for volts in (3.3, 5.0, 12.0, 24.0)
    if (named := obvious_rail(f"{volts:g}V"))
)
_LIST_SIGNS = frozenset(("/", ",", "+", "and", "und", "et", "en", "y", "e"))


def _listed_volts(
    tokens: Sequence[Token], rails: Sequence[KnownRail], used: set[int] | frozenset[int]
) -> list[Found]:
    """ "tested: 5.02 / 12.0 / 24.1": bare numbers in a row, each near another supply of the family."""
    found: list[Found] = []
    run: list[int] = []
    rails = rails or _USUAL

    def close() -> None:
        subjects = [_near_rail(tokens[at].value or 0.0, at, (), rails) for at in run]
        names = {subject.rail for subject in subjects if subject is not None}
        decimals = sum(not tokens[at].folded.isdigit() for at in run)
        sure = decimals >= 1 if rails is not _USUAL else decimals == len(run) > 2
        # Beside 24 V and without 3.3 V five volts are as likely those of a standby supply.
        open_five = rails is _USUAL and "24V" in names and "3.3V" not in names
        if len(run) >= 2 and sure and len(names) == len(run):
            for at, subject in zip(run, subjects, strict=True):
                assert subject is not None
                if open_five and subject.rail == "5V":
                    continue
                supply = "standby" if subject.role == "standby" else None
                found.append(Found(subject, at, at, "dc_v", tokens[at].value, supply=supply, tokens=[at]))
        run.clear()

    for at, token in enumerate(tokens):
        if token.kind == NUMBER and token.value is not None and at not in used:
            if run and (at - run[-1] > 2 or tokens[run[-1]].sentence != token.sentence):
                close()
            run.append(at)
        elif token.folded not in _LIST_SIGNS:
            close()
    close()
    return found


def next_in_row(
    tokens: Sequence[Token], at: int, subject: Subject | None, found: Sequence[Found]
) -> Subject | None:
    """ "5VSB 5.08, 12.0, 23.9": the supply of a bare number in a row behind a good value of another, else `subject`."""
    token = tokens[at]
    before = found[-1] if found else None
    if before is None or before.subject is not subject or before.value is None or token.value is None:
        return subject
    nominal_v = before.subject.nominal_v
    if token.kind != NUMBER or token.folded.isdigit() or not nominal_v:
        return subject
    if not are_near(before.value, nominal_v):
        return subject
    if before.last != at - 2 or tokens[at - 1].folded not in _LIST_SIGNS:
        return subject
    other = _near_rail(token.value, at, (), _USUAL)
    return other if other and other.nominal_v != nominal_v else subject


def _said_to_be_good(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    rails: Sequence[KnownRail],
    used: set[int] | frozenset[int],
    acted: int | None,
) -> list[Found]:
    """ "12 good", "psu fine 12.0 / 24.1": bare numbers near the family's supplies beside a good word."""
    good = {place for hit in hits if (hit.table, hit.value) == (CONCEPT, "ok") for place in hit.places}
    found: list[Found] = []
    last = -2
    for at, token in enumerate(tokens):
        if token.kind not in (NUMBER, VOLTS) or token.value is None or at in used:
            continue
        if token.kind == VOLTS and token.value == int(token.value):
            continue  # "12V fine": the supply's name
        if acted is not None and at > acted:
            break
        before = at - 1
        beside = (
            before in good
            or (at + 1 in good and tokens[at + 1].clause == token.clause)
            or (last == at - 2 and tokens[before].folded in function_words.JOINS_OF_RAILS | {","})
        )
        subject = _near_rail(token.value, at, (), rails) if beside else None
        if subject is not None:
            found.append(Found(subject, at, at, "dc_v", token.value, tokens=[at]))
            if subject.role == "standby":
                found[-1].supply = "standby"
            last = at
    return found


def _near_rail(
    volts: float, at: int, subjects: Sequence[Subject], rails: Sequence[KnownRail]
) -> Subject | None:
    for subject in reversed(subjects):
        if (
            subject.first < at
            and subject.rail
            and (
                (subject.nominal_v and are_near(volts, subject.nominal_v))
                or (subject.role == "bulk" and 280 <= volts <= 420)
            )
        ):
            return subject
    for rail in rails:
        if abs(volts - rail.nominal_v) <= 0.05 * abs(rail.nominal_v):
            return Subject(at, at, rail.name, rail.role, rail.nominal_v, always_on=rail.always_on)
    return None


def wrong_rails(
    tokens: Sequence[Token], hits: Sequence[Hit], subjects: Sequence[Subject], readings: Sequence[Found]
) -> set[int]:
    """First tokens of the supplies that are said to be missing or were measured off their volts."""
    found = {
        one.subject.first
        for one in readings
        if one.subject.nominal_v
        and any(
            volts is not None and not are_near(volts, one.subject.nominal_v)
            for volts in (one.value, one.low, one.high)
        )
    }
    gone = {hit.first for hit in hits if hit.table == CONCEPT and hit.value in _GONE}
    for subject in subjects:
        near = range(subject.first - 2, subject.last + 3)
        same = [at for at in near if at in gone and tokens[at].clause == tokens[subject.first].clause]
        if subject.rail and same:
            found.add(subject.first)
    return found


_GONE = frozenset(("no", "missing", "low", "high", "shorted"))


def _ends(tokens: Sequence[Token], at: int) -> bool:
    """Whether nothing that is counted stands behind number `at`."""
    behind = tokens[at + 1] if at + 1 < len(tokens) else None
    return (
        behind is None
        or behind.clause != tokens[at].clause
        or behind.folded in function_words.NOW | function_words.BETWEEN
        or behind.kind == SIGN
    )
