"""What came of a row's fixes, by the words of its outcome column: "läuft", "hum gone", "24.2, fixed", "no change".

The words are read as if they stood behind a fix. What nothing can read is asked, as words of a verdict are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from kb.facts.designators import rail_key
from kb.facts.rail_names import obvious_rail
from kb.facts.sheet_words import OURS, folded, is_ditto
from kb.facts.written_numbers import leading_number
from kb.model import Attempt
from kb.reading import Known, Read, read
from kb.service.sheets import decisions
from kb.service.sheets.rail_heading import any_rail_heading
from kb.service.sheets.state import Sheet

BEHIND = "C9 replaced. "
"""Stands before the words while they are read, so that they tell what came of a fix."""
FIXES = ("work", "part", "part_class", "failure", "action")
"""Columns that name what was tried."""
_LONGEST = 300
_PLAIN = Known()
_NEAR_NOMINAL = 0.1  # as the bench takes a rail without a stated tolerance
_USUAL_NEAR = 0.05
_SAME = 0.02  # of what was measured before
# Volts that supplies of boards usually have, and rectified mains; common practice, no published source.
_USUAL_V = (3.3, 5.0, 12.0, 15.0, 24.0, 48.0)
_BULK_V = (280.0, 420.0)


@dataclass(frozen=True, slots=True)
class Outcome:
    """`result` of the fixes and `verdict` of the board, "" where the words say none.

    `tells`: the words tell of a fix themselves.
    """

    result: str = ""
    verdict: str = ""
    tells: bool = False

    @property
    def ends(self) -> bool:
        """Whether the words say how it ended, and tell of no fix."""
        return not self.tells and bool(self.result or self.verdict)

    @property
    def is_over(self) -> bool:
        """Whether nothing is left to do with the board."""
        return bool(self.verdict) or self.result == "cured"

    @property
    def words(self) -> str:
        """What is read, for people."""
        found = dict.fromkeys(one for one in (self.result, self.verdict) if one)
        return ", ".join(found) or "what was done"


@dataclass(frozen=True, slots=True)
class RailOfRow:
    """A supply that a row names; `nominal_v` in volts, `measured_v` as the row has it, None where it has none."""

    name: str
    nominal_v: float
    measured_v: float | None = None


@lru_cache(maxsize=20_000)
def outcome_of(text: str) -> Outcome:
    """What the words of an outcome cell say of the fixes before it. The same words are read once."""
    if len(text) > _LONGEST or not text.strip():
        return Outcome()
    alone = read(text, _PLAIN)
    verdict = alone.verdict.value if alone.verdict else ""
    if any(attempt.action or attempt.failure for attempt in alone.attempts):
        return Outcome(verdict=verdict, tells=True)
    if _UNREPAIRED.search(text):
        verdict = "declined"
    if verdict and verdict != "repaired":
        return Outcome(verdict=verdict)
    if not verdict and any(folded(piece) in _MENDED for piece in re.split(r"[,;:.]", text)):
        verdict = "repaired"
    result = _result(text, alone) or ("cured" if verdict else "")
    return Outcome(
        result, verdict if result == "cured" else ""
    )  # "fixed, but back after a day" is not mended


# Words that say of the board, and not only of a fix, that it is mended.
_MENDED = frozenset(
    ("fixed", "repaired", "mended", "repariert", "instandgesetzt", "behoben", "gerepareerd", "opgelost", "repare",
     "reparee", "resolu", "reparado", "reparada", "arreglado", "riparato", "riparata")
)  # fmt: skip


def is_read(sheet: Sheet, text: str) -> bool:
    """Whether a cell of the outcome column is read; words of the list and what somebody decided are not."""
    answer = sheet.answers.get(decisions.word_key("verdict", text))
    if answer is not None:
        return answer == decisions.READ
    return can_be_read(sheet, text)


def can_be_read(sheet: Sheet, text: str) -> bool:
    """Whether words that no list has say what came of a row.

    A result says nothing where no column tells of a fix.
    """
    if folded(text) in OURS["verdict"]:
        return False
    if refers_above(text):
        return True
    said = outcome_of(text)
    return said.tells or bool(said.verdict) or (bool(said.result) and sheet.maps(*FIXES))


def refers_above(text: str) -> bool:
    """ "wie oben", "dto.": the outcome is that of the row above; "same" says that a fix changed nothing."""
    return is_ditto(text) and not outcome_of(text).result


# Words that say that a fault is over, behind the name of the fault.
_GONE = re.compile(
    r"(?P<what>.{2,40}?)(?<![ ,:-])[ ,:-]+(?![ ,:-])(?:ist |is |all |jetzt |now |ganz |nun |nu |est |completely )?"
    r"(?:gone|stopped|ceased|weg|fort|verschwunden|vorbei|verdwenen|over|parti|partie|disparu|disparue|sparito|sparita|desaparecido)"
    r"[ .!]*",
    re.IGNORECASE,
)
_STOPPED = re.compile(r"(?:stopped|ceased|quit) (?P<what>.{2,40})", re.IGNORECASE)
_STILL = re.compile(
    r"\b(?:immer noch|nog steeds|nog altijd|still|noch|nog|encore|toujours|ancora|todav[ií]a|a[uú]n|sigue)\b",
    re.IGNORECASE,
)
_GOES_ON = re.compile(r"[,;:.](?= )|\b(?:but|aber|mais|maar|pero|ma)\b", re.IGNORECASE)
_LESS = re.compile(
    r"\b(?:less|fewer|lower|reduced|fainter|slight\w*|some|bit|weniger|geringer|schwächer|leichte?[rsmn]?|nur noch|"
    r"leiser|quieter|stiller|seltener|partly|teilweise|deels|fast|nearly|almost|bijna|presque|casi|quasi|moins|minder|menos|"
    r"meno|beetje|un peu|un poco|un po)\b",
    re.IGNORECASE,
)
# "still some hum": how much of it is there, and not that it is less.
_STILL_SOME = re.compile(
    r"\b(?:still|(?<!nur )noch|nog|encore|toujours|ancora|todav[ií]a|a[uú]n) "
    r"(?:immer |steeds |altijd )?(?:some|a bit|a little|slight\w*|etwas|een beetje|wat|un peu|un poco|un po)\b",
    re.IGNORECASE,
)
# "FI bleibt drin": what had tripped stays as it should be.
_HOLDS = re.compile(r"\b(?:bleibt|bleiben|blijft|blijven) (?:drin|drinnen|in|an|aan|oben)\b", re.IGNORECASE)
# "back after 2 days", "nach 1 Tag wieder aus".
_PERIOD = re.compile(
    r"\bnext (?:day|week|month)\b|\bn[aä]chsten tag\b"
    r"|\b(?:after|nach|na|apr[eè]s|within|in) (?:\d{1,3}|an?|one|ein\w{0,2}|een|une?) ?"
    r"(?:min|h\b|hour|day|week|month|std|stunde|tag|woche|monat|uur|dag|weken|maand|heure|jour|semaine|mois)",
    re.IGNORECASE,
)
_AGAIN = re.compile(
    r"\b(?:back|again|failed|dead|returned|wieder (?:da|aus|tot|defekt|kaputt)|zur[uü]ck|terug|weer|stuk|revenue?|"
    r"retour)\b",
    re.IGNORECASE,
)
_WELL = frozenset(("ok", "okay", "o k", "gut", "good", "fine", "goed", "bien", "bon", "bonne", "i o", "io"))
_NOT_WELL = frozenset(
    (
        "not",
        "no",
        "nicht",
        "kein",
        "keine",
        "pas",
        "niet",
        "geen",
        "sin",
        "non",
        "nur",
        "only",
        "else",
        "sonst",
    )
)
_FEW_WORDS = 5
_UNREPAIRED = re.compile(r"\b(?:unrepaired|unrepariert|ongerepareerd|non r[eé]par[eé]e?)\b", re.IGNORECASE)
# Of a job that is not over nothing came yet.
_UNDER_WAY = re.compile(
    r"\b(?:quoted?|angebot|kva|offerte|devis|bestellt|ordered|besteld|command[eé]e?s?|(?:ersatz)?teile?n?|onderdelen|"
    r"onderdeel|pi[eè]ces?|parts?|hold|wait\w*|wartet|warten|wacht\w*|attente|arbeit|ruft|anruf|calls?|called|ask|fragt|"
    r"r[uü]ckfrage|tel|folgt|shelf|rack|regal|lager|test l[aä]uft|im test|(?:in|on) test|to be)\b",
    re.IGNORECASE,
)
# The device's way says nothing of the fix: it also goes back as it came.
_ON_ITS_WAY = re.compile(
    r"(?:it |device |ger[aä]t |ist |ging |geht |went |gone |sent |is |wird )?"
    r"(?:zur[uü]ck|back|returned|retour|terug|an|to|aan|bei|chez|with)"
    r"(?: (?:an|to|with|zum|zur|bei|naar|aan|au|chez|the|den|der|de))*(?: [^\s\d,;:.]+){0,2}",
    re.IGNORECASE,
)


def _result(text: str, alone: Read) -> str:
    """What the words say of a fix, "" for nothing: what the reader makes of them behind one, and what few words mean
    in a column of their own, where they name a fault and what became of it.
    """
    values = _bare_values(text, alone)
    words = _without(text, values) if values else text
    if values and _is_value_alone(words):
        return "cured" if all(_is_usual(volts, has_unit=unit) for _, _, volts, unit in values) else ""
    if _PERIOD.search(words) and _AGAIN.search(words):
        return "no change"
    if "?" in words or _UNDER_WAY.search(words) or _ON_ITS_WAY.fullmatch(words.strip(" .,;")):
        return ""
    found = _behind(words)
    if found == "cured" and (off := _supply_off(words)):
        return off
    faults = any(symptom.present for symptom in alone.symptoms)
    if faults and found != "cured" and _STILL_SOME.search(words):
        return "no change"
    if found == "improved" or (
        _LESS.search(words) and (faults or found == "cured" or _GONE.fullmatch(words))
    ):
        return "improved"
    if _HOLDS.search(words):
        return "cured"
    if gone := _GONE.fullmatch(words) or _STOPPED.fullmatch(words):
        if _names_fault(gone["what"]):
            return "cured"
    elif _STILL.search(words):
        rest = " ".join(_STILL.sub(" ", words).split())
        if rest and _names_fault(rest):
            return "no change"
        if rest and _behind(rest) == "cured":
            return "cured"  # "still works"
    if faults and not found:
        return "no change"
    if faults and found == "cured" and _GOES_ON.search(words):
        return "improved"  # "picture ok, no sound"
    return found or ("cured" if _all_well(words) else "")


def _all_well(words: str) -> bool:
    """ "keys ok", "Ton links gut": a few words of which the last is a good one."""
    told = folded(words).split()
    well = bool(_WELL & {" ".join(told[-1:]), " ".join(told[-2:])})
    return well and 1 < len(told) <= _FEW_WORDS and not _NOT_WELL.intersection(told)


def _behind(words: str) -> str:
    return next((one.result for one in read(BEHIND + words, _PLAIN).attempts if one.result), "")


def _supply_off(words: str) -> str:
    """What a supply that is not as it should be says beside good words: "5 V ok, 12 V 0", "12V 9.4"; "" for none."""
    off = near = 0
    for one in read(BEHIND + words, _PLAIN).readings:
        named = obvious_rail(one.rail) if one.rail and one.quantity == "dc_v" else None
        nominal = (
            named.nominal_v
            if named and named.nominal_v
            else _STANDBY_V
            if named and named.always_on
            else None
        )
        value = one.value if one.value is not None else one.max
        if nominal and value is not None:
            is_near = abs(value - nominal) <= _NEAR_NOMINAL * abs(nominal)
            near, off = near + is_near, off + (not is_near)
    if not off:
        return ""
    return "improved" if near or _WELL.intersection(folded(words).split()) else "no change"


def _names_fault(words: str) -> bool:
    """Whether words are the name of something that is wrong."""
    return any(symptom.present for symptom in read(words, _PLAIN).symptoms) or folded(words) in _FAULTS


# Names of faults that are no symptom alone; common practice, no published source.
_FAULTS = frozenset(
    ("noise", "smell", "tick", "ticking", "click", "clicking", "flicker", "error", "fault", "code", "short", "rauschen",
     "geruch", "ticken", "klicken", "klackern", "flackern", "fehler", "storung", "kurzschluss", "schluss", "gerausch",
     "knistern", "storing", "fout", "geluid", "bijgeluid", "geur", "tik", "kraken", "kortsluiting", "bruit", "odeur",
     "defaut", "panne", "erreur", "code erreur", "ruido", "olor", "error", "rumore", "odore", "errore", "dead", "tot",
     "dood", "mort", "muerto", "morto", "dark", "dunkel", "donker", "sombre", "faint", "dim", "matt")
)  # fmt: skip

_DAY = re.compile(r"(?:[012]?[0-9]|3[01])\.(?:0?[1-9]|1[012])")
_VALUE = re.compile(
    r"(?<![\w.,:/+-])\+?(?P<number>[0-9]{1,3}(?:[.,][0-9]{1,2})?)(?P<unit> ?(?:V|Vdc|volts?))?(?![\w:/%°-]|[.,][0-9])"
    r"(?! ?(?:h|hrs?|hours?|std|stunden|min|mins|minuten|uur|uren|days?|tage?|dagen|jours?|mV|A|mA|W|ohms?|Ω|€|eur|"
    r"kHz|Hz)\b)",
    re.IGNORECASE,
)


_BESIDE_VALUES = re.compile(
    r"\b(?:ok|okay|good|gut|goed|bien|bon|fine|steady|stable|stabil|stabiel|stable|back|again|wieder|weer|da|there|present|"
    r"now|jetzt|nu|on|out|at|under|unter|load|last|onder|belasting|en|sous|charge|and|und|et|volt|volts|dc)\b",
    re.IGNORECASE,
)


def _is_value_alone(words: str) -> bool:
    """Whether words beside a value say no more than the value."""
    return re.search(r"[^\W\d_]{2,}", _BESIDE_VALUES.sub(" ", words)) is None


@lru_cache(maxsize=20_000)
def _values_in(text: str) -> tuple[tuple[int, int, float, bool], ...]:
    return tuple(_bare_values(text, read(text, _PLAIN)))


def _bare_values(text: str, alone: Read) -> list[tuple[int, int, float, bool]]:
    """(start, end, volts, whether the unit stands beside it) of values that no supply's name belongs to."""
    taken = [(one.start, one.end) for one in alone.readings if one.rail or one.point]
    found = []
    for value in _VALUE.finditer(text):
        if any(start < value.end() and value.start() < end for start, end in taken):
            continue
        decimals = re.search(r"[.,]", value["number"])
        if not decimals and not (value["unit"] and value[0].strip() == text.strip()):
            continue  # "12" alone may count anything, and "12 V ok" names a supply
        if text[value.end() :].startswith(".") and _DAY.fullmatch(value["number"]):
            continue  # "12.03."
        found.append(
            (value.start(), value.end(), float(value["number"].replace(",", ".")), bool(value["unit"]))
        )
    return found


def _without(text: str, values: Iterable[tuple[int, int, float, bool]]) -> str:
    for start, end, _, _ in values:
        text = text[:start] + " " * (end - start) + text[end:]
    return " ".join(text.split()).strip(" ,;:")


def _is_usual(volts: float, *, has_unit: bool) -> bool:
    if has_unit and _BULK_V[0] <= volts <= _BULK_V[1]:
        return True
    return any(abs(volts - usual) <= _USUAL_NEAR * usual for usual in _USUAL_V)


def meant(text: str, rails: Sequence[RailOfRow]) -> str:
    """The words with the supply named before each value alone that is near the volts of just one of `rails`.

    "" for a value alone that says nothing of the fixes: the row has it already, or it is of no supply of the row, one
    of which is off.
    """
    values = _values_in(text) if rails else ()
    if values and _is_value_alone(_without(text, values)):
        if all(any(_is_as_before(volts, one) for one in rails) for _, _, volts, _ in values):
            return ""
        of_no_supply = not any(_is_near(volts, one) for _, _, volts, _ in values for one in rails)
        if of_no_supply and any(
            one.measured_v is not None and not _is_near(one.measured_v, one) for one in rails
        ):
            return ""
    for start, end, volts, _ in reversed(values):
        near = [one for one in rails if _is_near(volts, one)]
        if len(near) == 1 and not _is_as_before(volts, near[0]):
            number = re.search(r"[0-9.,]+", text[start:end])
            rest = _STANDBY_BEHIND.sub("", text[end:]) if near[0].name == _STANDBY else text[end:]
            text = f"{text[:start]}{near[0].name} {number[0] if number else volts} V{rest}"
    return text


def _is_as_before(volts: float, rail: RailOfRow) -> bool:
    return rail.measured_v is not None and abs(volts - rail.measured_v) <= _SAME * abs(volts)


def _is_near(volts: float, rail: RailOfRow) -> bool:
    return abs(volts - rail.nominal_v) <= _NEAR_NOMINAL * abs(rail.nominal_v)


_VOLTS_NAMED = re.compile(
    r"(?<![\w.,])([+-]?[0-9]{1,2}(?:[.,][0-9])?) ?V(?![\w])|\b(stand-?by|stby|5 ?vsb)\b", re.IGNORECASE
)
_STANDBY_V = 5.0  # of a standby supply that is named without its volts; common practice


class RailsOfRows:
    """Which supplies the rows of a sheet name: by its columns of volts, else by what their words say is wrong."""

    def __init__(self, sheet: Sheet) -> None:
        self._columns: list[tuple[int, str, float]] = []
        for place, key, _ in sheet.columns_of("rail"):
            heading = any_rail_heading(sheet.heading(key))
            named = obvious_rail(heading.rail) if heading.quantity == "dc_v" else None
            if named and (nominal_v := named.nominal_v or (_STANDBY_V if named.always_on else None)):
                name = _STANDBY if named.always_on and nominal_v == _STANDBY_V else heading.rail
                self._columns.append((place, name, nominal_v))

    def of(self, cells: Sequence[str], texts: Iterable[str]) -> list[RailOfRow]:
        """The supplies that one row names, each once."""
        found: dict[str, RailOfRow] = {}
        for place, name, nominal_v in self._columns:
            if place < len(cells) and (cell := cells[place].strip()):
                found.setdefault(rail_key(name), RailOfRow(name, nominal_v, _measured(cell)))
        if found:
            return list(found.values())
        for text in texts:
            for words in _VOLTS_NAMED.finditer(text[:_LONGEST]):
                name = f"{words[1].lstrip('+')}V" if words[1] else _STANDBY
                if named := obvious_rail(name):
                    found.setdefault(rail_key(name), RailOfRow(name, named.nominal_v or _STANDBY_V))
        return list(found.values())


def _measured(cell: str) -> float | None:
    split = leading_number(cell)
    number = split[0].replace(",", ".") if split else ""
    return float(number) if re.fullmatch(r"[+-]?[0-9]+(?:\.[0-9]+)?", number) else None


_STANDBY = "5VSB"
_STANDBY_BEHIND = re.compile(r"^ ?(?:on |auf |at |op )?(?:stand-?by|stby|5?vsb|sb)\b", re.IGNORECASE)


_MADE_FAST = ("solder joint", "cable", "connector", "circuit board", "heat sink or pad")
ONLY_FOUND = "found"


def with_result(attempt: Attempt, result: str) -> Attempt:
    """A try with what came of it; what was found bad and is mended was replaced, but for what is only made fast."""
    changed = {"result": result}
    if (
        result == "cured"
        and attempt.failure
        and attempt.action == ONLY_FOUND
        and attempt.part_class not in _MADE_FAST
    ):
        changed["action"] = "replace"
    return attempt.model_copy(update=changed)
