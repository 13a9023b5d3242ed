"""General knowledge of supplies as the statistics ask for it, from the tables of `kb.facts.general_practice`.

A board's fault behaves in one of a few ways; each way says how likely every rail is in every condition, and
what the owner notices. What a section and a part class do is the average over the ways in which they fail,
weighted by the catalogue's shares.

On one board it behaves in one of them: a bulk capacitor that took the fuse leaves every rail absent, a dry one
leaves them low, and neither leaves one rail absent among right ones. So everything that was noted together is taken
as independent within each way only, and the ways are weighed: log sum_w weight_w prod_q P(a_q | w).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

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
from kb.suggest.facts_of_case import Fault, RailFact, RailKey
from kb.suggest.general import GeneralFault, RailChances

Floats = NDArray[np.float64]
_CONDITIONS = values(RAIL_CONDITIONS)
_LEAST, _MOST = 0.002, 0.995


@dataclass(frozen=True, slots=True)
class Line:
    """One way in which a fault of the catalogue fails, with its weight within (section, part class)."""

    weight: float
    behaves: tuple[tuple[str, float], ...]
    symptoms: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Knowledge:
    """General knowledge for one kind of board; implements `kb.suggest.general.GeneralKnowledge`.

    Two are equal only when they are one object, since settings are compared often.
    """

    practice: GeneralPractice
    kind: str | None = None
    _faults: tuple[GeneralFault, ...] = field(init=False)
    _shares: Mapping[Fault, float] = field(init=False)
    _lines: Mapping[Fault, tuple[Line, ...]] = field(init=False)
    _sections: Mapping[str, tuple[Line, ...]] = field(init=False)
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

    def shares_of_kind(self, kind: str) -> Mapping[Fault, float] | None:
        """Share of each fault on boards of a kind that the tables name, summing to 1; None for any other."""
        return general_knowledge(kind)._shares if kind in self.practice.kinds else None

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

    def together(
        self, symptoms: Sequence[tuple[str, bool]], rails: Sequence[RailFact]
    ) -> Mapping[Fault, float]:
        """By how much (log) all lines fit each fault better, or worse, together than each for itself."""
        whole, apart = self.joint.log_likelihood(symptoms, rails)
        return dict(zip(self.joint.faults, (whole - apart).tolist(), strict=True))

    @cached_property
    def joint(self) -> Together:
        """The catalogue's faults with what each of their ways says of everything at once."""
        return Together(self)

    def ways(self, section: str, part_class: str) -> list[tuple[float, Line, str]]:
        """The ways in which a fault behaves: weight (summing to 1), line of the catalogue, behaviour."""
        return [
            (line.weight * share, line, name)
            for line in self._lines_of(section, part_class)
            for name, share in line.behaves
        ]

    def behaves(self, section: str, behaviour: str, role: str, supply: str, load: str) -> RailChances:
        """P(condition) of a rail when the section behaves in one way."""
        rows = self.practice.behaviours[behaviour].rows
        own_role = self.practice.role_of.get(section)
        return _first_row(rows, own_role, role, supply, load) or self.rail_in_order(role, supply, load)

    def rail_in_order(self, role: str, supply: str, load: str) -> RailChances:
        """P(condition) on a board on which nothing is wrong."""
        return _first_row(self.practice.in_order_rows, None, role, supply, load) or _ALL_RIGHT

    def mentioned_in_order(self, symptom: str) -> float | None:
        """P(symptom is mentioned or found) when nothing is wrong with the board; None if unknown."""
        return self.practice.in_order_symptoms.get(symptom, self.practice.base.get(symptom))

    def _lines_of(self, section: str, part_class: str) -> tuple[Line, ...]:
        return self._lines.get((section, part_class)) or self._sections[section]

    def _mentioned(self, section: str, part_class: str, symptom: str) -> float:
        chance = math.fsum(
            weight * self.shown(section, part_class, line, symptom, behaviour)
            for weight, line, behaviour in self.ways(section, part_class)
        )
        return min(max(chance, _LEAST), _MOST)

    def shown(self, section: str, part_class: str, line: Line, symptom: str, behaviour: str) -> float:
        """P(symptom) when the fault behaves in one way: the line's own figure, else its independent reasons."""
        own = line.symptoms.get(symptom)
        if own is None:
            practice = self.practice
            silent = 1.0 - practice.base[symptom]
            for table in (
                practice.section_symptoms.get(section, {}),
                practice.part_symptoms.get(part_class, {}),
                practice.behaviours[behaviour].symptoms,
            ):
                silent *= 1.0 - table.get(symptom, 0.0)
            own = 1.0 - silent
        return min(max(own, _LEAST), _MOST)

    def _rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances:
        total = [0.0] * len(_CONDITIONS)
        for weight, _, name in self.ways(section, part_class):
            for place, chance in enumerate(self.behaves(section, name, role, supply, load)):
                total[place] += weight * chance
        whole = math.fsum(total)
        absent, low, pulsing, right, high = (chance / whole for chance in total)
        return absent, low, pulsing, right, high


_ALL_RIGHT: RailChances = (0.01, 0.02, 0.02, 0.93, 0.02)


def _weighted(found: Sequence[tuple[float, CatalogueFault]], with_symptoms: bool) -> tuple[Line, ...]:
    total = math.fsum(weight for weight, _ in found)
    return tuple(
        Line(weight / total, fault.behaves, fault.symptoms if with_symptoms else {})
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


@dataclass(frozen=True, slots=True)
class _Answer:
    """Log P of one answer in each of W ways, and for each of P faults over its ways."""

    of_ways: Floats
    of_faults: Floats


class Together:
    """The ways of all P faults of a catalogue, W in all, and what each says, asked for once."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        self.faults: tuple[Fault, ...] = tuple(
            dict.fromkeys((one.section, one.part_class) for one in knowledge.faults())
        )
        self.log_share = np.log([knowledge.share(*fault) for fault in self.faults])
        ways = [(fault, way) for fault in self.faults for way in knowledge.ways(*fault)]
        self._ways = ways
        self._lengths = np.array([len(knowledge.ways(*fault)) for fault in self.faults])
        self._first = np.concatenate([[0], np.cumsum(self._lengths)[:-1]])
        self._log_weight = np.log([way[0] for _, way in ways])
        self._symptoms: dict[str, list[_Answer]] = {}
        self._rails: dict[RailKey, list[_Answer]] = {}

    def log_likelihood(
        self, symptoms: Sequence[tuple[str, bool]], rails: Sequence[RailFact]
    ) -> tuple[Floats, Floats]:
        """(log P of everything at once, the same with each line for itself), each (P,)."""
        whole = self._log_weight.copy()
        apart = np.zeros(len(self.faults))
        for name, present in symptoms:
            if name in self.knowledge.practice.base:
                answer = self._symptom(name)[0 if present else 1]
                whole += answer.of_ways
                apart += answer.of_faults
        for fact in rails:
            if fact.supply != "unpowered" and fact.condition in _CONDITIONS:
                answer = self._rail(fact.key)[_CONDITIONS.index(fact.condition)]
                whole += answer.of_ways
                apart += answer.of_faults
        return self._sum(whole), apart

    def _sum(self, logs: Floats) -> Floats:
        """Log of the sum over each fault's ways: (W,) to (P,)."""
        top: Floats = np.maximum.reduceat(logs, self._first)
        summed: Floats = np.add.reduceat(np.exp(logs - np.repeat(top, self._lengths)), self._first)
        return top + np.log(summed)

    def _answer(self, logs: Floats) -> _Answer:
        return _Answer(logs, self._sum(self._log_weight + logs))

    def _symptom(self, name: str) -> list[_Answer]:
        """Of a symptom being there, and of its being absent."""
        if name not in self._symptoms:
            chance = np.array(
                [
                    self.knowledge.shown(*fault, line, name, behaviour)
                    for fault, (_, line, behaviour) in self._ways
                ]
            )
            self._symptoms[name] = [self._answer(logs) for logs in (np.log(chance), np.log1p(-chance))]
        return self._symptoms[name]

    def _rail(self, key: RailKey) -> list[_Answer]:
        """Of each condition of a rail."""
        if key not in self._rails:
            logs = np.log(
                [self.knowledge.behaves(fault[0], behaviour, *key) for fault, (_, _, behaviour) in self._ways]
            )
            self._rails[key] = [self._answer(one) for one in np.ascontiguousarray(logs.T)]
        return self._rails[key]


@cache
def general_knowledge(kind: str | None = None) -> Knowledge:
    """Knowledge for a kind of board; for kinds that the tables do not name, that of a power supply."""
    practice = general_practice()
    return Knowledge(practice, kind if kind in practice.kinds else None)
