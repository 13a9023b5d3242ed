"""What the trade knows of faults in supplies, read from the tables in `data/`, which a person may correct.

`supply_chain.toml` holds the causal chain and what each way of failing does to the rails,
`fault_catalogue.toml` the faults with their shares, `symptom_chances.toml` how often each fault shows each
symptom. Percentages in the tables are probabilities here. The origin of the numbers stands in the tables.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import (
    FAILURE_MODES,
    LOADS,
    RAIL_CONDITIONS,
    RAIL_ROLES,
    SECTIONS,
    SUPPLY_STATES,
    values,
)

Chances = tuple[float, float, float, float, float]  # in the order of RAIL_CONDITIONS

OWN, SWITCHED, ANY = "own", "switched", "any"
NOT_SWITCHED = frozenset(("bulk", "standby", "controller supply"))


@dataclass(frozen=True, slots=True)
class RailRow:
    """What a rail does: for a role (or "own", "switched"), a supply state and a load, each may be "any"."""

    rail: str
    supply: str
    load: str
    chances: Chances


@dataclass(frozen=True, slots=True)
class Behaviour:
    """A way in which a supply fails: what its rails and its owner show."""

    name: str
    says: str
    rows: tuple[RailRow, ...]
    symptoms: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class CatalogueFault:
    """One fault of the catalogue; `share` in parts of all faults, `behaves` sums to 1."""

    section: str
    part_class: str
    failure: str
    share: float
    behaves: tuple[tuple[str, float], ...]
    symptoms: Mapping[str, float]
    origin: str


@dataclass(frozen=True, slots=True)
class ExcludeRule:
    """What a reading or a symptom excludes, why, and what need no longer be asked."""

    rails: frozenset[str]
    supply: frozenset[str]
    load: frozenset[str]
    found: frozenset[str]
    symptoms: frozenset[str]
    sections: tuple[str, ...]
    why: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ContradictRule:
    """Two rails that cannot be so in one supply state."""

    first: str
    absent: frozenset[str]
    second: str
    there: frozenset[str]
    why: str


@dataclass(frozen=True, slots=True)
class GeneralPractice:
    """All tables together. `kinds` holds factors of sections and part classes for each kind of board, `measured` for
    a rail's role the symptoms that any reading of it answers."""

    feeds: Mapping[str, tuple[str, ...]]
    role_of: Mapping[str, str]
    in_order_rows: tuple[RailRow, ...]
    in_order_symptoms: Mapping[str, float]
    behaviours: Mapping[str, Behaviour]
    faults: tuple[CatalogueFault, ...]
    kinds: Mapping[str, tuple[Mapping[str, float], Mapping[str, float]]]
    base: Mapping[str, float]
    section_symptoms: Mapping[str, Mapping[str, float]]
    part_symptoms: Mapping[str, Mapping[str, float]]
    excludes: tuple[ExcludeRule, ...]
    excludes_nothing: frozenset[str]
    measured: Mapping[str, tuple[str, ...]]
    contradicts: tuple[ContradictRule, ...]


@cache
def general_practice() -> GeneralPractice:
    """The tables, read once. Raises ValueError where a table uses a word that is on no list, or bad numbers."""
    chain, catalogue, symptoms = (
        _table(name) for name in ("supply_chain", "fault_catalogue", "symptom_chances")
    )
    sections = values(SECTIONS)
    behaviour_symptoms = symptoms["behaviour"]
    behaviours = {
        entry["name"]: Behaviour(
            entry["name"],
            entry["says"],
            _rows(entry["rails"], entry["name"]),
            _chances(behaviour_symptoms.get(entry["name"], {})),
        )
        for entry in chain["behaviour"]
    }
    _listed(behaviour_symptoms, behaviours, "behaviour")
    _listed((entry["section"] for entry in chain["chain"]), sections, "section")
    _listed(symptoms["section"], sections, "section")
    _listed(symptoms["part"], _PARTS, "part class")
    missing = _SYMPTOMS - set(symptoms["base"])
    if missing:
        raise ValueError(f"symptom_chances.toml says nothing of {sorted(missing)}")
    return GeneralPractice(
        feeds={entry["section"]: tuple(entry.get("feeds", ())) for entry in chain["chain"]},
        role_of={entry["section"]: entry["rail"] for entry in chain["chain"] if "rail" in entry},
        in_order_rows=_rows(chain["in_order"]["rails"], "in_order"),
        in_order_symptoms=_chances(symptoms["in_order"]),
        behaviours=behaviours,
        faults=_faults(catalogue, behaviours, sections),
        kinds={name: (kind["sections"], kind["parts"]) for name, kind in catalogue["kind"].items()},
        base=_chances(symptoms["base"]),
        section_symptoms={name: _chances(table) for name, table in symptoms["section"].items()},
        part_symptoms={name: _chances(table) for name, table in symptoms["part"].items()},
        excludes=tuple(_exclude(rule, sections) for rule in chain["excludes"]),
        excludes_nothing=frozenset(_checked_symptoms(chain["excludes_nothing"]["symptoms"])),
        measured=_measured(chain["measured"]),
        contradicts=tuple(
            ContradictRule(
                rule["first"],
                frozenset(rule["absent"]),
                rule["second"],
                frozenset(rule["there"]),
                rule["why"],
            )
            for rule in chain["contradicts"]
        ),
    )


_SYMPTOMS = {symptom.name for symptom in SYMPTOMS}
_PARTS = {part.name for part in PART_CLASSES}
_ROLES = {*values(RAIL_ROLES), OWN, SWITCHED}


def _table(name: str) -> dict[str, Any]:
    return tomllib.loads((files("kb.facts") / "data" / f"{name}.toml").read_text(encoding="utf-8"))


def _listed(names: Any, known: Any, what: str) -> None:
    unknown = [name for name in names if name not in known]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no {what}")


def _checked_symptoms(names: Any) -> Any:
    _listed(names, _SYMPTOMS, "symptom")
    return names


def _measured(table: Mapping[str, list[str]]) -> Mapping[str, tuple[str, ...]]:
    _listed(table, _ROLES, "rail role")
    return MappingProxyType({role: tuple(_checked_symptoms(names)) for role, names in table.items()})


def _chances(table: Mapping[str, float]) -> Mapping[str, float]:
    """Symptoms with their probabilities, from percent."""
    _checked_symptoms(table)
    for name, percent in table.items():
        if not 0.0 < percent < 100.0:
            raise ValueError(f"{name!r} is on {percent} % of boards, which is never or always")
    return MappingProxyType({name: percent / 100.0 for name, percent in table.items()})


def _rows(rows: list[list[Any]], where: str) -> tuple[RailRow, ...]:
    return tuple(_row(row, where) for row in rows)


def _row(row: list[Any], where: str) -> RailRow:
    rail, supply, load, *percent = row
    _listed([rail], _ROLES, "rail role")
    _listed([supply], (ANY, *values(SUPPLY_STATES)), "supply state")
    _listed([load], (ANY, *values(LOADS)), "load")
    if len(percent) != len(RAIL_CONDITIONS) or min(percent) < 0 or abs(sum(percent) - 100.0) > 1e-6:
        raise ValueError(f"{where}: the row {row} does not hold five percentages that sum to 100")
    absent, low, pulsing, right, high = (max(number, 0.1) for number in percent)
    total = absent + low + pulsing + right + high
    return RailRow(
        rail, supply, load, (absent / total, low / total, pulsing / total, right / total, high / total)
    )


def _faults(
    catalogue: dict[str, Any], behaviours: Mapping[str, Behaviour], sections: tuple[str, ...]
) -> tuple[CatalogueFault, ...]:
    found = []
    for section in catalogue["section"]:
        _listed([section["name"]], sections, "section")
        for line in section["faults"]:
            _listed([line["part"]], _PARTS, "part class")
            _listed([line["failure"]], FAILURE_MODES, "failure mode")
            _listed(line["behaves"], behaviours, "behaviour")
            if line["share"] <= 0 or abs(sum(line["behaves"].values()) - 100.0) > 1e-6:
                raise ValueError(f"the shares of {line} are not right")
            found.append(
                CatalogueFault(
                    section["name"],
                    line["part"],
                    line["failure"],
                    float(line["share"]),
                    tuple((name, percent / 100.0) for name, percent in line["behaves"].items()),
                    _chances(line.get("symptoms", {})),
                    line.get("origin", catalogue["origin"]),
                )
            )
    return tuple(found)


def _exclude(rule: dict[str, Any], sections: tuple[str, ...]) -> ExcludeRule:
    _listed(rule["sections"], sections, "section")
    _checked_symptoms(rule["answers"])
    _checked_symptoms(rule.get("symptoms", ()))
    return ExcludeRule(
        frozenset(rule.get("rails", ())),
        frozenset(rule.get("supply", ())),
        frozenset(rule.get("load", ())),
        frozenset(rule.get("found", ())),
        frozenset(rule.get("symptoms", ())),
        tuple(rule["sections"]),
        rule["why"],
        tuple(rule["answers"]),
    )
