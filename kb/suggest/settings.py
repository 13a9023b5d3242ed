"""What can be turned in the statistics, each with its meaning. All have defaults that work."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Settings:
    """Weights of the back-off levels count imaginary cases that the parent level contributes.

    k_family, k_kind   family to boards of the same kind, and kind to all boards (prior)
    alpha_fault        imaginary cases for each known fault at the top of the prior
    k_fault            fault to section, for symptoms (likelihood)
    k_rail             the same for rail conditions; None takes k_fault
    k_section          section to all faults (likelihood)
    alpha              imaginary cases for each outcome at the top of the likelihood
    mentions           whether a symptom counts against all cases of a fault (that it was mentioned tells
                       something, since nobody mentions what is not there) or only against those in which
                       it was looked for, present or not; rail readings always count the latter way
    strength           evidence strength, 0 < strength <= 1: the log likelihoods are multiplied by it,
                       because symptoms and readings of one fault are not independent
    others_weight      what a case of another shop counts against one of the shop's own, 0 to 1
    k_unseen           weight of the parent level in the share of faults new to the store
    unseen_evidence    0: evidence leaves the share of unseen faults as it is; 1: an unseen fault is taken
                       to show evidence as boards in general do
    k_cure             imaginary tries with which a fix's cure rate is drawn to that of fixes in general
    warranty_days      a board that comes back with the same fault within this time was not cured
    bench_rate_per_hour, default_minutes, default_cost
                       what an hour at the bench costs, and what a try takes where nothing is recorded
    """

    k_family: float = 8.0
    k_kind: float = 8.0
    alpha_fault: float = 0.5
    k_fault: float = 10.0
    k_rail: float | None = None
    k_section: float = 2.0
    alpha: float = 0.5
    mentions: bool = True
    strength: float = 0.7
    others_weight: float = 0.5
    k_unseen: float = 60.0
    unseen_evidence: float = 0.25
    k_cure: float = 4.0
    warranty_days: int = 365
    bench_rate_per_hour: float = 40.0
    default_minutes: float = 30.0
    default_cost: float = 5.0

    def __post_init__(self) -> None:
        """Raise ValueError for a setting that would make a probability undefined."""
        if not 0.0 < self.strength <= 1.0:
            raise ValueError(f"strength must be above 0 and at most 1, not {self.strength}")
        if not 0.0 <= self.others_weight <= 1.0:
            raise ValueError(f"others_weight must be from 0 to 1, not {self.others_weight}")
        if not 0.0 <= self.unseen_evidence <= 1.0:
            raise ValueError(f"unseen_evidence must be from 0 to 1, not {self.unseen_evidence}")
        for name in (
            "k_family",
            "k_kind",
            "alpha_fault",
            "k_fault",
            "k_section",
            "alpha",
            "k_unseen",
            "k_cure",
        ):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be a number of cases, zero or more, not {value}")
        if self.k_rail is not None and not (math.isfinite(self.k_rail) and self.k_rail >= 0.0):
            raise ValueError(f"k_rail must be a number of cases, zero or more, not {self.k_rail}")
        if self.warranty_days < 0:
            raise ValueError(f"warranty_days must be zero or more, not {self.warranty_days}")

    @property
    def rail_weight(self) -> float:
        """k_rail where given, else k_fault."""
        return self.k_fault if self.k_rail is None else self.k_rail
