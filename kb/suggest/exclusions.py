"""What readings and findings exclude, what they answer, and where they cannot all be right.

The rules stand in `kb/facts/data/supply_chain.toml`. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.facts.general_practice import NOT_SWITCHED, SWITCHED, ExcludeRule, general_practice
from kb.facts.vocabulary import SECTIONS, values
from kb.suggest.facts_of_case import Evidence, RailFact


@dataclass(frozen=True, slots=True)
class Excluded:
    """A section that the readings speak for, and the reading as a sentence would say it."""

    section: str
    why: str


def excluded(evidence: Evidence) -> tuple[Excluded, ...]:
    """Sections that what was measured or seen excludes, each with the first reason, in the chain's order.

    Nothing is excluded on a board that fails now and then: it may have been measured while it worked.
    """
    found: dict[str, str] = {}
    doubted = _measured_wrong(evidence)
    for rule in _fitting(evidence):
        for section in rule.sections:
            # That a light is on says less of a section than what its own rail measures.
            if not (rule.symptoms and section in doubted):
                found.setdefault(section, rule.why)
    return tuple(Excluded(section, found[section]) for section in values(SECTIONS) if section in found)


def every_section_excluded(found: Sequence[Excluded]) -> bool:
    """Whether no section of the supply itself is left; joints and what lies beyond are never excluded."""
    left = set(values(SECTIONS)) - {one.section for one in found}
    return left <= {"board and joints", "protection", "other"}


def answered(evidence: Evidence) -> frozenset[str]:
    """Symptoms that are not worth asking any more, because a reading or another symptom answers them."""
    if _now_and_then(evidence):
        return frozenset()
    measured = general_practice().measured
    read = {fact.role for fact in evidence.rails if fact.supply != "unpowered"}
    return frozenset(
        [
            *(name for rule in _fitting(evidence) for name in rule.answers),
            *(name for role in read for name in measured.get(role, ())),
        ]
    )


def _now_and_then(evidence: Evidence) -> bool:
    """Whether the board fails now and then, so that it may have been measured while it worked."""
    present = {name for name, is_present in evidence.symptoms if is_present}
    return bool(present & general_practice().excludes_nothing)


def _measured_wrong(evidence: Evidence) -> frozenset[str]:
    """Sections whose own rail was found neither in its window nor switched off."""
    wrong = {fact.role for fact in evidence.rails if fact.condition in ("low", "pulsing", "high")}
    return frozenset(section for section, role in general_practice().role_of.items() if role in wrong) | (
        frozenset(("standby converter",)) if "standby" in wrong else frozenset()
    )


def _fitting(evidence: Evidence) -> list[ExcludeRule]:
    practice = general_practice()
    present = {name for name, is_present in evidence.symptoms if is_present}
    if _now_and_then(evidence):
        return []
    return [
        rule
        for rule in practice.excludes
        if rule.symptoms & present
        or any(
            fact.role in rule.rails
            and fact.supply in rule.supply
            and fact.load in rule.load
            and rule.found.issuperset(_conditions(fact))
            for fact in evidence.rails
        )
    ]


def _conditions(fact: RailFact) -> frozenset[str]:
    """What may be true of a rail: one that left its window for a while, or may have, is perhaps low as well."""
    return frozenset((fact.condition, "low") if fact.marginal else (fact.condition,))


def disagreements(evidence: Evidence) -> tuple[str, ...]:
    """Sentences on readings that cannot all be right, in the order in which they were measured."""
    found = []
    conditions: dict[tuple[str, str, str], str] = {}
    for fact in evidence.rails:
        before = conditions.setdefault(fact.key, fact.condition)
        if {before, fact.condition} == {"absent", "in tolerance"}:
            found.append(
                f"the {fact.role} rail was read as absent and as in its window in the same state: measure it again"
            )
    for rule in general_practice().contradicts:
        states = {
            fact.supply
            for fact in evidence.rails
            if fact.role == rule.first and fact.condition in rule.absent
        }
        if any(
            fact.supply in states and fact.condition in rule.there and _is(fact.role, rule.second)
            for fact in evidence.rails
        ):
            found.append(rule.why)
    return tuple(dict.fromkeys(found))


def _is(role: str, named: str) -> bool:
    return role == named or (named == SWITCHED and role not in NOT_SWITCHED)
