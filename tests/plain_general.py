"""The simplest ranking that general knowledge alone gives: prior share times likelihoods, taken as independent."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest import Evidence
from kb.suggest.findings import Finding, log_ratio
from kb.suggest.general import GeneralKnowledge

_CONDITIONS = values(RAIL_CONDITIONS)


def fault_scores(
    knowledge: GeneralKnowledge, evidence: Evidence, found: Sequence[Finding] = ()
) -> dict[tuple[str, str], float]:
    """Probabilities of (section, part class), summing to 1; `found` are direct findings at parts."""
    pairs = {(fault.section, fault.part_class) for fault in knowledge.faults()}
    logs = {pair: _log_score(knowledge, pair, evidence) + log_ratio(found, *pair) for pair in pairs}
    top = max(logs.values())
    weights = {pair: math.exp(score - top) for pair, score in logs.items()}
    total = math.fsum(weights.values())
    return {pair: weight / total for pair, weight in weights.items()}


def sections_ranked(
    knowledge: GeneralKnowledge, evidence: Evidence, found: Sequence[Finding] = ()
) -> list[str]:
    """Sections by the sum of their faults' probabilities, likeliest first."""
    sums: dict[str, float] = defaultdict(float)
    for (section, _), probability in fault_scores(knowledge, evidence, found).items():
        sums[section] += probability
    return sorted(sums, key=lambda section: (-sums[section], section))


def _log_score(knowledge: GeneralKnowledge, pair: tuple[str, str], evidence: Evidence) -> float:
    section, part_class = pair
    score = math.log(knowledge.share(section, part_class))
    for name, present in evidence.symptoms:
        chance = knowledge.mentioned(section, part_class, name)
        if chance is not None:
            score += math.log(chance if present else 1.0 - chance)
    for fact in evidence.rails:
        chances = knowledge.rail(section, part_class, fact.role, fact.supply, fact.load)
        if chances is not None:
            score += math.log(chances[_CONDITIONS.index(fact.condition)])
    return score
