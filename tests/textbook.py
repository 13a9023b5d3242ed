"""Runs files of textbook situations through the program: what leads, what is among the first three.

A situation names what was noticed and measured and which sections anyone in the trade would look at first.
Files are TOML with a list `situation`; fields: name, family (true for the standard family below), symptoms
(a leading ! is "not present"), readings (typed lines, or tables of a reading's fields), tried
("C9 electrolytic capacitor / standby output / no change"), leads, among_three, never_leads (sections), why.
"""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from demo_town.generator import generate
from factories import a_family

from kb.facts.vocabulary import SECTIONS, values
from kb.model import EvidenceRecord, FamilyRecord, NotedSymptom, Rail, Reading, as_dict
from kb.service import Shop
from kb.service.diagnose.diagnosis import suggest
from kb.service.diagnose.evidence import gather, read_line
from kb.service.diagnose.general import board_says
from kb.suggest import Evidence
from kb.suggest.findings import Finding

DATA = Path(__file__).parent / "published" / "data"
FAMILY = "TX-1"
_DEAD_BOARD = frozenset(("ohm", "diode_v", "farad", "esr_ohm"))

SectionRanking = Sequence[str]


@dataclass(frozen=True, slots=True)
class Situation:
    """One line of a file. Sections in `leads` may each be the one that leads."""

    name: str
    family: bool
    symptoms: tuple[str, ...]
    readings: tuple[Any, ...]
    tried: tuple[str, ...]
    leads: frozenset[str]
    among_three: frozenset[str]
    never_leads: frozenset[str]
    why: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one situation came out. `leads_right` is None where the line names no leading section."""

    situation: Situation
    ranking: tuple[str, ...]
    leads_right: bool | None
    among_three_right: bool | None
    excluded_leads: bool | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Shares over the situations that ask for each; 0 of none counts as 1 (and 0 for excluded)."""

    leads: float
    among_three: float
    excluded_leads: float
    count: int


def situations(file: str) -> tuple[Situation, ...]:
    """All lines of a file under `published/data`. Raises ValueError for a field or section that is unknown."""
    lines = tomllib.loads((DATA / file).read_text(encoding="utf-8"))["situation"]
    return tuple(_situation(line) for line in lines)


def _situation(line: Mapping[str, Any]) -> Situation:
    known = {
        "name",
        "in_order",
        "family",
        "symptoms",
        "readings",
        "tried",
        "leads",
        "among_three",
        "never_leads",
        "why",
    }
    if unknown := set(line) - known:
        raise ValueError(f"{line['name']}: unknown fields {sorted(unknown)}")
    sections = {name for field in ("leads", "among_three", "never_leads") for name in line.get(field, ())}
    if wrong := sections - set(values(SECTIONS)):
        raise ValueError(f"{line['name']}: no sections {sorted(wrong)}")
    return Situation(
        line["name"],
        bool(line.get("family", False)),
        tuple(line.get("symptoms", ())),
        tuple(line.get("readings", ())),
        tuple(line.get("tried", ())),
        frozenset(line.get("leads", ())),
        frozenset(line.get("among_three", ())),
        frozenset(line.get("never_leads", ())),
        line["why"],
    )


def standard_family() -> FamilyRecord:
    """A supply with a standby rail and three switched ones."""
    return a_family(
        FAMILY,
        mains_v=230.0,
        bulk_v=385.0,
        rails=[
            Rail(name="5VSB", role="standby", nominal_v=5.0, tolerance_pct=5.0, always_on=True),
            Rail(name="12V", role="intermediate", nominal_v=12.0, tolerance_pct=5.0),
            Rail(name="24V", role="backlight", nominal_v=24.0, tolerance_pct=8.0),
            Rail(name="3V3", role="logic", nominal_v=3.3, tolerance_pct=5.0),
        ],
    )


def unrelated_records(count: int = 20) -> list[dict[str, Any]]:
    """The first repaired cases of the demo's town 77 with their families, none of the standard family."""
    records = list(generate(77, 200))
    families = [record for record in records if record["record"] == "family"]
    cases = [
        record
        for record in records
        if record["record"] == "case" and record.get("verdict") == "repaired" and record["family"] != FAMILY
    ]
    return [*families, *cases[:count]]


def record_of(situation: Situation, with_family: bool) -> EvidenceRecord:
    """The situation as a person would send it."""
    family = standard_family() if situation.family and with_family else None
    fields: dict[str, Any] = {
        "family": FAMILY if family else None,
        "symptoms": [
            NotedSymptom(name=name.removeprefix("!").strip(), present=not name.startswith("!"))
            for name in situation.symptoms
        ],
        "readings": [_reading(family, entry) for entry in situation.readings],
    }
    if "attempts" in EvidenceRecord.model_fields and situation.tried:
        fields["attempts"] = [_tried(line) for line in situation.tried]
    return EvidenceRecord(**fields)


def _reading(family: FamilyRecord | None, entry: Any) -> Reading:
    if isinstance(entry, str):
        return read_line(family, entry)
    quantity = entry.get("quantity", "dc_v")
    supply = "unpowered" if quantity in _DEAD_BOARD else "running"
    numbers = {name: float(entry[name]) for name in ("value", "min", "max") if name in entry}
    return Reading(
        rail=entry.get("rail"),
        point=entry.get("point"),
        quantity=quantity,
        supply=entry.get("supply", supply),
        load=entry.get("load", "none"),
        **numbers,
    )


def _tried(line: str) -> dict[str, str]:
    what, section, result = (piece.strip() for piece in line.split("/"))
    part, _, part_class = what.partition(" ")
    return {"part": part, "part_class": part_class, "section": section, "result": result}


def judged(situation: Situation, ranking: SectionRanking) -> Outcome:
    """Whether a ranking of sections, likeliest first, is what the situation asks for."""
    first = ranking[0] if ranking else ""
    three = set(ranking[:3])
    among = situation.among_three or situation.leads
    return Outcome(
        situation,
        tuple(ranking[:5]),
        first in situation.leads if situation.leads else None,
        bool(three & among) if among else None,
        first in situation.never_leads if situation.never_leads else None,
    )


def run(
    file: str, rank: Callable[[Situation], SectionRanking], where: Iterable[Situation] | None = None
) -> tuple[Figures, tuple[Outcome, ...]]:
    """Every situation of a file through `rank`, with the figures."""
    outcomes = tuple(judged(one, rank(one)) for one in (situations(file) if where is None else where))
    return (
        Figures(
            _share([one.leads_right for one in outcomes], 1.0),
            _share([one.among_three_right for one in outcomes], 1.0),
            _share([one.excluded_leads for one in outcomes], 0.0),
            len(outcomes),
        ),
        outcomes,
    )


def _share(answers: Sequence[bool | None], of_none: float) -> float:
    asked = [answer for answer in answers if answer is not None]
    return sum(asked) / len(asked) if asked else of_none


def evidence_of(shop: Shop, situation: Situation, *, with_family: bool = True) -> Evidence:
    """What the statistics see of a situation."""
    return gather(shop, record_of(situation, with_family)).evidence


def findings_of(shop: Shop, situation: Situation, *, with_family: bool = True) -> tuple[Finding, ...]:
    """The direct findings at parts that a situation names."""
    gathered = gather(shop, record_of(situation, with_family))
    return board_says(gathered.evidence, gathered.readings, gathered.family, {}).findings


def sections_suggested(shop: Shop, situation: Situation, *, with_family: bool = True) -> list[str]:
    """Sections by the sum of their causes' probabilities, as a person would be answered, likeliest first."""
    answer = suggest(shop, record_of(situation, with_family))
    sums: dict[str, float] = defaultdict(float)
    for cause in answer.ranking.causes:
        sums[cause.section] += cause.probability
    return sorted(sums, key=lambda section: (-sums[section], section))


def family_line() -> dict[str, Any]:
    """The standard family as a line of an import."""
    return as_dict(standard_family())


def missed(outcomes: Iterable[Outcome]) -> str:
    """A line for each situation that did not come out as it should, for a test's message."""
    return "\n".join(
        f"{one.situation.name}: {', '.join(one.ranking[:4])} (wanted {', '.join(sorted(one.situation.leads))})"
        for one in outcomes
        if one.leads_right is False or one.among_three_right is False or one.excluded_leads
    )
