"""The simplest ranking that general knowledge alone gives: prior share times likelihood of all that was noted."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from kb.suggest import Evidence
from kb.suggest.findings import Finding, log_ratio
from kb.suggest.general_knowledge import general_knowledge


def fault_scores(evidence: Evidence, found: Sequence[Finding] = ()) -> dict[tuple[str, str], float]:
    """Probabilities of (section, part class), summing to 1; `found` are direct findings at parts."""
    general = general_knowledge(evidence.kind).joint
    logs = general.log_share + general.log_likelihood(evidence.symptoms, evidence.rails)[0]
    logs += [log_ratio(found, *fault) for fault in general.faults]
    weights = np.exp(logs - logs.max())
    return dict(zip(general.faults, (weights / weights.sum()).tolist(), strict=True))


def sections_ranked(evidence: Evidence, found: Sequence[Finding] = ()) -> list[str]:
    """Sections by the sum of their faults' probabilities, likeliest first."""
    sums: dict[str, list[float]] = defaultdict(list)
    for (section, _), probability in fault_scores(evidence, found).items():
        sums[section].append(probability)
    return sorted(sums, key=lambda section: (-math.fsum(sums[section]), section))
