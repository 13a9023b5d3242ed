"""What can be turned in the statistics, each with its meaning. All have defaults that work."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kb.suggest.fitted import Fitted
from kb.suggest.general import GeneralKnowledge


@dataclass(frozen=True, slots=True)
class Settings:
    """Weights of the back-off levels count imaginary cases that the parent level contributes.

    k_family, k_kind   family to boards of the same kind, and kind to all boards (prior)
    alpha_fault        imaginary cases for each known fault at the top of the prior, where there is no catalogue
    k_catalogue        weight of the catalogue's shares at the top of the prior
    k_fault            fault to section, for symptoms (likelihood)
    k_rail             the same for rail conditions; None takes k_fault
    k_section          section to all faults (likelihood)
    alpha              imaginary cases for each answer at the top of the likelihood
    k_general_rail, k_general_symptom
                       weight of general knowledge beside the cases of a fault's section (likelihood)
    mentions           whether being mentioned, and not being mentioned, are answers; rail readings and what a
                       symptom was found to be always are
    strength           exponent, 0 < strength <= 1, of findings, readings and mentions: symptoms and readings of
                       one fault are not independent
    silence            the same for a symptom that is not mentioned, or looked for and not there
    fitted             what was chosen on the store for each question, in place of the weights and exponents
                       above (`kb.suggest.model_selection`)
    general            what is known of supplies in general; None for nothing but the store's own cases
    others_weight      what a case of another shop counts against one of the shop's own, 0 to 1
    k_unseen           weight of the parent level in the share of faults new to the store
    unseen_evidence    0: evidence leaves the share of unseen faults as it is; 1: an unseen fault is taken
                       to show evidence as boards in general do
    k_cure, general_cure
                       imaginary tries, and their share of cures, that a fix's chance of curing leans on
    general_fix        the same share at the bench, whether it lasts or not, for what a failed fix says
    warranty_days      a board that comes back with the same fault within this time was not cured
    bench_rate_per_hour, default_minutes, default_cost
                       what an hour at the bench costs, and what a try takes where nothing is recorded
    """

    k_family: float = 8.0
    k_kind: float = 8.0
    alpha_fault: float = 0.5
    k_catalogue: float = 300.0
    k_fault: float = 10.0
    k_rail: float | None = None
    k_section: float = 2.0
    alpha: float = 0.5
    k_general_rail: float = 200.0
    k_general_symptom: float = 60.0
    mentions: bool = True
    strength: float = 0.7
    silence: float = 0.3
    fitted: Fitted | None = None
    general: GeneralKnowledge | None = None
    others_weight: float = 0.5
    k_unseen: float = 60.0
    unseen_evidence: float = 0.25
    k_cure: float = 4.0
    general_cure: float = 0.9
    general_fix: float = 0.9
    warranty_days: int = 365
    bench_rate_per_hour: float = 40.0
    default_minutes: float = 30.0
    default_cost: float = 5.0

    def __post_init__(self) -> None:
        """Raise ValueError for a setting that would make a probability undefined."""
        if not 0.0 < self.strength <= 1.0:
            raise ValueError(f"strength must be above 0 and at most 1, not {self.strength}")
        for name in ("silence", "others_weight", "unseen_evidence", "general_cure", "general_fix"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must be from 0 to 1, not {getattr(self, name)}")
        for name in (
            "k_family",
            "k_kind",
            "alpha_fault",
            "k_catalogue",
            "k_fault",
            "k_section",
            "alpha",
            "k_general_rail",
            "k_general_symptom",
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

    @property
    def value_exponent(self) -> float:
        """The exponent of what a reading's value says within its condition: 0 until it was chosen on the store."""
        return 0.0 if self.fitted is None else self.fitted.value_exponent

    @property
    def effective_strength(self) -> float:
        """The exponent, or the mean of the exponents chosen on the store."""
        return self.strength if self.fitted is None else self.fitted.strength
