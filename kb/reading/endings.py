"""How a fix ended, in the short words of a log: "done", "all there", "12.1 now", "ok 1 day then back", "hum stays"."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.mentions import Mention
from kb.reading.patterns import Match
from kb.reading.tokens import CODE, NUMBER, QUANTITY, SIGN, VOLTS, Token

Ending = tuple[int, int, int, str]
"""Rank (the lower the surer), first and last token, and the result that they say."""

_SPOILS = frozenset(
    ("no", "stop", "blown", "dead", "defective", "missing", "trip", "no_effect", "collapse", "intermittent",
     "sometimes", "shorted", "perhaps", "warned", "burnt", "smell", "smoke", "supposed", "sought")
)  # fmt: skip
_LONGEST = 6  # words of a clause that says how a fix ended and nothing else
_NUMBERS = frozenset((NUMBER, VOLTS, QUANTITY))
_SAME = 0.02  # of a value that is as it was before
_LIKELY_V = 0.05  # of a supply that the text names by its volts


class Clauses:
    """The clauses of a text: where each stands, and which of them say that something is bad."""

    def __init__(
        self,
        tokens: Sequence[Token],
        hits: Sequence[Hit],
        matches: Sequence[Match],
        mentions: Sequence[Mention],
        acted: int,
    ) -> None:
        self.tokens, self.hits, self.acted = tokens, hits, acted
        self.bad = {tokens[hit.first].clause for hit in hits if hit.table == CONCEPT and hit.value in _SPOILS}
        self.bad |= {tokens[match.first].clause for match in matches if match.present}
        self.busy = {tokens[at].clause for one in mentions for at in range(one.first, one.last + 1)}
        self.busy |= {tokens[hit.first].clause for hit in hits if hit.table in ("actions", "verdicts")}

    def behind(self) -> Iterator[tuple[int, int, list[str]]]:
        """(first token, last token, words) of each short clause behind what was done."""
        at = self.acted + 1
        while at < len(self.tokens):
            first, clause = at, self.tokens[at].clause
            while at < len(self.tokens) and self.tokens[at].clause == clause:
                at += 1
            words = [token.folded for token in self.tokens[first:at] if token.kind != SIGN]
            if clause != self.tokens[self.acted].clause and 0 < len(words) <= _LONGEST:
                yield first, at - 1, words

    def is_free(self, at: int) -> bool:
        """Whether the clause of a token names no part and nothing bad."""
        clause = self.tokens[at].clause
        return clause not in self.bad and clause not in self.busy


def short_endings(clauses: Clauses) -> list[Ending]:
    """What short clauses behind a fix say of how it ended, as (rank, first, last, result)."""
    found: list[Ending] = []
    for first, last, words in clauses.behind():
        if not clauses.is_free(first):
            continue
        tokens = clauses.tokens[first : last + 1]
        if _is_handed_back(words) or _is_everything(words, tokens) or _is_run(words, tokens):
            found.append((4, first, last, "cured"))
        elif (result := _by_value(first, words, clauses)) is not None:
            found.append((4, first, last, result))
    return found


_DONE_ALONE = frozenset(
    ("done", "finished", "collected", "tested", "delivered", "sorted", "ready", "goes", "fertig", "abgeholt", "klaar",
     "afgehaald", "opgehaald", "fini", "termine", "rendu", "rendue", "listo", "entregado", "fatto", "ritirato",
     "consegnato")
)  # fmt: skip
_OWNERS = frozenset(
    ("owner", "customer", "cust", "client", "shop", "office", "kunde", "kunden", "klant", "proprietaire",
     "cliente")
)  # fmt: skip
_GIVEN = frozenset(
    ("back", "returned", "collected", "delivered", "fetched", "zuruck", "abgeholt", "terug", "opgehaald", "rendu",
     "rendue", "entregado", "devuelto", "restituito", "consegnato")
)  # fmt: skip
_PLEASED = frozenset(
    ("happy", "pleased", "glad", "delighted", "zufrieden", "blij", "content", "contente", "contento")
)
_NOT_MENDED = frozenset(("unrepaired", "unfixed", "asis", "as", "unrepariert", "without"))


def _is_handed_back(words: Sequence[str]) -> bool:
    """ "done", "collected", "back with owner": it left as what it should be."""
    said = set(words)
    if said & _NOT_MENDED:
        return False
    if len(words) == 2 and words[0] in ("collected", "delivered", "abgeholt", "opgehaald"):
        return True  # "collected friday"
    if len(words) == 1 or (len(words) == 2 and words[0] == "all"):
        return words[-1] in _DONE_ALONE
    return bool(said & _OWNERS) and bool(said & (_GIVEN | _PLEASED))


_EVERYTHING = frozenset(
    ("all", "both", "every", "everything", "alle", "alles", "beide", "beiden", "allebei", "tout", "tous", "toutes",
     "todo", "todos", "todas", "ambos", "tutto", "tutti", "tutte", "entrambi")
)  # fmt: skip
_NOT_OF_BOARDS = frozenset(
    ("the", "time", "day", "night", "week", "my", "for", "of", "in", "parts", "jobs", "ordered", "quoted",
     "not", "them")
)  # fmt: skip
_MOST_OF_ALL = 4


def _is_everything(words: Sequence[str], tokens: Sequence[Token]) -> bool:
    """ "all there", "all keys play", "both sides now"."""
    if words[0] not in _EVERYTHING or not 1 < len(words) <= _MOST_OF_ALL:
        return False
    return not set(words) & _NOT_OF_BOARDS and not any(token.kind in _NUMBERS for token in tokens)


_TESTS = frozenset(
    ("test", "tested", "soak", "soaked", "ran", "run", "runs", "running", "dauertest", "probelauf", "gelaufen",
     "laeuft", "lauft", "getest", "proefgedraaid", "teste", "essai", "tourne", "probado", "prueba", "provato", "prova",
     "ok", "good", "fine", "gut", "goed", "bien", "bene")
)  # fmt: skip


def _is_run(words: Sequence[str], tokens: Sequence[Token]) -> bool:
    """ "soak 2 h", "tested 1 cycle", "ran for a day": it was run and nothing is said against it."""
    if "tested" in words[:2] and ("cycle" in words or "cycles" in words):
        return True
    return bool(set(words) & _TESTS) and any(token.unit in ("min", "day") for token in tokens)


_NOW = function_words.NOW | function_words.AGAIN | frozenset(("ok", "good", "gut", "steady", "again"))
_BESIDE_VALUES = _NOW | frozenset(
    ("out", "at", "on", "v", "volts", "output", "dc", "and", "is", "rail", "load")
)
_SPOKEN_AGAINST = frozenset(
    ("still", "only", "just", "noch", "nur", "encore", "nog", "aun", "ancora", "solo", "before")
)


def _by_value(first: int, words: Sequence[str], clauses: Clauses) -> str | None:
    """ "12.1 now", "24.2 V out", "6 mV": a value alone behind a fix, unless it is the one from before."""
    tokens = clauses.tokens
    last = first + len(words) + sum(token.kind == SIGN for token in tokens[first : first + 2 * len(words)])
    own = [token for token in tokens[first : last + 1] if token.clause == tokens[first].clause]
    values = [token for token in own if token.kind in _NUMBERS]
    others = {token.folded for token in own if token.kind not in _NUMBERS and token.kind != SIGN}
    if not values or values[0].value is None or others & _SPOKEN_AGAINST or not others <= _BESIDE_VALUES:
        return None
    value, volts = values[0], values[0].value
    if value.kind != NUMBER and value.unit not in ("V", "A", "Vpp", "W", "Hz"):
        return None
    before = [(one.unit, one.value) for one in tokens[:first] if one.value is not None]
    if value.kind == NUMBER:
        near = any(
            unit == "V" and earlier and abs(earlier - volts) <= _LIKELY_V * abs(earlier)
            for unit, earlier in before
        )
        return "cured" if others & _NOW or "out" in others or near else None
    as_before = any(
        unit == value.unit and abs(earlier - volts) <= _SAME * abs(volts) for unit, earlier in before
    )
    return None if as_before else "cured"


_HELD_OUT = frozenset(
    ("then", "but", "dann", "aber", "puis", "mais", "dan", "maar", "luego", "pero", "poi", "ma")
)
_RETURNED = frozenset(
    ("back", "again", "same", "returned", "dead", "gone", "failed", "off", "died", "wieder", "tot", "weer", "pareil",
     "revenu", "otra", "igual", "stesso", "down", "faded")
)  # fmt: skip
_A_LITTLE = frozenset(("a", "few", "couple", "one", "1", "half"))
_A_WHILE = frozenset(
    ("min", "mins", "minute", "minutes", "sec", "secs", "second", "seconds", "moment", "bit", "while")
)
_TIMES = _A_WHILE | frozenset(
    ("hour", "hours", "day", "days", "week", "weeks", "month", "months", "evening", "stunde", "stunden", "tag", "tage",
     "woche", "wochen", "heure", "heures", "jour", "jours", "semaine", "uur", "dag", "dagen", "weken", "hora", "horas",
     "dia", "dias", "semana", "ora", "ore", "giorno", "giorni", "settimana")
)  # fmt: skip
_REACH = 7


def not_for_long(
    tokens: Sequence[Token], events: Sequence[tuple[int, int, str]]
) -> list[tuple[int, int, str]]:
    """The events, where a good one that did not last changed nothing: "ok 1 day then back", "good for a min"."""
    return [
        (first, last, "no change" if result == "cured" and _went_again(last, tokens) else result)
        for first, last, result in events
    ]


def _went_again(last: int, tokens: Sequence[Token]) -> bool:
    behind = [
        token for token in tokens[last + 1 : last + 1 + _REACH] if token.sentence == tokens[last].sentence
    ]
    words = [token.folded for token in behind if token.kind != SIGN]
    for at, word in enumerate(words):
        timed = any(token.unit in ("min", "day") for token in behind) or _TIMES & set(words[: at + 1])
        if word in _HELD_OUT and timed and set(words[at + 1 : at + 3]) & _RETURNED:
            return True
    return len(words) > 2 and words[0] == "for" and words[1] in _A_LITTLE and words[2] in _A_WHILE


_STAYS = frozenset(
    ("stays", "stayed", "remains", "remained", "persists", "bleibt", "blieb", "reste", "persiste", "blijft", "bleef",
     "sigue", "queda", "resta", "rimane")
)  # fmt: skip
_STILL = frozenset(("still", "noch", "encore", "nog", "aun", "ancora", "immer"))


def stays(tokens: Sequence[Token], matches: Sequence[Match], acted: int) -> list[Ending]:
    """ "hum stays", "whine still there": a symptom behind a fix that is there as before."""
    return [
        (0, match.first, match.last, "no change")
        for match in matches
        if match.present
        and match.first > acted
        and any(
            token.clause == tokens[match.last].clause
            and (token.folded in _STAYS or (token.folded in _STILL and at + 1 < len(tokens)
                                            and tokens[at + 1].folded in ("there", "da", "la", "er", "ahi")))
            for at, token in enumerate(tokens[match.last + 1 : match.last + 3], match.last + 1)
        )
    ]  # fmt: skip


# Concepts of what a board does; said alone behind a fix of a board of which it was missing, they are its cure.
_DOES = frozenset(
    ("click", "motor", "fan", "light", "heat", "heater", "charge", "sound", "picture", "backlight", "start", "turn",
     "standby", "power", "output", "react", "boot", "lit")
)  # fmt: skip


def there_again(clauses: Clauses) -> list[Ending]:
    """ "no relay click … swapped. click.": what was missing, alone in a clause behind the fix."""
    tokens = clauses.tokens
    denied = {
        other.value
        for hit in clauses.hits
        if hit.table == CONCEPT and hit.value in ("no", "missing") and hit.first < clauses.acted
        for other in clauses.hits
        if other.table == CONCEPT and tokens[other.first].clause == tokens[hit.first].clause
    }
    sizes: dict[int, int] = {}
    for token in tokens:
        sizes[token.clause] = sizes.get(token.clause, 0) + (token.kind not in (SIGN, CODE))
    return [
        (3, hit.first, hit.last, "cured")
        for hit in clauses.hits
        if hit.table == CONCEPT
        and hit.value in _DOES & denied
        and hit.first > clauses.acted
        and sizes[tokens[hit.first].clause] == len(hit.places)
        and tokens[hit.first].clause != tokens[clauses.acted].clause
        and tokens[hit.first].folded not in negation_words()
    ]


_LEADS_TO = frozenset((":", "-", "\N{EN DASH}", "->", "=", "\N{RIGHTWARDS ARROW}"))
_NO_ENDING = frozenset(
    ("bulging capacitor", "leaking capacitor", "burnt part seen", "corrosion on the board")
)


def led_to(tokens: Sequence[Token], matches: Sequence[Match], mentions: Sequence[Mention]) -> list[Ending]:
    """ "tried a new fuse: bang", "new fuse popped": what is wrong right behind a fix says that it changed nothing."""
    acts = [mention for mention in mentions if mention.acted_at is not None]
    found: list[Ending] = []
    for match in matches:
        if not match.present or match.name in _NO_ENDING:
            continue
        done = [
            mention for mention in acts if mention.acted_at is not None and mention.acted_at <= match.last
        ]
        if match.name == "fuse blows again when replaced" and [one.part_class for one in done] == ["fuse"]:
            found.append((1, match.last, match.last, "no change"))
        if _stands_between(match, acts, tokens):
            found.append((1, match.first, match.last, "no change"))
            continue
        sign = tokens[match.first - 1] if match.first else None
        ends = match.last + 1 >= len(tokens) or tokens[match.last + 1].clause != tokens[match.last].clause
        if sign is not None and sign.kind == SIGN and sign.folded in _LEADS_TO and ends:
            near = [one for one in acts if 0 < match.first - one.end <= 3 and one.sentence == sign.sentence]
            if near:
                found.append((1, match.first, match.last, "no change"))
    return found


def _stands_between(match: Match, acts: Sequence[Mention], tokens: Sequence[Token]) -> bool:
    """ "U7 changed. no boot, U9 changed: boots": what is wrong between two fixes, in a clause of its own."""
    clause, sentence = tokens[match.first].clause, tokens[match.first].sentence
    before, behind = match.first - 1, match.last + 1
    alone = (before < 0 or tokens[before].clause != clause) and (
        behind >= len(tokens) or tokens[behind].clause != clause
    )
    starts = before >= 0 and tokens[before].sentence == sentence - 1
    done = any(one.sentence == sentence - 1 and (one.acted_at or 0) < match.first for one in acts)
    return alone and starts and done and any((one.acted_at or 0) > match.last for one in acts)
