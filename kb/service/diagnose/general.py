"""What general practice says of a board on the bench, beside what its ranking says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from kb.bench.rail_types import PRIMARY_ROLES
from kb.model import FamilyRecord, PartCheck, Reading
from kb.service.shop.translate import JudgedReading, find_rail
from kb.suggest import Candidate, Evidence, Ledger
from kb.suggest.exclusions import Excluded, answered, disagreements, every_section_excluded, excluded
from kb.suggest.facts_of_case import Fault
from kb.suggest.findings import (
    LIKELY,
    OUTPUT_OF_ROLE,
    Finding,
    PointReading,
    as_evidence,
    findings,
    part_found_bad,
)
from kb.suggest.in_order import NO_FAULT_FOUND_SHARE, InOrder, in_order

__all__ = ["BoardSays", "Excluded", "Finding", "InOrder", "board_says", "usual_rails"]

_PART_QUANTITIES = frozenset(("ohm", "diode_v", "esr_ohm", "farad", "ripple_v"))
_SHORTEST = 1.0


@dataclass(frozen=True, slots=True)
class BoardSays:
    """`answered` names symptoms that need not be asked; `sentences` are worth a notice; `evidence` has
    the findings in it."""

    evidence: Evidence
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
    checks: Sequence[PartCheck] = (),
) -> BoardSays:
    """Exclusions, direct findings and whether the board may be in order, from what is known of it.

    `no_fault_found` is the share of such boards on which no fault is found.
    """
    points = [point for one in readings if (point := _point(one)) is not None]
    bulk_farad = family.bulk_uf * 1e-6 if family is not None and family.bulk_uf else None
    by_check = findings((_checked(family, check) for check in checks), (), known_parts)
    found = (*findings(points, evidence.symptoms, known_parts, bulk_farad), *by_check)
    # Readings from before speak for no section in which a part has been found bad since.
    bad = {
        fault[0]
        for one in found
        if one.what != "in order"
        for fault, ratio in one.supports
        if ratio >= LIKELY
    }
    out = tuple(one for one in excluded(evidence) if one.section not in bad)
    sentences = [*disagreements(evidence)]
    # A dead check that was right needs no notice: it stands among the checks of its test.
    worth_saying = [one for one in found if one not in by_check or one.what != "in order"]
    sentences += [one.sentence for one in worth_saying if one.part not in dict(evidence.symptoms)]
    if every_section_excluded(out):
        sentences.append(
            "the readings exclude every section of the supply: the board may be in order, or they were taken "
            "while it worked; causes are ranked by what is least contradicted"
        )
    with_findings = replace(evidence, found=as_evidence(found))
    return BoardSays(
        with_findings,
        out,
        answered(evidence) | _answered_by(checks, family),
        in_order(
            with_findings,
            no_fault_found,
            part_found_bad=part_found_bad(found),
            without=_outputs_not_there(family),
        ),
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


def _checked(family: FamilyRecord | None, check: PartCheck) -> PointReading:
    of = (check.point or "").partition(" of ")[2]  # "rectifier of 12V"
    name = check.rail or of
    rail = find_rail(family, name) if family is not None and name else None
    return PointReading(
        check.rail or check.point or "",
        "",
        0.0,
        rail=check.rail is not None,
        role=rail.role if rail else "",
        found=check.found,
        written=check.written or check.found,
    )


def _outputs_not_there(family: FamilyRecord | None) -> frozenset[str]:
    """Output sections of which the family lists no rail; none where it lists no output at all."""
    roles = {one.role for one in family.rails} if family is not None else set()
    has = {section for role, section in OUTPUT_OF_ROLE.items() if role in roles}
    return frozenset(OUTPUT_OF_ROLE.values()) - has - {"other"} if has else frozenset()


_ANSWERS = {
    "fuse": "fuse blown",
    "fusible resistor": "fuse blown",
    "mains rectifier": "mains rectifier shorted",
    "main switch": "main switch shorted",
    "power factor switch": "power factor switch shorted",
    "inrush limiter": "inrush limiter open",
    "current sense resistor": "current sense resistor open",
    "start-up resistor": "start-up resistor open",
}
_STANDBY_SHORT, _OUTPUT_SHORT = "standby rail shorted to ground", "output rail shorted to ground"
_RECTIFIER_SHORT = "output rectifier shorted"


def _answered_by(checks: Sequence[PartCheck], family: FamilyRecord | None) -> frozenset[str]:
    """Symptoms that the checks settle one way or the other.

    One bad output answers for all of them; "not so" only when every output of the family was found right.
    """
    names = {_ANSWERS[one.point] for one in checks if one.point in _ANSWERS}
    rails = family.rails if family is not None else []
    outputs = {one.name for one in rails if one.role not in PRIMARY_ROLES}
    standby = {one.name for one in rails if one.role == "standby"}
    rectified = {f"rectifier of {name}" for name in outputs}
    clear = {one.rail or one.point for one in checks if one.found == "in order"}
    bad = {one.rail or one.point for one in checks if one.found == "shorted"}
    for name, asked in (
        (_STANDBY_SHORT, standby),
        (_OUTPUT_SHORT, outputs - standby),
        (_RECTIFIER_SHORT, rectified),
    ):
        if asked & bad or (asked and asked <= clear):
            names.add(name)
    return frozenset(names)


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
