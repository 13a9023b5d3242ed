"""The section in which a part most likely sits where the text does not say it.

The shares of the fault catalogue (`kb/facts/data/fault_catalogue.toml`), weighed with the symptoms that were
read: of all faults of that part class, which section has most of them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import lru_cache

from kb.facts.general_practice import CatalogueFault, GeneralPractice, general_practice

_ENOUGH = 0.4  # of the faults of that class; with less in any one section none is named
_OTHER_FAILURE = 0.2  # what a catalogue fault counts where the part failed in another way


def likely_section(part_class: str | None, failure: str | None, symptoms: Iterable[str]) -> str | None:
    """The section that has most of the faults of `part_class` with these symptoms; None where none stands out."""
    if part_class is None:
        return None
    return _likely(part_class, failure, frozenset(symptoms))


@lru_cache(maxsize=1_024)
def _likely(part_class: str, failure: str | None, symptoms: frozenset[str]) -> str | None:
    practice = general_practice()
    weights: dict[str, float] = defaultdict(float)
    for fault in practice.faults:
        if fault.part_class != part_class:
            continue
        weight = fault.share * (1.0 if failure in (None, fault.failure) else _OTHER_FAILURE)
        for name in symptoms:
            weight *= _chance(practice, fault, name)
        weights[fault.section] += weight
    total = sum(weights.values())
    if not total:
        return None
    best = max(weights, key=lambda section: weights[section])
    return best if weights[best] >= _ENOUGH * total else None


def _chance(practice: GeneralPractice, fault: CatalogueFault, name: str) -> float:
    """How likely a board with `fault` shows symptom `name`: from any of what may cause it."""
    behaves = sum(
        share * practice.behaviours[behaviour].symptoms.get(name, 0.0) for behaviour, share in fault.behaves
    )
    absent = 1.0
    for chance in (
        fault.symptoms.get(name, 0.0),
        behaves,
        practice.section_symptoms.get(fault.section, {}).get(name, 0.0),
        practice.base.get(name, 0.01),
    ):
        absent *= 1.0 - chance
    return 1.0 - absent
