"""A text cut into words, numbers with their units, designators and names of rails, and into clauses.

One regular expression without overlapping choices reads the text once from left to right, so the time is
in proportion to its length whatever is in it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from kb.facts.designators import is_designator
from kb.reading.function_words import BUT
from kb.reading.stems import fold

WORD, NUMBER, VOLTS, QUANTITY, RAIL, DESIGNATOR, CODE, SIGN = (
    "word",
    "number",
    "volts",
    "quantity",
    "rail",
    "designator",
    "code",
    "sign",
)

_NUM = r"[0-9]{1,7}(?:[.,][0-9]{1,4}(?![0-9]))?(?![.,]?[0-9])"
_RUN = re.compile(
    r"(?P<range>(?<![\w.,])[0-9]{1,4}(?:[.,][0-9]{1,3})?\s?[vV]?\s?(?:(?<!\s)(?:-|–|\.\.\.?)\s?|(?<=\s)(?:-|–|\.\.\.?)\s)"
    r"[0-9]{1,4}(?:[.,][0-9]{1,3})?(?![\w.,]?[0-9])(?![-./][0-9]))"
    rf"|(?P<number>(?:(?<![\w])[+\-−±~](?=[0-9.]))?{_NUM})"
    r"|(?P<letters>[^\W\d_]++(?:[̀-ͯ]++[^\W\d_]*+)*+)"
    r"|(?P<digits>[0-9]+)"
    r"|(?P<arrow>(?<!-)-+>|(?<!=)=+>|→|⇒)"
    r"|(?P<sign>[^\w\s])"
)
_PEAK_TO_PEAK = re.compile(r" ?(?:pk?-?pk?|peak(?: to |-to-)peak)(?![\w-])", re.IGNORECASE)
_SPACE_END = re.compile(r"\s|$")
# Units by their folded names: (SI unit, power of ten).
_UNITS: dict[str, tuple[str, float]] = {
    "v": ("V", 1), "volt": ("V", 1), "volts": ("V", 1), "vdc": ("V", 1), "voltios": ("V", 1), "mv": ("V", 1e-3),
    "vac": ("Vac", 1), "vpp": ("Vpp", 1), "mvpp": ("Vpp", 1e-3), "mvp": ("Vpp", 1e-3), "kv": ("V", 1e3),
    "vrms": ("Vac", 1),
    "a": ("A", 1), "ma": ("A", 1e-3), "amp": ("A", 1), "amps": ("A", 1), "ampere": ("A", 1), "ua": ("A", 1e-6),
    "ohm": ("ohm", 1), "ohms": ("ohm", 1), "ohmios": ("ohm", 1), "r": ("ohm", 1), "ω": ("ohm", 1),
    "mohm": ("ohm", 1e-3),
    "kohm": ("ohm", 1e3), "kω": ("ohm", 1e3), "megohm": ("ohm", 1e6), "mω": ("ohm", 1e-3), "k": ("ohm", 1e3),
    "meg": ("ohm", 1e6),
    "uf": ("F", 1e-6), "μf": ("F", 1e-6), "nf": ("F", 1e-9), "pf": ("F", 1e-12), "u": ("F", 1e-6), "n": ("F", 1e-9),
    "mf": ("F", 1e-3),
    "mfd": ("F", 1e-6), "µf": ("F", 1e-6), "p": ("F", 1e-12),
    "hz": ("Hz", 1), "khz": ("Hz", 1e3), "mhz": ("Hz", 1e6), "w": ("W", 1), "watt": ("W", 1), "va": ("W", 1),
    "c": ("degC", 1), "°c": ("degC", 1), "°": ("degC", 1), "grad": ("degC", 1), "%": ("%", 1), "mm": ("mm", 1),
    "cm": ("mm", 10),
    "kg": ("kg", 1), "g": ("kg", 1e-3), "x": ("times", 1), "mal": ("times", 1), "times": ("times", 1),
    "fois": ("times", 1), "keer": ("times", 1), "veces": ("times", 1), "volte": ("times", 1), "pcs": ("times", 1),
    "s": ("s", 1), "sec": ("s", 1), "secs": ("s", 1), "sek": ("s", 1), "ms": ("s", 1e-3), "seconds": ("s", 1),
    "second": ("s", 1), "sekunden": ("s", 1), "secondes": ("s", 1), "seconden": ("s", 1), "segundos": ("s", 1),
    "secondi": ("s", 1), "seg": ("s", 1), "sekunde": ("s", 1), "tellen": ("s", 1), "tel": ("s", 1),
    "min": ("min", 1), "mins": ("min", 1), "minute": ("min", 1), "minutes": ("min", 1), "minuten": ("min", 1),
    "mn": ("min", 1), "minutos": ("min", 1), "minuti": ("min", 1), "minuto": ("min", 1), "minuut": ("min", 1),
    "h": ("min", 60), "hr": ("min", 60), "hrs": ("min", 60), "hour": ("min", 60), "hours": ("min", 60),
    "std": ("min", 60),
    "stunde": ("min", 60), "stunden": ("min", 60), "heure": ("min", 60), "heures": ("min", 60), "uur": ("min", 60),
    "uren": ("min", 60),
    "hora": ("min", 60), "horas": ("min", 60), "ora": ("min", 60), "ore": ("min", 60),
    "day": ("day", 1), "days": ("day", 1), "tag": ("day", 1), "tage": ("day", 1), "tagen": ("day", 1),
    "jours": ("day", 1),
    "jour": ("day", 1), "dagen": ("day", 1), "dias": ("day", 1), "giorni": ("day", 1), "week": ("day", 7),
    "weeks": ("day", 7), "wochen": ("day", 7),
    "months": ("day", 30), "years": ("day", 365), "jahre": ("day", 365), "ans": ("day", 365), "jaar": ("day", 365),
    "anos": ("day", 365),
    "anni": ("day", 365), "mois": ("day", 30), "monate": ("day", 30), "maanden": ("day", 30), "meses": ("day", 30),
    "mesi": ("day", 30),
    "pm": ("clock", 1), "am": ("clock", 1), "uhr": ("clock", 1),
    "€": ("money", 1), "£": ("money", 1), "$": ("money", 1), "eur": ("money", 1), "euro": ("money", 1),
    "euros": ("money", 1),
    "quid": ("money", 1), "pounds": ("money", 1), "pound": ("money", 1), "bucks": ("money", 1),
    "dollars": ("money", 1),
    "chf": ("money", 1), "usd": ("money", 1), "gbp": ("money", 1), "kr": ("money", 1), "dkk": ("money", 1),
    "sek.": ("money", 1),
    "cent": ("money", 0.01), "cents": ("money", 0.01), "ct": ("money", 0.01), "fr": ("money", 1),
    "franken": ("money", 1),
}  # fmt: skip
_NEEDS_NO_SPACE = frozenset(("w", "r", "k", "u", "n", "p", "x", "meg", "c", "g", "mf"))
_WORDS_TOO = frozenset(("a", "am", "as"))  # units that are words too, unless glued or at an end
_LETTER_MARKS = {
    "v": ("V", 1.0), "r": ("ohm", 1.0), "k": ("ohm", 1e3), "n": ("F", 1e-9), "u": ("F", 1e-6), "p": ("F", 1e-12),
    "μ": ("F", 1e-6), "m": ("ohm", 1e6),
}  # fmt: skip
_STANDBY_TAIL = frozenset(("sb", "stb", "stby", "sby", "standby", "vsb", "vstb", "vstby"))
_HARD = frozenset(".!?;\n·|•")
# What goes on with a list of numbers ("keys 4, 5 and 6").
_LISTED = re.compile(
    r"\s{0,3}\d{1,2}\s{0,3}(?:,|&|\+|and\b|und\b|et\b|en\b|y\b|e\b)\s{0,3}\d{1,2}\b(?![.,]\d|\s{0,3}[a-zA-Z]?[vV]\b)"
)
_SOFT = frozenset(',:()[]{}/–—"“”„…')
LONGEST_WORD = 40
# Capital letters that stand before a supply's volts or a value.
_BEFORE_VOLTS = frozenset(
    ("VCC", "VDD", "DC", "AC", "SB", "STBY", "PSU", "OUT", "LED", "USB", "ESR", "TP", "ATX", "NT")
)


@dataclass(slots=True)
class Token:
    """A word or number at `start` to `end`. `value`, `low`, `high` and `unit` only where it is a number.

    `clause` numbers the pieces between commas, "but" and the like, `sentence` those between full stops.
    """

    kind: str
    folded: str
    start: int
    end: int
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    clause: int = 0
    sentence: int = 0
    glued: bool = False  # no space before it
    stopped: bool = False  # a full stop right behind it
    meant: str = ""  # the word that it is short for


def _number(text: str) -> float:
    return float(text.replace(",", ".").replace("−", "-").lstrip("±~+"))


class _Scan:
    """One pass over a text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pieces = list(_RUN.finditer(text))
        self.tokens: list[Token] = []

    def run(self) -> list[Token]:
        at = 0
        while at < len(self.pieces):
            at = self._one(at)
        return self.tokens

    def _add(self, kind: str, start: int, end: int, **more: object) -> None:
        glued = start > 0 and not self.text[start - 1].isspace()
        folded = fold(self.text[start : min(end, start + LONGEST_WORD)])
        self.tokens.append(Token(kind, folded, start, end, glued=glued, **more))  # type: ignore[arg-type]

    def _group(self, at: int) -> str:
        return str(self.pieces[at].lastgroup) if at < len(self.pieces) else ""

    def _touches(self, at: int) -> bool:
        """Whether piece `at` follows the one before it without a space."""
        return 0 < at < len(self.pieces) and self.pieces[at - 1].end() == self.pieces[at].start()

    def _one(self, at: int) -> int:
        piece, group = self.pieces[at], self._group(at)
        if group == "range":
            return self._range(at)
        if group == "number":
            return self._numeric(at)
        if group == "letters":
            return self._word(at)
        if group == "digits":
            end = at + 1
            while end < len(self.pieces) and self._touches(end) and self._group(end) in ("letters", "digits"):
                end += 1
            self._add(CODE, piece.start(), self.pieces[end - 1].end())
            return end
        self._add(SIGN, piece.start(), piece.end())
        return at + 1

    def _range(self, at: int) -> int:
        piece = self.pieces[at]
        found = re.findall(r"[0-9]+(?:[.,][0-9]+)?", piece.group())
        low, high = _number(found[0]), _number(found[1])
        unit, scale, end, used = self._unit(at)
        if not unit and "v" in piece.group().lower():
            unit = "V"
        low, high = min(low, high) * scale, max(low, high) * scale
        kind = VOLTS if unit == "V" else QUANTITY if unit else NUMBER
        self._add(kind, piece.start(), end, low=low, high=high, unit=unit)
        return at + 1 + used

    def _unit(self, at: int) -> tuple[str, float, int, int]:
        """(unit, scale, end, pieces used) of what follows number `at`; no unit is ("", 1, its end, 0)."""
        piece = self.pieces[at]
        nothing = ("", 1.0, piece.end(), 0)
        if at + 1 >= len(self.pieces):
            return nothing
        after = self.pieces[at + 1]
        gap = self.text[piece.end() : after.start()]
        if gap not in ("", " ", "\u00a0", "\u202f"):
            return nothing
        if after.lastgroup == "sign":
            degrees = after.group() == "°" and self._touches(at + 2)
            if degrees and fold(self.pieces[at + 2].group()) == "c":
                return ("degC", 1.0, self.pieces[at + 2].end(), 2)
            known = _UNITS.get(after.group())
            return (known[0], known[1], after.end(), 1) if known else nothing
        if after.lastgroup != "letters":
            return nothing
        raw = after.group()
        name = "μf" if raw in ("µF", "μF", "uF") else fold(raw)
        known = _UNITS.get(name)
        if known is None or (gap and (name in _NEEDS_NO_SPACE or name in _WORDS_TOO)):
            return nothing
        if raw == "M" and not gap:
            return ("ohm", 1e6, after.end(), 1)
        if name in ("mohm", "mω") and raw[0] == "M":
            known = ("ohm", 1e6)
        if self._goes_on(at + 2):
            return nothing
        if known[0] == "V" and (more := _PEAK_TO_PEAK.match(self.text, after.end())):
            used = next(n for n in range(1, 9) if self.pieces[at + n].end() == more.end())
            return ("Vpp", known[1], more.end(), used)
        return (known[0], known[1], after.end(), 1)

    def _numeric(self, at: int) -> int:
        piece = self.pieces[at]
        special = self._fraction(at) or self._marked(at) or self._hours(at) or self._standby(at)
        if special:
            return special
        if self._in_a_code(at):
            return self._code(at, at + 1)
        unit, scale, end, used = self._unit(at)
        value = _number(piece.group())
        if unit:
            self._add(VOLTS if unit == "V" else QUANTITY, piece.start(), end, value=value * scale, unit=unit)
            return at + 1 + used
        if self._goes_on(at + 1):
            return self._code(at, at + 1)
        if self.tokens and self.tokens[-1].folded in ("€", "£", "$"):
            self._add(QUANTITY, piece.start(), piece.end(), value=value, unit="money")
        else:
            self._add(NUMBER, piece.start(), piece.end(), value=value)
        return at + 1

    def _goes_on(self, at: int) -> bool:
        """Whether letters or digits at piece `at` follow the piece before without a space."""
        return self._touches(at) and self._group(at) in ("letters", "digits", "number")

    def _code(self, first: int, behind: int) -> int:
        """Adds a code of the pieces from `first` on, to `behind` and beyond while it goes on; returns where it ends."""
        while self._goes_on(behind):
            behind += 1
        self._add(CODE, self.pieces[first].start(), self.pieces[behind - 1].end())
        return behind

    def _in_a_code(self, at: int) -> bool:
        """ "TJ-20V": a number behind capital letters and a hyphen belongs to a board's number."""
        if at < 2 or not (self._touches(at) and self._touches(at - 1)):
            return False
        letters = self.pieces[at - 2].group()
        return (
            self.pieces[at - 1].group() == "-"
            and self._group(at - 2) == "letters"
            and 2 <= len(letters) <= 4
            and letters.isupper()
            and letters not in _BEFORE_VOLTS
            and not (at > 2 and self._touches(at - 2))
        )

    def _fraction(self, at: int) -> int:
        piece = self.pieces[at]
        if piece.group() != "1" or not (self._touches(at + 1) and self._touches(at + 2)):
            return 0
        if self.pieces[at + 1].group() != "/" or self.pieces[at + 2].group() != "2":
            return 0
        unit, scale, end, used = self._unit(at + 2)
        self._add(QUANTITY if unit else NUMBER, piece.start(), end, value=0.5 * scale, unit=unit)
        return at + 3 + used

    def _marked(self, at: int) -> int:
        """`3V3`, `0R22`, `4k7`: a letter in place of the decimal mark."""
        if not (self._touches(at + 1) and self._touches(at + 2)) or self._group(at + 1) != "letters":
            return 0
        whole, letter, part = (self.pieces[at + step].group() for step in (0, 1, 2))
        known = _LETTER_MARKS.get(letter.lower())
        if (
            known is None
            or not part.isdigit()
            or not whole.lstrip("+-").isdigit()
            or len(part) > 2
            or len(whole) > 4
        ):
            return 0
        if letter == "m":
            return 0
        end, used = self.pieces[at + 2].end(), 3
        unit, scale = known
        value = float(f"{whole}.{part}") * scale
        if self._touches(at + 3) and self._group(at + 3) == "letters":
            tail = fold(self.pieces[at + 3].group())
            if unit == "V" and tail in _STANDBY_TAIL:
                self._add(RAIL, self.pieces[at].start(), self.pieces[at + 3].end(), value=value)
                return at + 4
            if tail not in ("f", "ohm", "v"):
                return 0
            end, used = self.pieces[at + 3].end(), 4
        self._add(VOLTS if unit == "V" else QUANTITY, self.pieces[at].start(), end, value=value, unit=unit)
        return at + used

    def _hours(self, at: int) -> int:
        """`2h30`, `1 h 15`, `1h 15 min`."""
        unit, scale, _, used = self._unit_of_hours(at)
        if not unit:
            return 0
        last = at + used + 1
        if self._group(last) != "number" or not self.pieces[last].group().isdigit():
            return 0
        gap = self.text[self.pieces[last - 1].end() : self.pieces[last].start()]
        minutes = int(self.pieces[last].group())
        if gap not in ("", " ") or minutes > 59:
            return 0
        after, _, end, more = self._unit(last)
        if (after and after != "min") or (not after and gap and len(self.pieces[last].group()) != 2):
            return 0
        value = _number(self.pieces[at].group()) * scale + minutes
        self._add(QUANTITY, self.pieces[at].start(), end, value=value, unit="min")
        return last + 1 + more

    def _unit_of_hours(self, at: int) -> tuple[str, float, int, int]:
        after = self.pieces[at + 1] if at + 1 < len(self.pieces) else None
        if after is None or self.text[self.pieces[at].end() : after.start()] not in ("", " "):
            return ("", 1.0, 0, 0)
        known = _UNITS.get(fold(after.group()))
        if known is None or known != ("min", 60):
            return ("", 1.0, 0, 0)
        return ("min", 60.0, after.end(), 1)

    def _standby(self, at: int) -> int:
        """`5VSB`, `5V_STB`, `5 V standby`, `5 VSB`: volts with the word for standby behind them."""
        last, seen = at + 1, ""
        if self._group(last) != "letters":
            return 0
        gap = self.text[self.pieces[at].end() : self.pieces[last].start()]
        name = fold(self.pieces[last].group())
        if gap not in ("", " ") or not name.startswith("v"):
            return 0
        seen = name.removeprefix("volts").removeprefix("volt").removeprefix("v")
        if not seen:
            tail = self._tail(last + 1)
            if not tail or self._is_measured(at, last, tail):
                return 0
            last = tail
        elif seen not in _STANDBY_TAIL:
            return 0
        value = _number(self.pieces[at].group())
        self._add(RAIL, self.pieces[at].start(), self.pieces[last].end(), value=value)
        return last + 1

    def _is_measured(self, at: int, last: int, tail: int) -> bool:
        """ "5.02V stby": volts that are no supply's name were measured on it."""
        apart = self.pieces[tail].start() > self.pieces[last].end() and self._group(last + 1) == "letters"
        value = _number(self.pieces[at].group())
        return apart and value % 1 > 0 and value not in (1.8, 2.5, 3.3, 7.5, 13.8)  # in names of supplies

    def _tail(self, at: int) -> int:
        """The last piece of "_STB", "-SB", " standby", " stand-by" from piece `at`, or 0."""
        if self._group(at) == "sign" and self.pieces[at].group() in "_-":
            at += 1
        elif at < len(self.pieces) and "_" in self.text[self.pieces[at - 1].end() : self.pieces[at].start()]:
            pass
        if self._group(at) != "letters" or self.pieces[at].start() - self.pieces[at - 1].end() > 1:
            return 0
        name = fold(self.pieces[at].group())
        if name in _STANDBY_TAIL:
            return at
        if name == "stand":
            following = at + 2 if self._group(at + 1) == "sign" else at + 1
            if following < len(self.pieces) and fold(self.pieces[following].group()) == "by":
                return following
        return 0

    def _word(self, at: int) -> int:
        piece = self.pieces[at]
        raw = piece.group()
        # don't, won't: one word; d'image, l'opto: two.
        if self._group(at + 1) == "sign" and self.pieces[at + 1].group() in "'’" and self._touches(at + 1):
            if (
                self._touches(at + 2)
                and self.pieces[at + 2].group().lower() == "t"
                and raw[-1:].lower() == "n"
            ):
                self._add(WORD, piece.start(), self.pieces[at + 2].end())
                self.tokens[-1].folded = self.tokens[-1].folded.replace("'", "").replace("’", "")
                return at + 3
            self._add(WORD, piece.start(), piece.end())
            return at + 2
        if raw in ("B", "b") and self._touches(at + 1) and self.pieces[at + 1].group() == "+":
            after = self.pieces[at + 1].end()
            if _SPACE_END.match(self.text, after):
                self._add(RAIL, piece.start(), after)
                return at + 2
        joined = self._joined(at)
        if joined:
            return joined
        self._add(WORD, piece.start(), piece.end())
        return at + 1

    def _is_spaced_designator(self, at: int) -> bool:
        """Whether "C 9" with a space between is a designator and no word with a number."""
        raw, number = self.pieces[at].group(), self.pieces[at + 1]
        gap = self.text[self.pieces[at].end() : number.start()]
        short = raw.isupper() and len(raw) <= 3 and number.group().isdigit() and len(number.group()) <= 4
        return gap == " " and short and raw not in _NO_DESIGNATOR_ALONE and not self._unit(at + 1)[0]

    def _is_of_capacitor(self, at: int) -> bool:
        """Whether what stands around "X2" says that it is a capacitor's safety class: "X2 cap", "CX1 new (X2)"."""
        if self._is_in_brackets(at) and any(_names_capacitor(one) for one in self.tokens[-_NEAR:]):
            return True
        if self._group(at) == "sign" and self.pieces[at].group() == "-":
            at += 1
        behind_value = bool(self.tokens) and self.tokens[-1].unit == "F"  # "470n X2"
        return (
            behind_value
            or self._group(at) == "number"
            or (self._group(at) == "letters" and fold(self.pieces[at].group()).startswith(_OF_CAPACITORS))
        )

    def _is_in_brackets(self, at: int) -> bool:
        """Whether the two pieces before `at` stand in brackets alone."""
        start, end = self.pieces[at - 2].start(), self.pieces[at - 1].end()
        return self.text[:start].endswith("(") and self.text[end : end + 1] == ")"

    def _is_rating_of_fuse(self, raw: str, digits: str, end: int) -> bool:
        """ "T500mA", "T3.15A": how fast and for how much a fuse is, and no transformer T500."""
        if raw not in ("T", "F", "TT", "FF", "M") or not self._touches(end) or self._group(end) != "letters":
            return False
        unit = self.pieces[end].group()
        return unit in ("mA", "MA", "ma") or (unit in ("A", "a") and not digits.isdigit())

    def _joined(self, at: int) -> int:
        """`C9`, `CN3`, `C 9`, `Q901A`, and codes such as `HX-210`; 0 where it is a plain word."""
        raw = self.pieces[at].group()
        following = at + 1
        if self._group(following) not in ("number", "digits", "range"):
            return 0
        touching = self._touches(following)
        digits = self.pieces[following].group()
        if not touching and not self._is_spaced_designator(at):
            return 0
        end = following + 1
        text = raw + digits
        if (text.upper() in CAPACITOR_CLASSES and self._is_of_capacitor(end)) or raw in _NO_PARTS:
            if not touching:
                return 0
            self._add(CODE, self.pieces[at].start(), self.pieces[following].end())
            return end
        if self._is_rating_of_fuse(raw, digits, end):
            self._add(CODE, self.pieces[at].start(), self.pieces[end].end())
            return end + 1
        if digits.isdigit() and is_designator(text):
            tail = self._touches(end) and self._group(end) == "letters" and len(self.pieces[end].group()) == 1
            if tail:
                text, end = text + self.pieces[end].group(), end + 1
            self._add(DESIGNATOR, self.pieces[at].start(), self.pieces[end - 1].end())
            self.tokens[-1].folded = text.upper()
            return end
        if not touching:
            return 0
        if len(raw) == 1 and raw in "vV":
            return 0
        return self._code(at, end)


def tokens_of(text: str) -> list[Token]:
    """The tokens of `text` in order, signs between clauses left out, their clauses and sentences numbered."""
    found = _Scan(text).run()
    kept: list[Token] = []
    clause = sentence = 0
    end = 0
    for token in found:
        between = text[end : token.start]
        if "\n" in between or "\r" in between:
            clause, sentence = clause + 1, sentence + 1
        end = token.end
        if token.kind == WORD and token.folded in BUT and not _before_number(text, token):
            clause += 1
        if token.kind != SIGN:
            token.clause, token.sentence = clause, sentence
            kept.append(token)
            continue
        sign = text[token.start : token.end]
        if sign == "." and kept and kept[-1].end == token.start and kept[-1].kind == WORD:
            kept[-1].stopped = True
        if sign in _HARD:
            if sign != "." or _ends_sentence(text, token, kept):
                clause, sentence = clause + 1, sentence + 1
        elif (
            (sign in _SOFT and (sign != "/" or _apart(text, token)) and not _in_a_list(text, token, kept))
            or (len(sign) > 1)
            or (
                sign == "-"
                and text[token.start - 1 : token.start].isspace()
                and text[token.end : token.end + 1].isspace()
            )
        ):
            clause += 1
        if sign in ("+", "&", "=", "~", "≈", "-", "/", ",", "(", ")", ":") or len(sign) > 1:
            token.clause, token.sentence = clause, sentence
            kept.append(token)
    return kept


def _in_a_list(text: str, sign: Token, kept: list[Token]) -> bool:
    """Whether a comma stands between bare numbers: "keys 4, 5 and 6"."""
    if text[sign.start : sign.end] != "," or not kept or kept[-1].kind != NUMBER:
        return False
    return _LISTED.match(text, sign.end) is not None


def _apart(text: str, sign: Token) -> bool:
    """Whether a space stands on a side of a sign."""
    return text[sign.start - 1 : sign.start].isspace() or text[sign.end : sign.end + 1].isspace()


def _before_number(text: str, token: Token) -> bool:
    """Whether a number follows: "12V maar 9 V" is "only 9 V"."""
    return text[token.end : token.end + 2].strip()[:1].isdigit()


def _names_capacitor(token: Token) -> bool:
    word = token.folded
    return word.startswith(_OF_CAPACITORS[:3]) or (token.kind == DESIGNATOR and word.startswith("C"))


# Safety classes of capacitors, and small letters that nobody writes for a part ("b4").
_OF_CAPACITORS = (
    "cap",
    "kond",
    "cond",
    "klas",
    "class",
    "safe",
    "entst",
    "typ",
    "mkp",
    "foil",
    "foli",
    "film",
    "rated",
    "supp",
)
CAPACITOR_CLASSES = frozenset(("X1", "X2", "Y1", "Y2"))
_NEAR = 8
_NO_PARTS = frozenset(("b", "a", "e", "h", "m", "p", "s", "v"))
# Letters that are words or units where a number follows behind a space.
_NO_DESIGNATOR_ALONE = frozenset(
    (
        "V",
        "A",
        "F",
        "E",
        "I",
        "H",
        "W",
        "M",
        "P",
        "S",
        "X",
        "OK",
        "PC",
        "PS",
        "PFC",
        "LED",
        "LCD",
        "FAN",
        "FET",
    )
)
_SHORT_FORMS = frozenset(
    ("fernbed", "batt", "def", "rempl", "ca", "approx", "incl", "inkl", "bzw", "zb", "z", "b", "o", "ok", "nr", "no",
     "resp", "evtl", "ev",
     "vs", "etc", "max", "min", "ers", "gem", "ausg", "verm", "condens", "cond", "elektr", "defekt", "spg",
     "vermutl", "i", "v", "u", "m", "w", "zw", "ca", "geg", "inkl", "excl", "mind")
)  # fmt: skip


def _ends_sentence(text: str, stop: Token, kept: list[Token]) -> bool:
    """A full stop ends a sentence unless it belongs to a short form or stands inside a word or number."""
    after = text[stop.end : stop.end + 1]
    if after in (",", ")", ":", "+", "&", "/", "-"):
        return False
    if after and not after.isspace():
        # "i.O.", "n.i.O.": letters with stops between them are one short form.
        single = bool(kept) and kept[-1].end == stop.start and kept[-1].end - kept[-1].start == 1
        if single and kept[-1].kind == WORD and not text[stop.end + 1 : stop.end + 2].isalnum():
            return False
        return after.isupper() or not after.isalnum()
    if kept and kept[-1].end == stop.start and kept[-1].kind == WORD:
        following = text[stop.end : stop.end + 2].strip()
        if kept[-1].folded in ("max", "min", "no", "nr") and following[:1].isdigit():
            return False  # "max. 310"
        short = kept[-1].folded in _SHORT_FORMS - {"ok", "no", "min", "max", "defekt"}
        return not (short and following[:1] and not following[:1].isupper())
    return True
