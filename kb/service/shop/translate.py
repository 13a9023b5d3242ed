"""Records as the search index and the statistics want to see them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from kb.bench.rails import (
    ASSESSED_QUANTITIES,
    Assessment,
    Gauge,
    RailReading,
    RailSpec,
    assess,
    condition_of,
    gauge,
    is_marginal,
)
from kb.errors import BadInput
from kb.facts.designators import rail_key
from kb.facts.rail_names import obvious_rail
from kb.model import CaseRecord, FamilyRecord, Rail, Reading
from kb.search import CaseDocument
from kb.suggest import CaseFacts, FixTry, RailFact

_SAME_FAULT = "came back with the same fault"
_STILL_WORKING = "still working"


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading with the rail it belongs to and what the rail's window says of it, where known."""

    reading: Reading
    rail: Rail | None
    assessment: Assessment | None

    @property
    def gauge(self) -> Gauge | None:
        """Where the reading stands on its rail's scale, None where it was not judged."""
        if self.rail is None or self.assessment is None:
            return None
        return gauge(spec_of(self.rail), _as_measured(self.rail, self.reading))

    @property
    def where(self) -> str:
        return self.rail.name if self.rail else (self.reading.rail or self.reading.point or "")


def find_rail(family: FamilyRecord | None, name: str | None) -> Rail | None:
    """The family's rail of that name, whatever its spacing and case."""
    if family is None or name is None:
        return None
    wanted = rail_key(name)
    return next((rail for rail in family.rails if rail_key(rail.name) == wanted), None)


# What a supply of that use is taken to be where only its use is known: volts and tolerance in per cent.
# Common practice, no published source.
_USUAL: dict[str, tuple[float, float | None]] = {"standby": (5.0, None), "controller supply": (15.0, 40.0)}
# Peaks of 230 V and 120 V mains, and what power factor stages make of both.
_RECTIFIED_V, _BOOSTED_V = (325.0, 170.0), 385.0
_BULK_TOLERANCE_PCT = 12.0
# Every supply has them, though a family's list of outputs may not; another name than the family's is a slip.
_SELDOM_LISTED = frozenset(("bulk", "controller supply"))


def rail_meant(family: FamilyRecord | None, reading: Reading) -> Rail | None:
    """The family's rail that a reading names, else what its name plainly means (`5VSB`, `BULK`, `24V`).

    Bulk is what the family states; without a statement, whichever usual bulk voltage the reading is nearest to.
    """
    rail = find_rail(family, reading.rail)
    if rail is not None or reading.rail is None:
        return rail
    obvious = obvious_rail(reading.rail)
    if obvious is None:
        return None
    if family is not None and family.rails:
        if obvious.role not in _SELDOM_LISTED:
            return None
        same = next((one for one in family.rails if one.role == obvious.role), None)
        if same is not None:
            return same
    volts, tolerance_pct = obvious.nominal_v, None
    if obvious.role == "bulk":
        volts, tolerance_pct = _bulk_meant(family, reading), _BULK_TOLERANCE_PCT
    elif volts is None:
        volts, tolerance_pct = _USUAL.get(obvious.role, (None, None))
    if not volts:
        return None
    return Rail(
        name=reading.rail,
        role=obvious.role,
        nominal_v=volts,
        tolerance_pct=tolerance_pct,
        always_on=obvious.always_on or obvious.role == "bulk",  # charged whenever the plug is in
    )


def _bulk_meant(family: FamilyRecord | None, reading: Reading) -> float:
    volts = reading.value if reading.value is not None else (reading.max or reading.min or 0.0)
    if family is not None and family.mains_v:
        rectified: tuple[float, ...] = (round(family.mains_v * 2**0.5, 1),)
    else:
        rectified = _RECTIFIED_V
    stated = family.bulk_v if family is not None else None
    if reading.supply == "running" and stated:
        return stated
    nearest = min((*rectified, stated or _BOOSTED_V), key=lambda one: abs(one - volts))
    # Far from all of them it is a 230 V board whose bulk is low.
    return nearest if abs(nearest - volts) <= 0.15 * nearest else rectified[0]


def spec_of(rail: Rail) -> RailSpec:
    """A family's rail as the bench computations take it."""
    return _spec(
        rail.name, rail.role, rail.nominal_v, rail.tolerance_pct, rail.rated_a, rail.ripple_mv, rail.always_on
    )


# Each rail is checked once and not for each of its readings.
_spec = lru_cache(maxsize=4096)(RailSpec)


def _as_measured(rail: Rail, reading: Reading) -> RailReading:
    return RailReading(
        rail.name,
        reading.quantity,
        reading.supply,
        reading.load,
        reading.value,
        reading.min,
        reading.max,
    )


def judge(family: FamilyRecord | None, reading: Reading, *, by_name: bool = False) -> JudgedReading:
    """Assesses a reading where its rail and quantity allow it.

    `by_name` takes a rail that the family does not know for what its name plainly means.
    """
    rail = rail_meant(family, reading) if by_name else find_rail(family, reading.rail)
    if rail is None or reading.quantity not in ASSESSED_QUANTITIES:
        return JudgedReading(reading, rail, None)
    try:
        found = assess(spec_of(rail), _as_measured(rail, reading))
    except BadInput:
        # A family may hold a rail that cannot be computed with; the reading itself stays worth keeping.
        return JudgedReading(reading, rail, None)
    return JudgedReading(reading, rail, found)


def rail_facts(
    family: FamilyRecord | None, readings: list[Reading], *, by_name: bool = False
) -> tuple[RailFact, ...]:
    """Rail conditions as evidence: the first reading of each kind, as the board came in. `by_name` as in `judge`."""
    found: dict[tuple[str, str, str], RailFact] = {}
    for reading in readings:
        if reading.quantity != "dc_v" or reading.after_repair:
            continue
        rail = rail_meant(family, reading) if by_name else find_rail(family, reading.rail)
        if rail is None:
            continue
        try:
            spec, measured = spec_of(rail), _as_measured(rail, reading)
            condition, marginal = condition_of(spec, measured), is_marginal(spec, measured)
        except BadInput:  # as in `judge`
            continue
        share = reading.value / rail.nominal_v if reading.value is not None and rail.nominal_v else None
        fact = RailFact(rail.role, reading.supply, reading.load, condition, share, marginal)
        found.setdefault(fact.key, fact)
    return tuple(found.values())


def facts_of(case: CaseRecord, family: FamilyRecord) -> CaseFacts:
    """What a case contributes to the statistics."""
    start = case.closed or case.received
    returned = [entry.date for entry in case.follow_ups if entry.state == _SAME_FAULT]
    return CaseFacts(
        uid=str(case.uid),
        family=family.code,
        kind=family.kind,
        verdict=case.verdict,
        closed=start if case.verdict else None,
        symptoms=tuple((entry.name, entry.present) for entry in case.symptoms),
        rails=rail_facts(family, case.readings),
        tries=tuple(
            FixTry(
                entry.section,
                entry.part_class,
                entry.part,
                entry.failure,
                entry.action,
                entry.result,
                entry.cost,
                entry.minutes,
                entry.cause,
            )
            for entry in case.attempts
        ),
        same_fault_return_days=_days(start, min(returned, default=None)),
        followed_days=_days(start, max((entry.date for entry in case.follow_ups), default=None)),
        others=bool(case.origin),
    )


def _days(start: date | None, end: date | None) -> int | None:
    return max((end - start).days, 0) if start and end else None


def document_of(case: CaseRecord, family: FamilyRecord) -> CaseDocument:
    """What can be found of a case."""
    day = case.received or case.closed
    heard = {entry.state for entry in case.follow_ups}
    cured = any(entry.result == "cured" for entry in case.attempts) and _SAME_FAULT not in heard
    proved = _STILL_WORKING in heard or any(reading.after_repair for reading in case.readings)
    return CaseDocument(
        uid=str(case.uid),
        family=family.code,
        aliases=(*family.aliases, *([case.serial] if case.serial else [])),
        kind=" ".join(word for word in (family.kind, case.device, case.brand) if word),
        complaint=case.complaint,
        symptoms=tuple(entry.name for entry in case.symptoms if entry.present),
        absent=tuple(entry.name for entry in case.symptoms if not entry.present),
        notes=case.notes,
        parts=tuple(entry.part for entry in case.attempts if entry.part),
        part_classes=tuple(dict.fromkeys(entry.part_class for entry in case.attempts)),
        sections=tuple(dict.fromkeys(entry.section for entry in case.attempts)),
        fixes=tuple(f"{entry.failure} {entry.action}".strip() for entry in case.attempts),
        verdict=case.verdict or "",
        year=day.year if day else None,
        cured=cured,
        verified=cured and proved,
        day=day.toordinal() if day else 0,
    )
