"""What is said to have failed and to have been done, before it is tied to parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.mentions import STILL
from kb.reading.part_failures import FAILURE_CONCEPTS
from kb.reading.tokens import DESIGNATOR, WORD, Token

_SOMEBODY_REACH = 6
_OTHERS = frozenset(
    ("me", "us", "my", "owner", "customer", "installer", "electrician", "husband", "wife", "son", "friend",
     "neighbour", "dealer", "seller", "somebody", "someone")
)  # fmt: skip
_CAME_TO = frozenset(
    ("here", "came", "comes", "round", "in", "there", "want", "wants", "wanted", "like", "going")
)
_BEFORE_NOUNS = frozenset(("new", "neue", "neuen", "neuer", "neues", "nieuw", "nieuwe", "nuevo", "nuova"))
_SHORTEST_NOUN = 5
_ASKED_REACH = 5
_DONE = frozenset(("done", "gemacht", "erledigt", "gedaan", "hecho", "hechos", "fatto", "fatti"))
_TRACKS = ("track", "trace", "leiterbahn", "piste", "spoor", "sporen", "pista")
_LOOKS_SO = frozenset(("clean", "sauber", "propre", "schoon", "limpio", "limpia", "pulito", "pulita"))
_TRIED_THERE = frozenset(
    ("on", "in", "an", "am", "im", "sur", "dans", "op", "aan", "en", "su", "sull", "nel")
)


@dataclass(frozen=True, slots=True)
class Event:
    """Tokens `first` to `last` say a failure or an action, which `kind` and `value` name."""

    first: int
    last: int
    kind: str
    value: str


class EventFinder:
    """Finds what failed and what was done among the phrases of one text; `places` are the tokens of parts."""

    def __init__(self, tokens: Sequence[Token], hits: Sequence[Hit], places: set[int]) -> None:
        self.tokens, self.hits, self.places = tokens, hits, places
        self.smells = {hit.last for hit in hits if hit.table == CONCEPT and hit.value == "smell"}
        self.meaning = {place for hit in hits if hit.value != "idiom" for place in (hit.first, hit.last)}

    def run(self) -> list[Event]:
        """The events in the order of the text."""
        found: list[Event] = []
        taken: set[int] = set()
        for table in ("verdicts", "actions", "results", "failures"):
            ordered = sorted(
                (hit for hit in self.hits if hit.table == table),
                key=lambda hit: (-len(hit.places), hit.first),
            )
            mine: set[int] = set()
            for hit in ordered:
                span = set(range(hit.first, hit.last + 1))
                if mine & span or (table == "failures" and taken & span):
                    continue
                if table == "failures" and self._denied_inside(hit):
                    continue
                if table == "actions" and self._was_not_done(hit):
                    continue
                if table == "actions" and self._is_torn(hit):
                    found.append(Event(hit.first, hit.last + 1, "failures", "open"))
                    continue
                mine |= span
                found.append(Event(hit.first, hit.last, table, hit.value))
            taken |= mine
        found = [event for event in found if event.kind != "failures" or not self._is_smelt(event.first)]
        found += [
            Event(hit.first, hit.last, "failures", hit.value)
            for hit in self.hits
            if not self._is_smelt(hit.first)
            and hit.table == CONCEPT
            and hit.value in FAILURE_CONCEPTS
            and not taken.intersection(hit.places)
            and not self._is_a_dark_screen(hit)
        ]
        for at, token in enumerate(self.tokens):
            if token.folded in _DONE and at - 1 in self.places and at not in taken and self._ends(at):
                track = self.tokens[at - 1].folded.startswith(_TRACKS)  # "C21 + C22 done", "2 tracks done"
                found.append(Event(at, at, "actions", "repair track" if track else "replace"))
            if token.folded == "kurz" and {at - 1, at - 2} & self.places and at not in taken:
                found.append(Event(at, at, "failures", "shorted"))
            if (
                token.folded in function_words.TRIED
                and at not in taken
                and (self._another(at) or self._names_next(at))
            ):
                found.append(Event(at, at, "actions", "replace"))
            if (
                token.kind == WORD
                and token.folded in function_words.NEW
                and not (at + 1 in taken and self.tokens[at + 1].clause == token.clause)  # "neu angelötet"
                and not (at and self.tokens[at - 1].folded in function_words.BEFORE_AGAIN)
                and at not in taken
                and not self._of_a_noun(at)
                and not self._ordered(at, at)
                and not self._even_with(at)
            ):
                found.append(Event(at, at, "actions", "replace"))
        return sorted(found, key=lambda event: (event.first, event.kind))

    def _was_not_done(self, hit: Hit) -> bool:
        noun = len(hit.places) == 1 and self._of_a_noun(hit.first)
        denied = self._denied(hit) or self._ordered(hit.first, hit.last) or self._asked(hit.first)
        return noun or denied or self._not_by_us(hit) or self._is_drawn(hit)

    def _of_a_noun(self, at: int) -> bool:
        """ "a new appointment": the word belongs to a noun that is no part."""
        after = at + 1
        if self.tokens[at].folded not in _BEFORE_NOUNS or after >= len(self.tokens):
            return False
        token = self.tokens[after]
        if token.clause != self.tokens[at].clause or token.kind != WORD or len(token.folded) < _SHORTEST_NOUN:
            return False
        return after not in self.meaning and not {after, after + 1} & self.places

    def _ends(self, at: int) -> bool:
        return at + 1 >= len(self.tokens) or self.tokens[at + 1].clause != self.tokens[at].clause

    def _another(self, at: int) -> bool:
        """ "tried another PSU board", "anderes Netzteil probiert"."""
        near = range(max(0, at - 5), min(at + 6, len(self.tokens)))
        clause = self.tokens[at].clause
        if at + 1 < len(self.tokens) and self.tokens[at + 1].folded in _TRIED_THERE:
            return False  # "tried on another charger"
        return any(
            self.tokens[place].folded in function_words.OTHER and self.tokens[place].clause == clause
            for place in near
        )

    def _is_torn(self, hit: Hit) -> bool:
        """ "lead pulled off": how it came apart, and nothing that was done."""
        behind = hit.last + 1
        return (
            hit.value == "remove"
            and self.tokens[hit.first].folded == "pulled"
            and behind < len(self.tokens)
            and self.tokens[behind].folded in ("off", "loose")
            and self.tokens[behind].clause == self.tokens[hit.first].clause
        )

    def _is_drawn(self, hit: Hit) -> bool:
        """ "relay pulled in", "PS-ON pulled low": what it does or is held at, and nothing that was taken out."""
        behind = hit.last + 1
        return (
            hit.value == "remove"
            and self.tokens[hit.first].folded in ("pulled", "drawn")
            and behind < len(self.tokens)
            and self.tokens[behind].folded in ("in", "up", "low", "high", "down", "to")
            and self.tokens[behind].clause == self.tokens[hit.first].clause
        )

    def _names_next(self, at: int) -> bool:
        """ "tried C5": a part right behind, by its designator."""
        behind = at + 1
        return (
            behind < len(self.tokens)
            and self.tokens[behind].kind == DESIGNATOR
            and behind in self.places
            and self.tokens[behind].clause == self.tokens[at].clause
        )

    def _is_a_dark_screen(self, hit: Hit) -> bool:
        """ "new transformer, still black": what the screen shows, and no part that burnt."""
        if self.tokens[hit.first].folded not in (
            "black",
            "schwarz",
            "noir",
            "zwart",
            "negra",
            "negro",
            "nero",
        ):
            return False
        before = [token.folded for token in self.tokens[max(0, hit.first - 2) : hit.first]]
        return any(word in STILL for word in before)

    def _is_smelt(self, at: int) -> bool:
        """ "smells burnt": said of the smell and of no part."""
        return any(
            place in self.smells and self.tokens[place].sentence == self.tokens[at].sentence
            for place in range(max(0, at - 3), at)
        )

    def _ordered(self, first: int, last: int) -> bool:
        """ "new one ordered": nothing was done yet."""
        near = range(first, min(last + 4, len(self.tokens)))
        return any(
            self.tokens[at].folded in function_words.ORDERED
            and self.tokens[at].clause == self.tokens[first].clause
            for at in near
        )

    def _even_with(self, at: int) -> bool:
        """ "even with a new battery": tried before it came in."""
        before = {token.folded for token in self.tokens[max(0, at - 3) : at]}
        return bool(before & {"even", "selbst", "meme", "zelfs", "incluso", "anche"}) and bool(
            before & {"with", "mit", "avec", "met", "con"}
        )

    def _asked(self, at: int) -> bool:
        """ "can you replace it": asked for and not done."""
        clause = self.tokens[at].clause
        return any(
            token.folded in function_words.ASKED and token.clause == clause
            for token in self.tokens[max(0, at - _ASKED_REACH) : at]
        )

    def _not_by_us(self, hit: Hit) -> bool:
        """ "when you turn it up", "since the battery was replaced", "everything looked clean": no repair."""
        first = hit.first
        clause = self.tokens[first].clause
        before = [
            token.folded
            for token in self.tokens[max(0, first - _ASKED_REACH) : first]
            if token.clause == clause
        ]
        if function_words.SINCE.intersection(before):
            return True
        if self._of_somebody_else(hit) or self._is_meant_to(first):
            return True
        near = before[-3:]
        if function_words.WHEN.intersection(near) and function_words.SOMEBODY.intersection(near):
            return True
        looks = self.tokens[first].folded in _LOOKS_SO and len(hit.places) == 1
        return looks and bool(function_words.SEEMS.intersection(before[-2:]))

    def _of_somebody_else(self, hit: Hit) -> bool:
        """ "was changed 2 years ago by a shop", "has been cleaned by me": before it came to the bench."""
        clause = self.tokens[hit.first].clause
        behind = [
            token.folded
            for token in self.tokens[hit.last + 1 : hit.last + 1 + _SOMEBODY_REACH]
            if token.clause == clause
        ]
        if "ago" in behind:
            return True
        by = [at for at, word in enumerate(behind) if word == "by"]
        return bool(by) and bool(_OTHERS.intersection(behind[by[0] + 1 : by[0] + 4]))

    def _is_meant_to(self, first: int) -> bool:
        """ "was here to change the lights": what somebody came for; "had to change it" was done."""
        words = [token.folded for token in self.tokens[max(0, first - 2) : first]]
        return bool(words) and words[-1] == "to" and (len(words) < 2 or words[0] in _CAME_TO)

    def _denied_inside(self, hit: Hit) -> bool:
        """ "Sicherung nicht durch": a denial between the words of the failure that is none of its own."""
        return not hit.denies and any(
            self.tokens[at].folded in negation_words()
            for at in range(hit.first + 1, hit.last)
            if at not in hit.places
        )

    def _denied(self, hit: Hit) -> bool:
        before = hit.first - 1
        return (
            not hit.denies
            and before >= 0
            and self.tokens[before].folded in negation_words()
            and self.tokens[before].clause == self.tokens[hit.first].clause
        )
