"""What the free words of a row say, under the names of the lists, and which board they name."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from kb.facts.designators import designator_letters, is_designator, normalise_designator, rail_key
from kb.model import Attempt, NotedSymptom, Reading
from kb.reading.lexicon import every_common_word, lexicon_for
from kb.reading.tokens import CAPACITOR_CLASSES
from kb.service.diagnose.case_facts import Fact, TextRead, spoken_attempt
from kb.service.sheets import outcomes
from kb.service.sheets.known import Known

READ = ("complaint", "notes", "work")
"""Columns whose words are read; attempts, minutes, cost and verdict only from `work`."""
OUTCOME = "outcome"
"""Stands for the column of these where a cell of the outcome column is read: what came of the texts before it."""
_ALL_KINDS = frozenset(("symptom", "reading", "attempt", "verdict", "minutes", "cost"))
_KINDS = {
    "complaint": frozenset(("symptom", "reading")),
    "notes": frozenset(("symptom", "reading")),
    "work": _ALL_KINDS,
}
_NUMBER = re.compile(r"(?<![\w.,])[A-Za-z]{2,6}[-_ ]?[0-9]{2,6}(?:[-/]?[A-Za-z]{1,3})?(?![\w])")
_DESIGNATOR = re.compile(r"(?<![\w.-])[A-Z]{1,4}[0-9]{1,4}[A-Z]?(?![\w-]|[.,][0-9])")
_GOOD_BEHIND = re.compile(
    r"[ :=]*(?:is |was |ist |war |est |es |e )?(?:ok|okay|good|fine|gut|i\.? ?o\b|bon|goed|bien|bene|hot|cool)\b",
    re.I,
)
_PLACE_BEFORE = re.compile(
    r"\b(?:at|on|near|by|under|across|not|to|an|am|bei|nicht|sur|pas|op|bij|niet|en|no|su|non) $", re.I
)
_PLACE_REACH = 10  # characters; the longest of these words has six
_TIME_AND_MONEY = re.compile(
    r"(?<![\w.,])([0-9]{1,3}) ?min(?:s|utes|uten)?\.? ([0-9]{1,5}[.,][0-9]{2})[ .]*$"
)
# Letters that begin the type numbers of semiconductors; common practice, no published source.
_SEMICONDUCTORS = frozenset(
    ("bc", "bd", "bf", "bt", "by", "byv", "byw", "fqp", "fqpf", "her", "icl", "ir", "irf", "irfz", "ka", "lm", "mc",
     "mje", "mur", "ncp", "ne", "op", "pc", "sb", "sg", "sr", "str", "tda", "tea", "tip", "tl", "tny", "top", "uc",
     "uf", "viper", "no", "nr", "row", "job", "rev", "ver")
)  # fmt: skip


def facts_of(
    texts: Iterable[tuple[str, str]], known: Known, family: str, *, tried: bool = False
) -> list[tuple[str, TextRead]]:
    """(field, what it says) of the (field, text) of one case; a fact stands with the first text that says it.

    What a text of `OUTCOME` says came of the fixes that the texts before it tell since the last one. `tried`:
    columns of their own name what was tried.
    """
    found: list[tuple[str, TextRead]] = []
    since = 0
    for to, read in _facts_of(_with_tales(texts), known, family):
        if to == OUTCOME:
            read = _outcome(read, found[since:], known, family, tried=tried)
            result = next((str(fact.value) for fact in read.facts if fact.kind == RESULT), "")
            if result:
                told_of = [told for _, told in found[since:]]
                found[since:] = [(one, _with_result(told, result, told_of)) for one, told in found[since:]]
            since = len(found)
        found.append((to, read))
    return found


RESULT = "result"


def _with_tales(texts: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """The texts, with an outcome that tells of a fix itself as what was done."""
    return [("work" if to == OUTCOME and outcomes.outcome_of(text).tells else to, text) for to, text in texts]


def _outcome(
    read: TextRead,
    before: Sequence[tuple[str, TextRead]],
    known: Known,
    family: str,
    *,
    tried: bool,
) -> TextRead:
    """What the words of an outcome say: the result of the fixes, the verdict, readings of a supply."""
    said = outcomes.outcome_of(read.text)
    tried = tried or any(fact.kind == "attempt" for _, told in before for fact in told.facts)
    facts = []
    if said.result and tried:
        facts.append(_fact(RESULT, said.result, read.text))
    if said.verdict:
        facts.append(_fact("verdict", said.verdict, read.text))
    text = outcomes.BEHIND * tried + read.text
    measured = known.making(family).text(text, known.read(text, family))
    facts += [fact for fact in measured.facts if isinstance(fact.value, Reading) and fact.value.rail]
    return TextRead(read.text, tuple(facts), () if facts else (read.text,))


def _fact(kind: str, value: str, text: str) -> Fact:
    return Fact(f"{kind} {value}", kind, value, text, 0, len(text), value)


def _with_result(told: TextRead, result: str, row: Sequence[TextRead]) -> TextRead:
    """The same with what came of the tries that do not say it themselves.

    What helped as far as its own words say, and after all changed nothing, made it better. A part found bad that
    another text of the `row` works on stays found: both are joined to one try later.
    """
    worked_on = [tried for one in row for tried in _tries(one) if tried.action != outcomes.ONLY_FOUND]
    waits = any(one.result == _UNKNOWN for one in _tries(told))
    facts = []
    for fact in told.facts:
        if isinstance(fact.value, Attempt):
            own = fact.value.result
            if own == _UNKNOWN or (own == "cured" and result == "no change" and not waits):
                came = result if own == _UNKNOWN else "improved"
                if any(_is_same_try(fact.value.model_dump(), one.model_dump()) for one in worked_on):
                    attempt = fact.value.model_copy(update={"result": came})
                else:
                    attempt = outcomes.with_result(fact.value, came)
                what = spoken_attempt(attempt)
                fact = replace(fact, key=f"attempt {what}", what=what, value=attempt)
        facts.append(fact)
    return TextRead(told.text, tuple(facts), told.left)


_UNKNOWN = "not known yet"


def _tries(told: TextRead) -> list[Attempt]:
    return [fact.value for fact in told.facts if isinstance(fact.value, Attempt)]


def _facts_of(texts: Sequence[tuple[str, str]], known: Known, family: str) -> Iterator[tuple[str, TextRead]]:
    making = known.making(family)
    codes: set[str | None] = set()  # "E4" of "E4 and cold water": no part in another cell either
    for to, text in _told_on(texts, known, family):
        if to == OUTCOME:
            yield to, TextRead(text)
            continue
        read = making.text(text, known.read(text, family))
        facts = [fact for fact in read.facts if fact.kind in _KINDS[to]]
        codes |= {
            normalise_designator(word)
            for fact in read.facts
            if isinstance(fact.value, NotedSymptom) and fact.value.name == _A_CODE
            for word in fact.words.split()
        }
        looks = tuple(fact.words for fact in facts if _is_only_the_board(fact))
        facts = [fact for fact in facts if not _is_only_the_board(fact)]
        if to == "work":
            facts += _parts_only_named(text, facts, known, family, codes)
            if any(fact.kind == "attempt" for fact in facts):
                facts += _amounts_at_the_end(text, facts)
        yield to, TextRead(read.text, tuple(facts), (*read.left, *looks))


def _is_only_the_board(fact: Fact) -> bool:
    """ "board green, track gone": how the board looks is a symptom, and nothing that was tried."""
    tried = fact.value
    return isinstance(tried, Attempt) and (tried.part, tried.part_class, tried.action) == (
        "",
        "circuit board",
        outcomes.ONLY_FOUND,
    )


def _told_on(texts: Iterable[tuple[str, str]], known: Known, family: str) -> list[tuple[str, str]]:
    """The texts, with columns of what was done as one text: what the second tells of how it ended is of the first.

    Two columns on the same part (what was found, what was done with it) stay two.
    """
    found: list[tuple[str, str]] = []
    for to, text in texts:
        if (
            to == "work"
            and found
            and found[-1][0] == "work"
            and _are_apart(found[-1][1], text, known, family)
        ):
            before = found[-1][1].rstrip()
            stop = "" if before.endswith((".", ";", "!", "?")) else "."
            found[-1] = ("work", f"{before}{stop} {text}")
        else:
            found.append((to, text))
    return found


def _are_apart(one: str, other: str, known: Known, family: str) -> bool:
    if set(_DESIGNATOR.findall(one)) & set(_DESIGNATOR.findall(other)):
        return False
    tries = [known.read(text, family).attempts for text in (one, other)]
    classes = [{tried.part_class for tried in each if not tried.part} for each in tries]
    return all(
        mine.isdisjoint({tried.part_class for tried in theirs})
        for mine, theirs in zip(classes, reversed(tries), strict=True)
    )


def _parts_only_named(
    text: str, facts: list[Fact], known: Known, family: str, codes: Collection[str | None]
) -> Iterator[Fact]:
    """Parts that stand in a column of what was done without a word on what was: `C9 + C10`, `RV1 and fuse`.

    `codes` are those that a display showed, as designators.
    """
    taken = [(fact.start, fact.end) for fact in facts if fact.kind in ("attempt", "reading")]
    named = {one.value.part for one in facts if isinstance(one.value, Attempt)}
    parts = known.parts(family)
    starts = [0, *(sign.end() for sign in _PIECE_ENDS.finditer(text))]
    are_lists = [_is_list_of_parts(piece) for piece in _PIECE_ENDS.split(text)]
    for found in _DESIGNATOR.finditer(text):
        part = normalise_designator(found[0])
        letters = designator_letters(part)
        before = text[max(0, found.start() - _PLACE_REACH) : found.start()]
        if _GOOD_BEHIND.match(text, found.end()) or _PLACE_BEFORE.search(before):
            continue
        if _ASKED.match(text, found.end()):
            continue  # "C14 bulged? no"
        if not are_lists[bisect_right(starts, found.start()) - 1]:
            continue
        if (
            part in codes
            or part in named
            or not letters
            or any(start <= found.start() < end for start, end in taken)
        ):
            continue
        if part not in parts and letters not in known.letters:
            continue
        if part in CAPACITOR_CLASSES and any(one.startswith("C") for one in named if one):
            continue  # "CY2 new (Y2 type)"
        section, part_class = parts.get(part, ("other", known.letters.get(letters, "other")))
        named.add(part)
        # What was done with it is not said.
        attempt = Attempt(part=part, part_class=part_class, section=section, action=outcomes.ONLY_FOUND)
        what = spoken_attempt(attempt)
        yield Fact(f"attempt {what}", "attempt", what, found[0], found.start(), found.end(), attempt)


_A_CODE = "error code shown"
_ASKED = re.compile(r"[^.,;:!?\n]{0,40}\?")
_PIECE_ENDS = re.compile(r"[.,;:!?\n]")
_OTHER_WORD = re.compile(r"[^\W\d_]{2,}")
_JOINS = frozenset(("and", "und", "et", "en", "the", "plus", "new", "neu", "nieuw", "both"))
_MOST_OTHER_WORDS = 2  # "C9 + C10 on sight"
# With one of these a part is spoken of and not worked on.
_SPEAKS_OF = frozenset(
    ("not", "nicht", "kein", "pas", "niet", "geen", "non", "sin", "for", "in", "if", "of", "instead", "from", "try",
     "checked", "tested", "measured", "geprüft", "gemessen", "gecontroleerd", "vérifié", "comprobado", "controllato",
     "ok", "good", "fine", "gut", "bon", "goed", "bien", "bene")
)  # fmt: skip


def _is_list_of_parts(piece: str) -> bool:
    """Whether a piece of text names parts and says hardly more: `Q1 Q2 not shorted` does."""
    words = set(_OTHER_WORD.findall(_DESIGNATOR.sub(" ", piece).casefold())) - _JOINS
    return len(words) <= _MOST_OTHER_WORDS and not words & _SPEAKS_OF


def _amounts_at_the_end(text: str, facts: list[Fact]) -> Iterator[Fact]:
    """Time and money as the last words of a line: `20 min 1.20`."""
    found = _TIME_AND_MONEY.search(text)
    if found is None or any(fact.kind in ("minutes", "cost") for fact in facts):
        return
    for kind, place in (("minutes", 1), ("cost", 2)):
        value = float(found[place].replace(",", "."))
        what = f"{value:g}"
        yield Fact(f"{kind} {what}", kind, what, found[place], found.start(place), found.end(place), value)


def _is_a_word(letters: str) -> bool:
    """Whether letters before a number are a word that says something, and no maker's letters."""
    word = letters.casefold()
    return word in every_common_word() or lexicon_for((), ()).knows(word)


def board_named(texts: Iterable[str], known: Known, *, by_look: bool) -> str:
    """The board that texts name: a number of the book first, else the first that looks like one; "" for none."""
    looks = ""
    for text in texts:
        for found in _NUMBER.finditer(text[:2_000]):
            word = found[0]
            board = known.family(word)
            if board is not None:
                return board.code
            letters = re.match(r"[A-Za-z]+", word)
            if looks or is_designator(word) or letters is None or letters[0].casefold() in _SEMICONDUCTORS:
                continue
            if word.count(" ") and _is_a_word(letters[0]):
                continue  # "after 10 min", "fuse 15A"
            looks = word
    return looks.upper() if by_look else ""


def take_facts(
    facts: Iterable[Fact],
    symptoms: dict[str, bool],
    readings: list[dict[str, Any]],
    attempts: list[dict[str, Any]],
    single: dict[str, Any],
) -> None:
    """Adds facts that are not there yet. What a cell of its own column says comes first and stays."""
    measured = {_same_reading(one) for one in readings}
    own_tries = bool(attempts)
    for fact in facts:
        match fact.value:
            case NotedSymptom(name=name, present=present):
                symptoms.setdefault(name, present)
            case Reading() as reading:
                made = reading.model_dump()
                if (same := _same_reading(made)) not in measured:
                    measured.add(same)
                    readings.append(made)
            case Attempt() as attempt:
                if not own_tries:
                    _take_attempt(attempts, attempt.model_dump(exclude_none=True))
            case value:
                single.setdefault(fact.kind, value)


def _take_attempt(attempts: list[dict[str, Any]], tried: dict[str, Any]) -> None:
    """Adds a try, or what it says of one that another cell names."""
    if tried["result"] == "not known yet":
        del tried["result"]
    earlier = next((one for one in attempts if _is_same_try(one, tried)), None)
    if earlier is None:
        attempts.append(tried)
    else:
        _join(earlier, tried)


def _is_same_try(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a part was found bad in one cell and worked on in another: "D31 short" and "D31 new"."""
    if one["part"] and other["part"] and one["part"] != other["part"]:
        return False
    if outcomes.ONLY_FOUND not in (one["action"], other["action"]) or not _is_same_class(one, other):
        return False
    if not (one["part"] and other["part"]) and one["part_class"] == "other":
        return False
    return not (one["failure"] and other["failure"] and one["failure"] != other["failure"])


# A word for a part that another word for it says more of: "Siebelko" in one cell, "Elko" in the next.
_WIDER = {
    "bulk capacitor": "electrolytic capacitor",
    "start-up resistor": "resistor",
    "current sense resistor": "resistor",
    "fusible resistor": "resistor",
    "power factor MOSFET": "MOSFET",
    "Schottky rectifier": "diode",
    "fast rectifier": "diode",
}


def _is_same_class(one: dict[str, Any], other: dict[str, Any]) -> bool:
    mine, theirs = one["part_class"], other["part_class"]
    if mine == theirs or mine == _WIDER.get(theirs) or theirs == _WIDER.get(mine):
        return True
    return bool(one["part"] and one["part"] == other["part"]) and "solder joint" in (mine, theirs)


def _join(one: dict[str, Any], other: dict[str, Any]) -> None:
    """Adds to a try what another cell says of the same part."""
    one["part"] = one["part"] or other["part"]
    one["failure"] = one["failure"] or other["failure"]
    if one["action"] == outcomes.ONLY_FOUND:
        one["action"] = other["action"]
    if one["section"] == "other":
        one["section"] = other["section"]
    for name in ("result", "cause"):
        if name not in one and name in other:
            one[name] = other[name]


def _same_reading(made: dict[str, Any]) -> tuple[object, ...]:
    where = rail_key(made.get("rail") or made.get("point") or "")
    return (where, made["quantity"], made.get("value"), made.get("min"), made.get("max"))
