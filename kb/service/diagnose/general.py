"""What general practice says of a board on the bench, beside what its ranking says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from kb.model import FamilyRecord, Reading
from kb.service.shop.translate import JudgedReading
from kb.suggest import Candidate, Evidence, Ledger
from kb.suggest.exclusions import Excluded, answered, disagreements, every_section_excluded, excluded
from kb.suggest.facts_of_case import Fault
from kb.suggest.findings import Finding, PointReading, findings, part_found_bad
from kb.suggest.in_order import NO_FAULT_FOUND_SHARE, InOrder, in_order

__all__ = ["BoardSays", "Excluded", "Finding", "InOrder", "board_says", "usual_rails"]

_PART_QUANTITIES = frozenset(("ohm", "diode_v", "esr_ohm", "farad", "ripple_v"))
_SHORTEST = 1.0


@dataclass(frozen=True, slots=True)
class BoardSays:
    """`answered` names symptoms that need not be asked; `sentences` are worth a notice."""

    excluded: tuple[Excluded, ...]
    answered: frozenset[str]
    in_order: InOrder
    findings: tuple[Finding, ...]
    sentences: tuple[str, ...]


def board_says(
    evidence: Evidence,
    readings: Iterable[JudgedReading],
    family: FamilyRecord | None,
    known_parts: Mapping[str, Fault],
    no_fault_found: float = NO_FAULT_FOUND_SHARE,
) -> BoardSays:
    """Exclusions, direct findings and whether the board may be in order, from what is known of it.

    `no_fault_found` is the share of such boards on which no fault is found.
    """
    points = [point for one in readings if (point := _point(one)) is not None]
    bulk_farad = family.bulk_uf * 1e-6 if family is not None and family.bulk_uf else None
    found = findings(points, evidence.symptoms, known_parts, bulk_farad)
    out = excluded(evidence)
    sentences = [*disagreements(evidence)]
    sentences += [one.sentence for one in found if one.part not in dict(evidence.symptoms)]
    if every_section_excluded(out):
        sentences.append(
            "the readings exclude every section of the supply: the board may be in order, or they were taken "
            "while it worked; causes are ranked by what is least contradicted"
        )
    return BoardSays(
        out,
        answered(evidence),
        in_order(evidence, no_fault_found, part_found_bad=part_found_bad(found)),
        found,
        tuple(f"{one[:1].upper()}{one[1:]}." for one in sentences),
    )


def _point(judged: JudgedReading) -> PointReading | None:
    reading: Reading = judged.reading
    if reading.quantity not in _PART_QUANTITIES or reading.after_repair:
        return None
    value = next((one for one in (reading.value, reading.min, reading.max) if one is not None), None)
    if value is None:
        return None
    assessed = judged.assessment
    return PointReading(
        reading.rail or reading.point or "",
        reading.quantity,
        value,
        rail=reading.rail is not None,
        role=judged.rail.role if judged.rail else "",
        limit=assessed.high_v if assessed is not None and not assessed.asks else None,
    )


def parts_of_family(ledger: Ledger, family: str | None) -> dict[str, Fault]:
    """What designators are on the boards of a family, from its cases: the most frequent (section, part class)."""
    number = ledger.families.find(family) if family else -1
    if number < 0 or number >= len(ledger.family_tallies):
        return {}
    seen: dict[str, tuple[int, Fault]] = {}
    for fault, tally in ledger.family_tallies[number].items():
        for part, cases in tally.parts.items():
            name, pair = ledger.parts.values[part], ledger.faults.values[fault]
            if cases > seen.get(name, (0, pair))[0]:
                seen[name] = (cases, pair)
    return {name: pair for name, (_, pair) in seen.items()}


def usual_rails(minutes: Mapping[str, float]) -> list[Candidate]:
    """Rails worth measuring on a board whose family is not known, by their use."""
    asked = (
        ("bulk", "standby", "none"),
        ("standby", "standby", "none"),
        ("standby", "running", "test load"),
        ("controller supply", "running", "none"),
        ("bulk", "running", "none"),
        ("intermediate", "running", "none"),
        ("intermediate", "running", "test load"),
        ("backlight", "running", "none"),
        ("logic", "running", "none"),
    )
    return [
        Candidate(
            f"{_NAMES.get(role, f'{role} rail')}, {supply}" + ("" if load == "none" else f", {load}"),
            "rail",
            (role, supply, load),
            True,
            max(minutes.get(supply, _SHORTEST), _SHORTEST),
        )
        for role, supply, load in asked
    ]


_NAMES = {"bulk": "bulk capacitor", "controller supply": "controller supply", "standby": "standby rail"}
