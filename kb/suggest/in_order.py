"""How likely is it that nothing is wrong with this board, and what would settle it.

Bayes' rule between "in order" and all faults of the catalogue, from what was noticed and measured. The share of
boards on which no fault is found is the store's, around a tenth (common practice, no published source), and a
family's around the store's: the means of beta distributions (A. Gelman et al., Bayesian Data Analysis, 3rd edition
2013, section 2.4, from memory). A board that fails
now and then may have been measured while it worked, so half of the weight of a fault that comes and goes lies on
readings as on a board in order.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from kb.facts.general_practice import NOT_SWITCHED
from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest.facts_of_case import Evidence, RailFact
from kb.suggest.general_knowledge import Knowledge, general_knowledge
from kb.suggest.ledger import Ledger
from kb.suggest.pooled_counts import own_of

NO_FAULT_FOUND_SHARE = 0.1
_STORE_CASES, _FAMILY_CASES = 20.0, 20.0  # boards by which a store leans on the tenth, a family on its store
_WORKED_MEANWHILE = 0.5
_COMES_AND_GOES = "board and joints"
_CONDITIONS = values(RAIL_CONDITIONS)
_MOST_SETTLING = 3
# How often a faulty board whose voltages are right all the same passes one more start, or half an hour under load, and
# beyond what passing proves nothing more: common practice, no published source.
_PASSES_START, _LEAST_BY_STARTS = 0.9, 0.5
_PASSES_HALF_HOUR, _LEAST_BY_SOAK = 0.6, 0.3
_HALF_HOUR_S, _HOUR_S, _STARTS_WANTED = 1800.0, 3600.0, 10
_NOT_THERE = math.log(0.02)  # a family's list of outputs may lack one


@dataclass(frozen=True, slots=True)
class InOrder:
    """`probability` that nothing is wrong on this board; `settles` says what would decide it, as sentences."""

    probability: float
    settles: tuple[str, ...]


def no_fault_found_share(ledger: Ledger, family: str | None) -> float:
    """Share of boards on which no fault is found, from own boards whose verdict says whether there was one."""
    judged = own_of(ledger).judged.view
    faulty, sound = judged.sum(axis=0).tolist() if len(judged) else (0, 0)
    share = (sound + _STORE_CASES * NO_FAULT_FOUND_SHARE) / (faulty + sound + _STORE_CASES)
    number = ledger.families.find(family) if family else -1
    if 0 <= number < len(judged):
        faulty, sound = judged[number].tolist()
        share = (sound + _FAMILY_CASES * share) / (faulty + sound + _FAMILY_CASES)
    return float(share)


def in_order(
    evidence: Evidence,
    prior: float = NO_FAULT_FOUND_SHARE,
    *,
    part_found_bad: bool = False,
    without: Collection[str] = (),
) -> InOrder:
    """P(nothing is wrong on the board | evidence), with the share `prior` of boards with no fault found.

    `without` names sections that this board does not have, so that no fault of theirs can be on it.
    `part_found_bad` says that a part was measured shorted, open or worn, which settles it. Raises ValueError
    for a prior that is no probability.
    """
    if not 0.0 <= prior <= 1.0:
        raise ValueError(f"the share of boards in order must be from 0 to 1, not {prior}")
    if part_found_bad:
        return InOrder(0.0, ())
    general = general_knowledge(evidence.kind).joint
    knowledge = general.knowledge
    right = _log_in_order(knowledge, evidence)
    told = general.log_likelihood(evidence.symptoms, ())[0]
    everything = general.log_likelihood(evidence.symptoms, evidence.rails)[0]
    worked = told + _rails_in_order(knowledge, evidence.rails)
    either = np.logaddexp(math.log(_WORKED_MEANWHILE) + worked, math.log1p(-_WORKED_MEANWHILE) + everything)
    noted = {name for name, present in evidence.symptoms if present}
    now_and_then = np.array([section == _COMES_AND_GOES for section, _ in general.faults])
    if noted & knowledge.practice.excludes_nothing:
        now_and_then[:] = True
    scores = general.log_share + np.where(now_and_then, either, everything)
    # A part that was measured right takes its own faults out of the sum; the board in order is not named by it.
    ratios = {fault: ratio for one in evidence.found for fault, ratio in one.log_ratios}
    scores += np.array([ratios.get(fault, 0.0) for fault in general.faults])
    scores += np.array([_NOT_THERE if section in without else 0.0 for section, _ in general.faults])
    top = max(right, float(scores.max()))
    wrong = float(np.exp(scores - top).sum())
    mine = prior * math.exp(right - top)
    whole = mine + (1.0 - prior) * wrong
    return InOrder(mine / whole if whole > 0.0 else prior, _settles(evidence))


def after_endurance(found: InOrder, *, starts: int = 0, soaked_s: float = 0.0) -> InOrder:
    """The probability after `starts` right starts from cold and `soaked_s` seconds right under load.

    Bayes' rule on what a faulty board would have passed; a board in order passes all of it. It never comes near 1:
    a fault that shows itself now and then may have stayed away. Raises ValueError for numbers below 0.
    """
    if starts < 0 or soaked_s < 0 or not math.isfinite(soaked_s):
        raise ValueError(f"starts and seconds must be 0 or more, not {starts} and {soaked_s}")
    passed = max(_PASSES_START**starts, _LEAST_BY_STARTS) * max(
        _PASSES_HALF_HOUR ** (soaked_s / _HALF_HOUR_S), _LEAST_BY_SOAK
    )
    wrong = (1.0 - found.probability) * passed
    whole = found.probability + wrong
    settles = []
    for one in found.settles:
        if one.startswith(("ten starts", "ten cold starts")) and starts:
            left = _STARTS_WANTED - starts
            settles += [f"{one} ({starts} made)"] if left > 0 else []
        elif one.startswith("an hour under load") and soaked_s:
            minutes = f"{soaked_s / 60:.3g} min" if soaked_s >= 60 else f"{soaked_s:.0f} s"
            settles += [f"{one} ({minutes} so far)"] if soaked_s < _HOUR_S else []
        else:
            settles.append(one)
    return InOrder(found.probability / whole if whole > 0.0 else found.probability, tuple(settles))


def _log_in_order(knowledge: Knowledge, evidence: Evidence) -> float:
    score = _rails_in_order(knowledge, evidence.rails)
    for name, present in evidence.symptoms:
        chance = knowledge.mentioned_in_order(name)
        if chance is not None:
            score += math.log(chance if present else 1.0 - chance)
    return score


def _rails_in_order(knowledge: Knowledge, rails: tuple[RailFact, ...]) -> float:
    return math.fsum(
        math.log(knowledge.rail_in_order(*fact.key)[_CONDITIONS.index(fact.condition)])
        for fact in rails
        if fact.supply != "unpowered" and fact.condition in _CONDITIONS
    )


def _settles(evidence: Evidence) -> tuple[str, ...]:
    """What was not yet seen to be right: rails under load first, then starts and time."""
    right = {(fact.role, fact.load) for fact in evidence.rails if fact.condition == "in tolerance"}
    loaded = {role for role, load in right if load != "none"}
    wanted = []
    if "standby" not in loaded:
        wanted.append("the standby rail under load")
    if not loaded - NOT_SWITCHED:
        wanted.append("each switched rail under load, with its lowest and highest voltage recorded")
    noted = {name for name, present in evidence.symptoms if present}
    if noted & {"starts only when warm", "starts only after several tries", "intermittent"}:
        wanted.append("ten cold starts, the board cooled down before each")
    if noted & {"fails when warm", "output drifts with heat", "intermittent", "restarts by itself"}:
        wanted.append("an hour under load, warm")
    if noted & {"intermittent", "responds to tapping or flexing"}:
        wanted.append("tapping and flexing with an insulated stick while a rail is recorded")
    wanted += ["ten starts", "an hour under load", "the complaint tried in the set"]
    unique = [
        one for place, one in enumerate(wanted) if not any(other.startswith(one) for other in wanted[:place])
    ]
    return tuple(unique[:_MOST_SETTLING])
