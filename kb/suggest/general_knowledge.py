"""General knowledge of supplies as the statistics ask for it, from the tables of `kb.facts.general_practice`.

A board's fault behaves in one of a few ways; each way says how likely every rail is in every condition, and
what the owner notices. What a section and a part class do is the average over the ways in which they fail,
weighted by the catalogue's shares.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

from kb.facts.general_practice import (
    ANY,
    NOT_SWITCHED,
    OWN,
    SWITCHED,
    CatalogueFault,
    GeneralPractice,
    RailRow,
    general_practice,
)
from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest.facts_of_case import Fault
from kb.suggest.general import GeneralFault, RailChances

_CONDITIONS = values(RAIL_CONDITIONS)
_LEAST, _MOST = 0.002, 0.995


@dataclass(frozen=True, slots=True)
class _Line:
    """One way in which a fault of the catalogue fails, with its weight within (section, part class)."""

    weight: float
    behaves: tuple[tuple[str, float], ...]
    symptoms: Mapping[str, float]


@dataclass(frozen=True)
class Knowledge:
    """General knowledge for one kind of board; implements `kb.suggest.general.GeneralKnowledge`."""

    practice: GeneralPractice
    kind: str | None = None
    _faults: tuple[GeneralFault, ...] = field(init=False)
    _shares: Mapping[Fault, float] = field(init=False)
    _lines: Mapping[Fault, tuple[_Line, ...]] = field(init=False)
    _sections: Mapping[str, tuple[_Line, ...]] = field(init=False)
    _asked: dict[tuple[str, ...], float | RailChances] = field(
        init=False, default_factory=dict, compare=False
    )

    def __post_init__(self) -> None:
        """Shares of this kind of board, summing to 1."""
        section_factor, part_factor = self.practice.kinds.get(self.kind or "", ({}, {}))
        weights = [
            fault.share * section_factor.get(fault.section, 1.0) * part_factor.get(fault.part_class, 1.0)
            for fault in self.practice.faults
        ]
        total = math.fsum(weights)
        shares: dict[Fault, float] = defaultdict(float)
        lines: dict[Fault, list[tuple[float, CatalogueFault]]] = defaultdict(list)
        sections: dict[str, list[tuple[float, CatalogueFault]]] = defaultdict(list)
        for fault, weight in zip(self.practice.faults, weights, strict=True):
            key = (fault.section, fault.part_class)
            shares[key] += weight / total
            lines[key].append((weight, fault))
            sections[fault.section].append((weight, fault))
        put = object.__setattr__
        put(
            self,
            "_faults",
            tuple(
                GeneralFault(fault.section, fault.part_class, fault.failure, weight / total)
                for fault, weight in zip(self.practice.faults, weights, strict=True)
            ),
        )
        put(self, "_shares", dict(shares))
        put(self, "_lines", {key: _weighted(found, True) for key, found in lines.items()})
        put(self, "_sections", {name: _weighted(found, False) for name, found in sections.items()})

    def faults(self) -> tuple[GeneralFault, ...]:
        """The whole catalogue, most frequent sections as the chain runs."""
        return self._faults

    def share(self, section: str, part_class: str) -> float:
        """Share of (section, part class) among all faults, summed over its failures; 0 if not listed."""
        return self._shares.get((section, part_class), 0.0)

    def mentioned(self, section: str, part_class: str, symptom: str) -> float | None:
        """P(symptom is mentioned or found present | fault), 0 to 1; None for an unknown symptom or section."""
        if symptom not in self.practice.base or section not in self._sections:
            return None
        key = ("symptom", section, part_class, symptom)
        found = self._asked.get(key)
        if found is None:
            found = self._asked[key] = self._mentioned(section, part_class, symptom)
        return found  # type: ignore[return-value]  # floats under "symptom", tuples under "rail"

    def rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances | None:
        """P(condition | fault) in the order of RAIL_CONDITIONS, summing to 1.

        None for an unknown section and for an unplugged board, on which every rail is absent.
        """
        if section not in self._sections or supply == "unpowered":
            return None
        key = ("rail", section, part_class, role, supply, load)
        found = self._asked.get(key)
        if found is None:
            found = self._asked[key] = self._rail(section, part_class, role, supply, load)
        return found  # type: ignore[return-value]

    def rail_in_order(self, role: str, supply: str, load: str) -> RailChances:
        """P(condition) on a board on which nothing is wrong."""
        return _first_row(self.practice.in_order_rows, None, role, supply, load) or _ALL_RIGHT

    def mentioned_in_order(self, symptom: str) -> float | None:
        """P(symptom is mentioned or found) when nothing is wrong with the board; None if unknown."""
        return self.practice.in_order_symptoms.get(symptom, self.practice.base.get(symptom))

    def _lines_of(self, section: str, part_class: str) -> tuple[_Line, ...]:
        return self._lines.get((section, part_class)) or self._sections[section]

    def _mentioned(self, section: str, part_class: str, symptom: str) -> float:
        practice = self.practice
        silent = 1.0 - practice.base[symptom]
        silent *= 1.0 - practice.section_symptoms.get(section, {}).get(symptom, 0.0)
        silent *= 1.0 - practice.part_symptoms.get(part_class, {}).get(symptom, 0.0)
        chance = 0.0
        for line in self._lines_of(section, part_class):
            own = line.symptoms.get(symptom)
            if own is None:
                shown = sum(
                    share * practice.behaviours[name].symptoms.get(symptom, 0.0)
                    for name, share in line.behaves
                )
                own = 1.0 - silent * (1.0 - shown)
            chance += line.weight * own
        return min(max(chance, _LEAST), _MOST)

    def _rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances:
        total = [0.0] * len(_CONDITIONS)
        own_role = self.practice.role_of.get(section)
        healthy = self.rail_in_order(role, supply, load)
        for line in self._lines_of(section, part_class):
            for name, share in line.behaves:
                rows = self.practice.behaviours[name].rows
                chances = _first_row(rows, own_role, role, supply, load) or healthy
                for place, chance in enumerate(chances):
                    total[place] += line.weight * share * chance
        whole = math.fsum(total)
        absent, low, pulsing, right, high = (chance / whole for chance in total)
        return absent, low, pulsing, right, high


_ALL_RIGHT: RailChances = (0.01, 0.02, 0.02, 0.93, 0.02)


def _weighted(found: Sequence[tuple[float, CatalogueFault]], with_symptoms: bool) -> tuple[_Line, ...]:
    total = math.fsum(weight for weight, _ in found)
    return tuple(
        _Line(weight / total, fault.behaves, fault.symptoms if with_symptoms else {})
        for weight, fault in found
    )


def _first_row(
    rows: Sequence[RailRow], own_role: str | None, role: str, supply: str, load: str
) -> RailChances | None:
    switched = role not in NOT_SWITCHED
    for row in rows:
        fits = (
            row.rail == role or (row.rail == OWN and role == own_role) or (row.rail == SWITCHED and switched)
        )
        if fits and row.supply in (ANY, supply) and row.load in (ANY, load):
            return row.chances
    return None


@cache
def general_knowledge(kind: str | None = None) -> Knowledge:
    """Knowledge for a kind of board; for kinds that the tables do not name, that of a power supply."""
    practice = general_practice()
    return Knowledge(practice, kind if kind in practice.kinds else None)
