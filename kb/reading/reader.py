"""The one reader: what a person wrote, as facts with their places in the text.

Everything is looked for in all languages at once. Time is in proportion to the length of the text; nothing
that is written raises.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kb.facts.designators import normalise_designator
from kb.reading import function_words
from kb.reading.amounts import find_cost, find_days, find_minutes
from kb.reading.attempts import AttemptFinder
from kb.reading.changed_values import apply_changed_values, find_changed_values
from kb.reading.facts import Known, Read, ReadAmount, ReadAttempt, ReadReading, ReadSymptom, ReadWord, Span
from kb.reading.framed import parts_only_spoken_of
from kb.reading.further_values import further_readings
from kb.reading.good_news import cure_what_came_before
from kb.reading.implied import GOOD_AFTERWARDS, implied_symptoms, is_so, result_events, settle_after_repair
from kb.reading.later_readings import implied_readings
from kb.reading.lexicon import CONCEPT, Hit, every_common_word, lexicon_for, negation_words, skipped_words
from kb.reading.likely_sections import likely_section
from kb.reading.mentions import Mention, name_its_joints
from kb.reading.outcomes import first_act, settle_causes, settle_results
from kb.reading.patterns import Match, Places
from kb.reading.pieces import joined, pieces
from kb.reading.readings import Found, find_readings
from kb.reading.subjects import find_subjects, rated_outputs, without_stated
from kb.reading.sureness import split_by_sureness
from kb.reading.symptoms import find_symptoms
from kb.reading.tokens import SIGN, WORD, Token, tokens_of

NOTHING = Known()


def read(text: str, known: Known = NOTHING) -> Read:
    """The facts that `text` states, each with the words that said it. Never raises.

    `known` brings the family's rails and parts and the shop's own names of symptoms and parts. Long texts are
    read in pieces of at most 3,000 characters, cut between sentences where there are any.
    """
    found = [(start, _read_piece(text[start:end], known)) for start, end in pieces(text)]
    return found[0][1] if len(found) == 1 else joined(found)


def _read_piece(text: str, known: Known) -> Read:
    days = find_days(text)
    tokens = tokens_of(_without(text, days))
    if not tokens:
        return Read()
    lexicon = lexicon_for(known.symptoms, known.part_classes)
    lexicon.settle_short_forms(tokens)
    hits = lexicon.find(tokens)
    subjects = without_stated(find_subjects(text, tokens, hits, known.rails), tokens)
    acts = [hit.first for hit in hits if hit.table == "actions"]
    minutes = find_minutes(tokens, frozenset(tokens[at].clause for at in acts))
    acts += [at for at, token in enumerate(tokens) if token.folded in function_words.NEW]
    cost = find_cost(
        tokens,
        minutes[:2] if minutes else None,
        min(acts, default=None),
        [rail.nominal_v for rail in known.rails],
    )
    changes = find_changed_values(tokens)
    blocked = frozenset(at for one in (minutes, cost) if one for at in range(one[0], one[1] + 1))
    blocked |= {at for change in changes for at in range(change.first, change.last + 1)}
    subjects = sorted((*subjects, *rated_outputs(tokens, subjects, known.rails)), key=lambda one: one.first)
    values = find_readings(text, tokens, hits, subjects, blocked)
    readings = further_readings(tokens, subjects, values, blocked)
    _take_tolerances(readings, known)
    parts = {normalise_designator(part.part): part for part in known.parts}
    finder = AttemptFinder(tokens, hits, subjects, readings, parts)
    readings += apply_changed_values(changes, finder.mentions, tokens)
    attempts = _meant(finder, tokens, hits)
    acted = first_act(attempts)
    readings += implied_readings(tokens, hits, subjects, readings, known.rails, blocked, acted)
    places = Places(tokens, hits, {one.first: one.role for one in subjects if one.rail})
    matches = find_symptoms(hits, places)
    settle_after_repair(readings, tokens, acted, finder.mentions, finder.filler.wrong_names())
    events, spent = result_events(tokens, hits, readings, matches, finder.mentions, acted)
    cure_what_came_before(attempts, tokens, hits, GOOD_AFTERWARDS)
    settle_results(attempts, tokens, events, paid=cost is not None)
    settle_causes(attempts, tokens, hits)
    matches = [match for match in matches if match not in spent]
    attempts = [one for one in attempts if not _is_no_fix(one, matches, tokens, hits)]
    outputs = any((hit.table, hit.value) == (CONCEPT, "output") for hit in hits)
    matches = implied_symptoms(matches, finder.mentions, readings, tokens, outputs=outputs)
    shown = [match.name for match in matches if match.present]
    for mention in attempts:
        mention.section = mention.section or likely_section(mention.part_class, mention.failure, shown)
    verdict, made = _verdict(hits, tokens), _Made(text, tokens)
    matches, unsure = split_by_sureness(matches, places, readings)
    return Read(
        symptoms=tuple(made.symptoms(matches)),
        proposed=tuple(made.symptoms(unsure)),
        readings=tuple(made.reading(one) for one in sorted(readings, key=lambda one: one.tokens[0])),
        attempts=tuple(made.attempt(one) for one in attempts),
        verdict=made.word(verdict) if verdict else None,
        minutes=ReadAmount(*made.span(minutes[0], minutes[1]), minutes[2]) if minutes else None,
        cost=ReadAmount(*made.span(cost[0], cost[1]), cost[2]) if cost else None,
        dates=tuple(ReadWord(text[start:end], start, end, day) for start, end, day in days),
        left=tuple(made.left(_used(hits, matches, readings, attempts, blocked), unsure)),
    )


def _meant(finder: AttemptFinder, tokens: Sequence[Token], hits: Sequence[Hit]) -> list[Mention]:
    """The attempts, without parts that are only spoken of, which `finder` then mentions no more."""
    attempts = finder.run()
    name_its_joints(attempts, tokens)
    spoken_of = parts_only_spoken_of(finder.mentions, tokens, hits)
    unmeant = [finder.mentions[number] for number in spoken_of]
    finder.mentions = [mention for number, mention in enumerate(finder.mentions) if number not in spoken_of]
    return [mention for mention in attempts if not any(mention is one for one in unmeant)]


def _take_tolerances(readings: Sequence[Found], known: Known) -> None:
    stated = {rail.name: rail.tolerance_pct / 100 for rail in known.rails if rail.tolerance_pct is not None}
    for one in readings:
        one.subject.tolerance = stated.get(one.subject.rail or "")


def _is_no_fix(
    mention: Mention, matches: Sequence[Match], tokens: Sequence[Token], hits: Sequence[Hit]
) -> bool:
    """Whether a part that was read as worked on is only a piece of a symptom, warned of or out for a while."""
    return (
        _only_blows(mention, matches)
        or _only_warned_of(mention, tokens, hits)
        or _only_for_a_while(mention, tokens)
        or (mention.part_class == "solder joint" and mention.action == "replace" and not mention.part)
    )


def _only_blows(mention: Mention, matches: Sequence[Match]) -> bool:
    """ "blows the fuse": a symptom, and nothing that was done with the fuse."""
    return (
        mention.part_class == "fuse"
        and mention.acted_at is None
        and any(
            match.name == "fuse blows again when replaced"
            and match.first <= mention.last
            and mention.first <= match.last
            for match in matches
        )
    )


def _only_warned_of(mention: Mention, tokens: Sequence[Token], hits: Sequence[Hit]) -> bool:
    """ "warned about the worn pot", "refused a new transformer": what was told and not done."""
    if mention.acted_at is not None and tokens[mention.acted_at].folded in function_words.NEW and any(
        hit.table == "verdicts" and hit.value == "declined" and tokens[hit.first].sentence == mention.sentence
        and hit.first < mention.first
        for hit in hits
    ):  # fmt: skip
        return True
    return mention.acted_at is None and any(
        hit.value == "warned" and hit.table == CONCEPT and 0 < mention.first - hit.last <= _WARNED_REACH
        and tokens[hit.last].sentence == mention.sentence
        for hit in hits
    )  # fmt: skip


_WARNED_REACH = 6


def _only_for_a_while(mention: Mention, tokens: Sequence[Token]) -> bool:
    """ "pulled the battery for 1 min": taken out and put back, so that the device forgets."""
    if mention.action != "remove" or mention.part:
        return False
    behind = tokens[mention.end + 1 : mention.end + 4]
    return any(token.unit in ("min", "s") and token.clause == tokens[mention.end].clause for token in behind)


def _without(text: str, days: Sequence[tuple[int, int, str]]) -> str:
    """The text with its days blanked out, every other character in its place."""
    for start, end, _ in days:
        text = f"{text[:start]}{' ' * (end - start)}{text[end:]}"
    return text


def _verdict(hits: Sequence[Hit], tokens: Sequence[Token]) -> Hit | None:
    done = [frozenset(hit.places) for hit in hits if hit.table == "actions"]
    thanked = [
        hit.last for hit in hits if hit.table == CONCEPT and hit.value in ("thanks", "supposed", "sought")
    ]
    found = [
        hit
        for hit in hits
        if hit.table == "verdicts"
        and (hit.value != "repaired" or is_so(hit, tokens))
        and not any(set(hit.places) < action for action in done)  # "track repaired"
        and not _is_a_donor(hit, tokens)
        and not any(
            hit.first - 9 < at < hit.first and tokens[at].clause == tokens[hit.first].clause for at in thanked
        )
    ]
    if not found:
        return None
    # What ends the job otherwise counts before "repaired", which also stands in "cannot be repaired".
    return min(found, key=lambda hit: (hit.value == "repaired", -len(hit.places), -hit.first))


def _is_a_donor(hit: Hit, tokens: Sequence[Token]) -> bool:
    """ "with one off a scrap machine": what was scrapped is another one."""
    behind = hit.last + 1
    if not tokens[hit.first].folded.startswith("scrap") or behind >= len(tokens) or not hit.first:
        return False
    return tokens[hit.first - 1].folded in ("a", "the", "from", "off", "another", "old", "same") and (
        tokens[behind].kind == WORD and tokens[behind].clause == tokens[hit.first].clause
    )


def _used(
    hits: Sequence[Hit],
    matches: Sequence[Match],
    readings: Sequence[Found],
    attempts: Sequence[Mention],
    blocked: frozenset[int],
) -> set[int]:
    used = set(blocked)
    for hit in hits:
        if hit.table not in ("symptoms", CONCEPT, "words") or (
            len(hit.places) == 1 and hit.table != "symptoms"
        ):
            used.update(hit.places)
    for match in matches:
        used.update(range(match.first, match.last + 1))
    for one in readings:
        used.update(range(one.first, one.last + 1))
    for mention in attempts:
        used.update(range(mention.first, mention.last + 1))
    return used


class _Made:
    """Facts by tokens turned into facts by characters."""

    def __init__(self, text: str, tokens: Sequence[Token]) -> None:
        self.text, self.tokens = text, tokens

    def span(self, first: int, last: int) -> tuple[str, int, int]:
        start, end = self.tokens[first].start, self.tokens[last].end
        return self.text[start:end], start, end

    def symptoms(self, matches: Sequence[Match]) -> Iterable[ReadSymptom]:
        """Each name once; where it is both said and denied, what is said last counts in a sentence.

        A denial in a later sentence says that it is over ("reboots … no reboots since"), and it was so.
        """
        last: dict[str, Match] = {}
        for match in matches:
            before = last.get(match.name)
            over = before is not None and before.present and not match.present
            if over and before and self.tokens[before.last].sentence != self.tokens[match.first].sentence:
                continue
            last[match.name] = match
        for match in matches:
            if last[match.name] is match:
                yield ReadSymptom(*self.span(match.first, match.last), match.name, match.present)

    def reading(self, one: Found) -> ReadReading:
        subject = one.subject
        first = one.first if one.first <= one.tokens[0] else one.tokens[0]
        if (
            self.tokens[subject.first].sentence != self.tokens[one.tokens[0]].sentence
            or one.tokens[0] - first > 12
        ):
            first = one.tokens[0]
        return ReadReading(
            *self.span(first, one.last),
            rail=subject.rail,
            point=subject.point,
            quantity=one.quantity,
            supply=one.supply,
            load=one.load,
            value=one.value,
            min=one.low,
            max=one.high,
            after_repair=one.after_repair,
        )

    def attempt(self, mention: Mention) -> ReadAttempt:
        return ReadAttempt(
            *self.span(mention.start, mention.end),
            part=mention.part,
            part_class=mention.part_class,
            section=mention.section,
            failure=mention.failure,
            action=mention.action,
            result=mention.result,
            cause=mention.cause,
        )

    def word(self, hit: Hit) -> ReadWord:
        return ReadWord(*self.span(hit.first, hit.last), hit.value)

    def left(self, used: set[int], unsure: Sequence[Match]) -> Iterable[Span]:
        """The stretches of words that nothing was read from and that are not everyday words alone.

        What is only proposed is of everyday words alone, and stands there too.
        """
        used = used | {at for match in unsure for at in range(match.first, match.last + 1)}
        stretches = [*self._unread(used), *(Span(*self.span(match.first, match.last)) for match in unsure)]
        return sorted(stretches, key=lambda one: (one.start, one.end))

    def _unread(self, used: set[int]) -> Iterable[Span]:
        common, plain = every_common_word(), skipped_words() | negation_words()
        start = None
        last = 0
        worth = False
        for at, token in enumerate(self.tokens):
            free = at not in used and token.kind != SIGN
            if free and (start is None or token.clause == self.tokens[start].clause):
                start = at if start is None else start
                last = at
                worth = worth or (
                    token.kind != WORD
                    or (len(token.folded) > 2 and not (token.folded in common or token.folded in plain))
                )
                continue
            if token.kind == SIGN and start is not None and token.clause == self.tokens[start].clause:
                continue
            if start is not None and worth:
                yield Span(*self.span(start, last))
            start, worth = (
                (at, token.kind != WORD or not (token.folded in common or token.folded in plain))
                if free
                else (None, False)
            )
            last = at
        if start is not None and worth:
            yield Span(*self.span(start, last))
