"""Families made ready for telling cases: what fits the set, what each fault does, drawn by weight."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from demo_town.dice import Weighted
from demo_town.family import Family, Rail
from demo_town.fault_kind import Check, Rule
from demo_town.weak_points import WeakPoint

_OUTPUT_SECTIONS = {
    "standby": "standby output",
    "logic": "logic output",
    "intermediate": "intermediate output",
    "backlight": "backlight output",
    "audio": "audio output",
}
_STANDBY_SYMPTOMS = frozenset(
    (
        "standby light on but will not start",
        "no standby light",
        "standby light blinks",
        "no standby voltage",
        "standby voltage low",
    )
)
_SCREEN_SYMPTOMS = frozenset(
    ("lines or bars in the picture", "dim picture", "sound but no picture", "uneven backlight", "no picture")
)
_SYMPTOMS_OF_KINDS = {
    "heater does not heat": ("UW", "VQ", "ID", "KZ"),
    "heats all the time": ("UW", "VQ", "KZ"),
    "motor does not run": ("VQ", "PQ", "KZ", "WK"),
    "display dim or fading": ("UW", "VQ", "TJ", "KZ"),
}
_MAINS_SYMPTOMS = frozenset(("trips the mains breaker", "mains rectifier shorted", "bulk voltage missing"))
_SIZES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_VALUE = re.compile(r"(?:^| )([\d.]+) ([pnµmkM]?)(F|Ω)(?: |$)")


def part_value(text: str) -> float | None:
    """Farads or ohms named in a part's value such as "470 µF 25 V", or None."""
    found = _VALUE.search(text)
    return float(found[1]) * _SIZES[found[2]] if found else None


@dataclass(frozen=True)
class FaultPlan:
    """One weak point of one family, resolved: no placeholder is left."""

    point: WeakPoint
    section: str
    symptoms: tuple[tuple[str, float, float], ...]
    checks: tuple[Check, ...]
    rules: dict[str, tuple[Rule, ...]]  # by rail name
    guesses: tuple[tuple[FaultPlan, float], ...] = field(default=(), compare=False)
    value: float | None = None


@dataclass(frozen=True)
class FamilyPlan:
    """A family with its faults ready to be drawn."""

    family: Family
    faults: Weighted[FaultPlan]
    all_faults: tuple[FaultPlan, ...]
    outputs: tuple[Rail, ...]
    has_standby: bool
    offsets: dict[str, float]
    says: dict[str, tuple[str, ...]]


def _fits(symptom: str, family: Family, has_standby: bool) -> bool:
    """Whether this set can show this symptom at all."""
    if symptom in _STANDBY_SYMPTOMS:
        return has_standby
    if symptom in _SCREEN_SYMPTOMS:
        return family.missing in ("no picture", "backlight off")
    if symptom in _SYMPTOMS_OF_KINDS:
        return (family.archetype or family.code)[:2] in _SYMPTOMS_OF_KINDS[symptom] or symptom in (
            family.missing,
            family.unsteady,
        )
    if symptom in _MAINS_SYMPTOMS:
        return family.mains_v is not None
    return True


def _applies(rule: Rule, rail: Rail, own: str, outputs: Sequence[Rail]) -> bool:
    if rule.who == "$":
        return rail.name == own
    if rule.who == "outputs":
        return rail in outputs
    if rule.who == "switched":
        return rail in outputs and not rail.always_on
    return rail.role == rule.who


def _section(point: WeakPoint, family: Family) -> str:
    if point.kind.section != "$":
        return point.kind.section
    role = next(rail.role for rail in family.rails if rail.name == point.rail)
    return _OUTPUT_SECTIONS.get(role, "intermediate output")


def _resolved(point: WeakPoint, family: Family, outputs: Sequence[Rail], has_standby: bool) -> FaultPlan:
    words = {"@missing": family.missing, "@unsteady": family.unsteady}
    symptoms: dict[str, tuple[str, float, float]] = {}
    for name, present, absent in point.kind.symptom_list:
        name = words.get(name, name)
        if name not in symptoms and _fits(name, family, has_standby):
            symptoms[name] = (name, present, absent)
    rules = {
        rail.name: tuple(rule for rule in point.kind.rule_list if _applies(rule, rail, point.rail, outputs))
        for rail in family.rails
    }
    return FaultPlan(
        point,
        _section(point, family),
        tuple(sorted(symptoms.values(), key=lambda entry: entry[0] != "dead")),
        point.kind.check_list,
        rules,
        value=part_value(point.value),
    )


def family_plan(family: Family, points: Sequence[WeakPoint], offsets: dict[str, float]) -> FamilyPlan:
    """Everything about a family that does not change from case to case.

    `offsets` are the fractions by which each rail of this design sits off nominal.
    """
    outputs = tuple(
        rail
        for rail in family.rails
        if rail.role not in ("bulk", "controller supply") and not rail.name.endswith("IN")
    )
    has_standby = any(rail.role == "standby" for rail in family.rails)
    bare = [_resolved(point, family, outputs, has_standby) for point in points]
    by_key: dict[str, FaultPlan] = {}
    for fault in bare:
        by_key.setdefault(fault.point.kind.key, fault)
    faults = []
    for fault in bare:
        guesses = tuple(
            (by_key[key], chance)
            for key, chance in fault.point.kind.guess_list
            if key in by_key and by_key[key] is not fault
        )
        object.__setattr__(fault, "guesses", guesses)
        faults.append(fault)
    return FamilyPlan(
        family,
        Weighted(faults, [fault.point.weight for fault in faults]),
        tuple(faults),
        outputs,
        has_standby,
        offsets,
        dict(family.says),
    )
