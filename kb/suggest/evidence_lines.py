"""Numbers for everything that can be noted: each symptom has two outcomes, each rail key five.

A *feature* is something one can look at (a symptom, or a rail in a supply state under a load), an
*item* is one outcome of it. The items of a feature are consecutive, so a feature's outcomes are a
slice of the count table.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest.facts_of_case import Evidence, RailFact, RailKey, contradictions
from kb.suggest.growable import Column, Names
from kb.suggest.rows import NO_VALUE, VALUE_STEPS

PRESENT, NOT_PRESENT = 0, 1
VALUED = frozenset(("low", "in tolerance", "high"))  # of an absent rail the last millivolts say nothing
_FARTHEST = 20.0  # times the nominal voltage; beyond that it was a slip of the pen

FeatureKey = tuple[str, ...]  # ("symptom", name) or ("rail", role, supply, load)


def steps_of(rail: RailFact) -> int:
    """What was read of a rail in VALUE_STEPS; NO_VALUE where nothing was, or where it says nothing."""
    if rail.value is None or rail.condition not in VALUED or not abs(rail.value) <= _FARTHEST:
        return NO_VALUE
    return round(rail.value * VALUE_STEPS)


def symptom_key(name: str) -> FeatureKey:
    return ("symptom", name)


def rail_key(key: RailKey) -> FeatureKey:
    return ("rail", *key)


class Lines:
    """The features and items of one ledger. `conditions` are the outcomes of a rail."""

    __slots__ = ("conditions", "feature_of", "features", "first_item", "levels", "rails")

    def __init__(self, conditions: Iterable[str] | None = None, features: Iterable[FeatureKey] = ()) -> None:
        self.conditions = tuple(values(RAIL_CONDITIONS) if conditions is None else conditions)
        self.features: Names[FeatureKey] = Names()
        self.first_item = Column(np.int64)
        self.levels = Column(np.int64)
        self.rails = Column(np.int8)
        self.feature_of = Column(np.int64)
        for key in features:
            self.intern(tuple(key))

    @property
    def item_count(self) -> int:
        return self.feature_of.size

    def intern(self, key: FeatureKey) -> int:
        """The number of a feature; a new one gets its items."""
        before = len(self.features)
        feature = self.features.intern(key)
        if feature == before:
            levels = 2 if key[0] == "symptom" else len(self.conditions)
            self.first_item.append(self.feature_of.size)
            self.levels.append(levels)
            self.rails.append(int(key[0] == "rail"))
            self.feature_of.extend([feature] * levels)
        return feature

    def is_rail(self, features: NDArray[Any]) -> NDArray[np.bool_]:
        """For each feature whether it is a rail; other features are symptoms."""
        return self.rails.view[features] == 1

    def item_of_symptom(self, name: str, present: bool) -> int:
        feature = self.intern(symptom_key(name))
        return int(self.first_item.view[feature]) + (PRESENT if present else NOT_PRESENT)

    def item_of_rail(self, rail: RailFact) -> int:
        """Item of a noted rail condition; -1 when the condition is not one of this ledger's."""
        if rail.condition not in self.conditions:
            return -1
        feature = self.intern(rail_key(rail.key))
        return int(self.first_item.view[feature]) + self.conditions.index(rail.condition)

    def items_of_case(
        self, symptoms: Iterable[tuple[str, bool]], rails: Iterable[RailFact]
    ) -> dict[int, int]:
        """Distinct items of a case in ascending order, each with what was read, in steps, or NO_VALUE.

        A symptom noted both ways says nothing and is left out.
        """
        noted = list(symptoms)
        silent = set(contradictions(noted))
        items = {
            self.item_of_symptom(name, present): NO_VALUE for name, present in noted if name not in silent
        }
        for rail in rails:
            items.setdefault(self.item_of_rail(rail), steps_of(rail))
        items.pop(-1, None)
        return dict(sorted(items.items()))

    def find(self, evidence: Evidence) -> tuple[list[int], list[str]]:
        """Distinct known items of the evidence, sorted, and the labels of what no case ever noted."""
        items: set[int] = set()
        unknown: set[str] = set()
        for name, present in evidence.symptoms:
            feature = self.features.find(symptom_key(name))
            if feature < 0:
                unknown.add(symptom_label(name, present))
            else:
                items.add(int(self.first_item.view[feature]) + (PRESENT if present else NOT_PRESENT))
        for rail in evidence.rails:
            item = self.find_rail(rail)
            if item < 0:
                unknown.add(rail_label(rail.key, rail.condition))
            else:
                items.add(item)
        return sorted(items), sorted(unknown)

    def find_rail(self, rail: RailFact) -> int:
        """The item of a rail condition, -1 where no case ever noted that rail in that state."""
        feature = self.features.find(rail_key(rail.key))
        if feature < 0 or rail.condition not in self.conditions:
            return -1
        return int(self.first_item.view[feature]) + self.conditions.index(rail.condition)

    def label(self, item: int) -> str:
        """An item in plain words, such as "standby rail low (running, in the set)"."""
        feature = int(self.feature_of.view[item])
        level = item - int(self.first_item.view[feature])
        key = self.features.values[feature]
        if key[0] == "symptom":
            return symptom_label(key[1], level == PRESENT)
        return rail_label((key[1], key[2], key[3]), self.conditions[level])

    def outcome_label(self, item: int) -> str:
        """Only the outcome of an item: present, not present, or the rail condition."""
        feature = int(self.feature_of.view[item])
        level = item - int(self.first_item.view[feature])
        if self.features.values[feature][0] == "symptom":
            return "present" if level == PRESENT else "not present"
        return self.conditions[level]


def symptom_label(name: str, present: bool) -> str:
    return name if present else f"{name} not present"


def rail_label(key: RailKey, condition: str) -> str:
    role, supply, load = key
    under = "no load" if load == "none" else load
    return f"{role} rail {condition} ({supply}, {under})"


def value_label(rail: RailFact) -> str:
    """What was read, such as "standby rail at 84 % of nominal (standby, no load)"."""
    return rail_label(rail.key, f"at {100.0 * (rail.value or 0.0):.0f} % of nominal")
