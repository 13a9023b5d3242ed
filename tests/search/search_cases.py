"""Cases made from word lists with a fixed seed, for tests and the benchmark. An invented world."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import ACTIONS, BOARD_KINDS, FAILURE_MODES, SECTIONS, VERDICTS
from kb.search import CaseDocument

_PLACES = (
    "ferry terminal",
    "galley oven",
    "ticket machine",
    "pier kiosk",
    "lounge display",
    "bridge deck",
    "harbour café",
)
_TALK = (
    "skipper says it went off during the night crossing",
    "came in with the set, cover already open",
    "worked fine on the bench for an hour then stopped",
    "dust and salt crust all over the board",
    "measured again after warming up with a hair dryer",
    "replaced twice last year by somebody else",
    "ripple much better afterwards, soak test passed",
    "cleaned the contacts and resoldered the connector",
    "gemessen im Leerlauf, Spannung zu niedrig",
    "customer wants it back before the weekend sailing",
)
_VALUES = ("470uF/25V", "1000 µF 16 V", "4k7", "4.7k", "10R", "3.3V", "5VSB", "12 V", "T3.15A", "0.47 Ω")
_RARE = "bcdfghklmnprstvw"


def _word(rng: random.Random, vocabulary: int) -> str:
    """A made-up word; low numbers come far more often, as in real text."""
    number = int(vocabulary ** rng.random())
    letters = []
    while True:
        number, rest = divmod(number, len(_RARE))
        letters.append(_RARE[rest] + "aeiou"[(rest + number) % 5])
        if not number:
            return "".join(letters) + "n"


def generated_cases(count: int, seed: int = 1) -> Iterator[CaseDocument]:
    """`count` cases, the same for the same seed."""
    rng = random.Random(seed)
    families = [
        f"{a}{b}-{number}" for a in "HKLMT" for b in "XTPR" for number in (110, 210, 300, 55, 77, 820)
    ]
    for number in range(count):
        family = families[int(len(families) * rng.random() ** 2)]
        symptoms = rng.sample(SYMPTOMS, rng.randint(1, 3))
        said = rng.choice((symptoms[0].name, *symptoms[0].synonyms))
        fixes = rng.randint(1, 2)
        classes = [rng.choice(PART_CLASSES) for _ in range(fixes)]
        parts = tuple(f"{(part.letters or ('C',))[0]}{rng.randint(1, 999)}" for part in classes)
        rare = " ".join(_word(rng, 20_000) for _ in range(8))
        yield CaseDocument(
            uid=f"{seed}-{number:07d}",
            family=family,
            aliases=(f"{family.replace('-', '')}-R{rng.randint(1, 3)}", f"LP-{family[-2:]} display"),
            kind=rng.choice(BOARD_KINDS),
            complaint=f"{rng.choice(_PLACES)}: {said}, {rng.choice(_TALK)}",
            symptoms=tuple(symptom.name for symptom in symptoms),
            absent=(rng.choice(SYMPTOMS).name,),
            notes=f"{rng.choice(_TALK)}, {parts[0]} {rng.choice(_VALUES)}, {rare}",
            parts=parts,
            part_classes=tuple(part.name for part in classes),
            sections=tuple(rng.choice(SECTIONS).value for _ in range(fixes)),
            fixes=tuple(f"{rng.choice(FAILURE_MODES)} {rng.choice(ACTIONS)}" for _ in range(fixes)),
            verdict=rng.choice(VERDICTS).value if rng.random() < 0.95 else "",
            year=rng.randint(2016, 2026),
            cured=rng.random() < 0.7,
            verified=rng.random() < 0.3,
            day=date(2016, 1, 1).toordinal() + rng.randint(0, 3_900),
        )


def generated_queries(count: int, seed: int = 2) -> list[str]:
    """Queries of 1 to 5 words as people type them, over the words that the cases use."""
    rng = random.Random(seed)
    queries = []
    for _ in range(count):
        symptom = rng.choice(SYMPTOMS)
        said = rng.choice((symptom.name, *symptom.synonyms))
        words = said.split()[:3]
        words += rng.sample(
            ["relay", "C9", "HX-210", "capacitor", "mosfet", "5VSB", "fuse", "ripple"], rng.randint(0, 2)
        )
        if rng.random() < 0.3:
            words.append(_word(rng, 20_000))
        queries.append(" ".join(words[:5]))
    return queries


HOSTILE = [
    "",
    " ",
    "\x00\x01\x02",
    "the of and",
    "a" * 10_000,
    "fuse " * 2_000,
    '"' * 9_999,
    '"relay',
    "*" * 500,
    "?*[]{}()^~\\/:;!@#$%&|<>",
    "-" * 10_000,
    '-"-"-"-"',
    "- - -fuse",
    "\u202e\u200f نص عربي",
    "🙂" * 3_000,
    "a* OR b* AND NOT (c",
    "\ud800 broken",
    "%00<script>alert(1)</script>'; DROP TABLE cases;--",
    "9" * 10_000,
    "1,2,3," * 1_000,
    "x-" * 5_000,
    "'" * 5_000,
    "r* f* c* *",
    "no on off up out not " * 30,
    " ".join(f"-{letter}" for letter in "abcdefghij") + " c9",
    " ".join(f'"{word} {word}"' for word in ("fuse", "relay", "high", "no", "open", "dead")) * 8,
    "capaciter realy fues rippel swolen mosfett standbi dispaly flickres blinkng " * 9,
    "c r q l t f u " * 80,
    "fuse relay mosfet capacitor ripple voltage standby output converter replace shorted open " * 6,
]
"""Queries that must never hold the server, nor fail."""
