"""How well everything that was noted of a board fits a fault at once, in general.

A part fails in several ways, and on one board in one of them: a bulk capacitor that took the fuse leaves every
rail absent, a dry one leaves them low, and neither leaves one rail absent among right ones. So what was noted is
taken as independent within each way in which the fault behaves, and the ways are weighed:
log sum_w weight_w prod_q P(a_q | w).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest.facts_of_case import Fault, RailFact, RailKey
from kb.suggest.general_knowledge import Knowledge, general_knowledge

Floats = NDArray[np.float64]
_CONDITIONS = values(RAIL_CONDITIONS)


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
        counts = [len(knowledge.ways(*fault)) for fault in self.faults]
        self._first = np.concatenate([[0], np.cumsum(counts)[:-1]])
        self._log_weight = np.log([way[0] for _, way in ways])
        self._symptoms: dict[str, tuple[Floats, Floats]] = {}
        self._rails: dict[RailKey, Floats] = {}

    def log_likelihood(
        self, symptoms: Sequence[tuple[str, bool]], rails: Sequence[RailFact]
    ) -> tuple[Floats, Floats]:
        """(log P of everything at once, the same with each line for itself), each (P,)."""
        whole = self._log_weight.copy()
        apart = np.zeros(len(self.faults))
        for name, present in symptoms:
            if name in self.knowledge.practice.base:
                line = self._symptom(name)[0 if present else 1]
                whole += line
                apart += self._sum(self._log_weight + line)
        for fact in rails:
            if fact.supply != "unpowered" and fact.condition in _CONDITIONS:
                line = self._rail(fact.key)[_CONDITIONS.index(fact.condition)]
                whole += line
                apart += self._sum(self._log_weight + line)
        return self._sum(whole), apart

    def gain(self, symptoms: Sequence[tuple[str, bool]], rails: Sequence[RailFact]) -> dict[Fault, float]:
        """By how much (log) all lines fit each fault better, or worse, together than each for itself."""
        whole, apart = self.log_likelihood(symptoms, rails)
        return dict(zip(self.faults, (whole - apart).tolist(), strict=True))

    def _sum(self, logs: Floats) -> Floats:
        """Log of the sum over each fault's ways: (W,) to (P,)."""
        top: Floats = np.maximum.reduceat(logs, self._first)
        lengths = np.diff(np.append(self._first, len(logs)))
        summed: Floats = np.add.reduceat(np.exp(logs - np.repeat(top, lengths)), self._first)
        return top + np.log(summed)

    def _symptom(self, name: str) -> tuple[Floats, Floats]:
        if name not in self._symptoms:
            chance = np.array(
                [
                    self.knowledge.shown(*fault, line, name, behaviour)
                    for fault, (_, line, behaviour) in self._ways
                ]
            )
            self._symptoms[name] = np.log(chance), np.log1p(-chance)
        return self._symptoms[name]

    def _rail(self, key: RailKey) -> Floats:
        if key not in self._rails:
            self._rails[key] = np.log(
                [self.knowledge.behaves(fault[0], behaviour, *key) for fault, (_, _, behaviour) in self._ways]
            ).T
        return self._rails[key]


@cache
def together(kind: str | None = None) -> Together:
    """The catalogue's faults for a kind of board, with what was asked of them before."""
    knowledge = general_knowledge(kind)
    return _of(knowledge.kind)


@cache
def _of(kind: str | None) -> Together:
    return Together(general_knowledge(kind))
