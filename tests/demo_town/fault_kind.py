"""What a kind of fault is, and the short notation it is written in.

A kind of fault is written once and used by many families, each with its own part number, value and
weight. The notation keeps the tables readable at the bench; it is parsed and checked once at import.

- symptoms: `name 70/10` is present on 70 % of boards, and on 10 % of the others noted as *not present*.
  `@missing` and `@unsteady` stand for the family's own words.
- rails: `who@supply/load how low-high ~chance`, the first rule that fits wins. `who` is a rail role,
  `$` (the rail of this fault), `switched` (rails that come with the enable line), `outputs` (all that
  leave the board). `how` is absent, low, pulsing, high or ok; the numbers are percent of nominal.
- checks: `quantity@point low-high chance`; the point is the part itself unless named, `$` is the rail.
  `farad%` and `ohm%` are percent of the part's own value.
- guesses: `kind 10` is what was tried first, in vain, on 10 % of boards.

Values are common practice of the trade, no published source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from kb.facts import parts, symptoms, vocabulary

CONDITIONS = ("absent", "low", "pulsing", "high", "ok")
DOWN = ("", "mains", "standby", "main")
SYMPTOM_NAMES = frozenset(symptom.name for symptom in symptoms.SYMPTOMS)
PART_NAMES = frozenset(part.name for part in parts.PART_CLASSES)
SECTION_NAMES = frozenset(vocabulary.values(vocabulary.SECTIONS)) | {"$"}
QUANTITY_NAMES = frozenset(vocabulary.values(vocabulary.QUANTITIES)) | {"farad%", "ohm%"}

_SYMPTOM = re.compile(r"^(.+?) (\d+)(?:/(\d+))?$")
_RULE = re.compile(
    r"^(.+?)(?:@(standby|running))?(?:/(none|test load|in the set))? "
    r"(absent|low|pulsing|high|ok)(?: (\d+)-(\d+))?(?: ~(\d+))?$"
)
_CHECK = re.compile(r"^([a-z_]+%?)(?:@(.+?))? ([\d.e-]+?)-([\d.]+(?:e\d+)?) (\d+)$")
_GUESS = re.compile(r"^(.+?) (\d+)$")


@dataclass(frozen=True, slots=True)
class Rule:
    """How a rail reads under a fault; numbers are fractions of nominal."""

    who: str
    supply: str | None
    load: str | None
    how: str
    low: float
    high: float
    chance: float


@dataclass(frozen=True, slots=True)
class Check:
    """A reading on the board that shows the fault, in SI units or (with `%`) fractions of the value."""

    quantity: str
    point: str | None
    low: float
    high: float
    chance: float


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault; `returns`, `scrap` are chances in percent, `down` what it takes with it."""

    key: str
    part_class: str
    section: str
    failure: str
    symptoms: str
    rails: str = ""
    checks: str = ""
    guesses: str = ""
    action: str = "replace"
    down: str = ""
    returns: float = 4.0
    scrap: float = 4.5
    cost: tuple[float, float] = (0.5, 3.0)
    minutes: tuple[int, int] = (20, 45)
    season: str = ""
    notes: tuple[str, ...] = ()
    symptom_list: tuple[tuple[str, float, float], ...] = field(init=False)
    rule_list: tuple[Rule, ...] = field(init=False)
    check_list: tuple[Check, ...] = field(init=False)
    guess_list: tuple[tuple[str, float], ...] = field(init=False)

    def __post_init__(self) -> None:
        known = (
            self.part_class in PART_NAMES,
            self.section in SECTION_NAMES,
            self.down in DOWN,
            self.failure in vocabulary.FAILURE_MODES,
            self.action in vocabulary.ACTIONS,
        )
        if not all(known):
            raise ValueError(f"fault kind {self.key!r} uses a word that is on no list: {known}")
        object.__setattr__(self, "symptom_list", tuple(_symptom(text) for text in _split(self.symptoms)))
        object.__setattr__(self, "rule_list", tuple(_rule(text) for text in _split(self.rails)))
        object.__setattr__(self, "check_list", tuple(_check(text) for text in _split(self.checks)))
        object.__setattr__(self, "guess_list", tuple(_guess(text) for text in _split(self.guesses)))


def _split(text: str) -> list[str]:
    return [piece.strip() for piece in text.split(",") if piece.strip()]


def _match(pattern: re.Pattern[str], text: str) -> re.Match[str]:
    found = pattern.match(text)
    if not found:
        raise ValueError(f"cannot read {text!r} in a fault kind")
    return found


def _symptom(text: str) -> tuple[str, float, float]:
    name, present, absent = _match(_SYMPTOM, text).groups()
    if not name.startswith("@") and name not in SYMPTOM_NAMES:
        raise ValueError(f"{name!r} is not on the symptom list")
    return name, int(present) / 100, int(absent or 0) / 100


def _rule(text: str) -> Rule:
    who, supply, load, how, low, high, chance = _match(_RULE, text).groups()
    if how in ("low", "pulsing", "high") and low is None:
        raise ValueError(f"{text!r} needs its range in percent")
    return Rule(who, supply, load, how, int(low or 0) / 100, int(high or 0) / 100, int(chance or 100) / 100)


def _check(text: str) -> Check:
    quantity, point, low, high, chance = _match(_CHECK, text).groups()
    if quantity not in QUANTITY_NAMES:
        raise ValueError(f"{quantity!r} is not a quantity")
    scale = 100 if quantity.endswith("%") else 1
    return Check(quantity, point, float(low) / scale, float(high) / scale, int(chance) / 100)


def _guess(text: str) -> tuple[str, float]:
    key, chance = _match(_GUESS, text).groups()
    return key, int(chance) / 100
