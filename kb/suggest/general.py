"""What is known of supplies in general, as far as the statistics ask for it; where it comes from is not their matter.

General knowledge is a prior: the counts of a store lean away from it as cases come, and how much is chosen
on the store (`kb.suggest.model_selection`). Everything works without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from kb.suggest.facts_of_case import Fault, RailFact

# The order in which `GeneralKnowledge.rail` answers; as `kb.facts.vocabulary` lists them.
RailChances = tuple[float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class GeneralFault:
    """One entry of a catalogue of faults; `share` of all faults, the shares of a catalogue sum to 1."""

    section: str
    part_class: str
    failure: str
    share: float


class GeneralKnowledge(Protocol):
    """A catalogue of faults and what each of them does to symptoms and rails."""

    def faults(self) -> tuple[GeneralFault, ...]:
        """The whole catalogue."""
        ...

    def share(self, section: str, part_class: str) -> float:
        """Share of a fault, summed over its failures; 0 where the catalogue does not have it."""
        ...

    def mentioned(self, section: str, part_class: str, symptom: str) -> float | None:
        """P(symptom is mentioned or found present | fault); None for no opinion."""
        ...

    def rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances | None:
        """P(condition | fault) over RAIL_CONDITIONS in their order; None for no opinion."""
        ...


@runtime_checkable
class KnowsKinds(Protocol):
    """General knowledge that knows how kinds of boards differ in their faults."""

    def shares_of_kind(self, kind: str) -> Mapping[Fault, float] | None:
        """Share of each fault of the catalogue on boards of a kind, summing to 1; None for an unknown kind."""
        ...


@runtime_checkable
class WeighsTogether(Protocol):
    """General knowledge that also says how well everything noted fits a fault at once."""

    def together(
        self, symptoms: Sequence[tuple[str, bool]], rails: Sequence[RailFact]
    ) -> Mapping[Fault, float]:
        """By how much (log) all lines fit each fault better, or worse, together than each for itself."""
        ...
