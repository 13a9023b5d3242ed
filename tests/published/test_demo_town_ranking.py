"""The ranking on another town of the demo: boards it never counted, from the first day to a thousand cases.

Beside it scrambled general knowledge, every fault with another one's share and signs: from thirty own cases on it
must do no harm.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from demo_town.generator import generate, lines

from kb.facts.general_practice import general_practice
from kb.model import CaseRecord, FamilyRecord
from kb.service.shop.translate import facts_of
from kb.suggest import CaseFacts, Evidence, GeneralFault, Ledger, Settings, choose_strength
from kb.suggest.facts_of_case import Fault
from kb.suggest.general_knowledge import Knowledge, general_knowledge
from kb.suggest.posterior import posterior
from kb.suggest.scores import log_loss

POOL = 1_300


@cache
def town() -> tuple[tuple[CaseFacts, Fault], ...]:
    """Cured boards of town 77 that did not come back, in their order, with their faults."""
    records = [json.loads(line) for line in lines(generate(77, 4_200, None))]
    families = {one["code"]: FamilyRecord.model_validate(one) for one in records if one["record"] == "family"}
    found = []
    for one in records:
        if one["record"] == "case":
            record = CaseRecord.model_validate(one)
            facts = facts_of(record, families[record.family])
            alone = Ledger()
            alone.add(facts)
            if alone.known:
                found.append((facts, alone.faults.values[int(alone.rows.get("fault")[0])]))
    return tuple(found)


def asked_boards(many: int) -> list[tuple[CaseFacts, Fault]]:
    rest = town()[POOL:]
    return [rest[place] for place in np.random.default_rng(5).permutation(len(rest))[:many]]


def measured(cases: int, boards: int, settings: Settings) -> tuple[float, float, float]:
    """Share first, share among the first three, log loss; unknown faults share what is left for them evenly.

    The boards are closed cases, so all that there is to tell of them was told.
    """
    ledger = Ledger()
    for facts, _ in town()[:cases]:
        ledger.add(facts)
    chosen = choose_strength(ledger, settings, max_cases=2_000).settings
    first, three, said = 0, 0, []
    asked = asked_boards(boards)
    for facts, truth in asked:
        evidence = Evidence(facts.family, facts.kind, facts.symptoms, facts.rails, complete=True)
        found = posterior(ledger, evidence, chosen)
        names = [ledger.faults.values[number] for number in found.faults.tolist()]
        leading = [names[place] for place in np.argsort(-found.probability, kind="stable")[:3]]
        first += truth in leading[:1]
        three += truth in leading
        shared = found.unseen / max(1, len(EVERY_FAULT) - len(names))
        said.append(float(found.probability[names.index(truth)]) if truth in names else shared)
    return first / len(asked), three / len(asked), log_loss(said)


EVERY_FAULT = frozenset((one.section, one.part_class) for one in general_knowledge().faults())
GENERAL = Settings(general=general_knowledge(), k_kind=128.0)


@pytest.mark.parametrize(
    ("cases", "boards", "first", "three"),
    [
        (0, 300, 0.50, 0.70),
        (30, 300, 0.48, 0.68),
        # From here on the weights are chosen by the cases, which takes most of the time.
        pytest.param(300, 300, 0.82, 0.95, marks=pytest.mark.long),
        pytest.param(0, 2_000, 0.57, 0.77, marks=pytest.mark.long),
        pytest.param(30, 2_000, 0.56, 0.75, marks=pytest.mark.long),
        pytest.param(300, 2_000, 0.86, 0.96, marks=pytest.mark.long),
        pytest.param(1_000, 2_000, 0.93, 0.985, marks=pytest.mark.long),
    ],
)
def test_boards_of_another_town_are_ranked(cases: int, boards: int, first: float, three: float) -> None:
    ours = measured(cases, boards, GENERAL)
    print(f"\n{cases} cases: {ours[0]:.3f} / {ours[1]:.3f} / {ours[2]:.3f}")
    assert ours[0] >= first
    assert ours[1] >= three


class Scrambled(Knowledge):
    """Every fault of the catalogue with the share and the signs of another."""

    def __post_init__(self) -> None:
        super().__post_init__()
        pairs = sorted(self._shares)
        order = np.random.default_rng(4).permutation(len(pairs)).tolist()
        object.__setattr__(
            self, "instead", {pair: pairs[place] for pair, place in zip(pairs, order, strict=True)}
        )

    def faults(self) -> tuple[GeneralFault, ...]:
        return tuple(
            GeneralFault(*pair, "fails", super(Scrambled, self).share(*self.of(*pair)))
            for pair in sorted(self._shares)
        )

    def of(self, section: str, part_class: str) -> Fault:
        instead: dict[Fault, Fault] = self.__dict__["instead"]
        return instead.get((section, part_class), (section, part_class))

    def shares_of_kind(self, kind: str) -> None:
        return None

    def mentioned(self, section: str, part_class: str, symptom: str) -> float | None:
        return super().mentioned(*self.of(section, part_class), symptom)

    def rail(self, section, part_class, role, supply, load):  # type: ignore[no-untyped-def]
        return super().rail(*self.of(section, part_class), role, supply, load)

    def together(self, symptoms, rails):  # type: ignore[no-untyped-def]
        said = super().together(symptoms, rails)
        return {pair: said[self.of(*pair)] for pair in said}


@pytest.mark.parametrize("cases", [30, pytest.param(100, marks=pytest.mark.long)])
def test_a_scrambled_catalogue_goes_to_about_nothing_from_thirty_own_cases_on(cases: int) -> None:
    scrambled = replace(GENERAL, general=Scrambled(general_practice()))
    plain, wrong = (measured(cases, 300, one) for one in (replace(GENERAL, general=None), scrambled))
    print(
        f"\n{cases} cases: alone {plain[2]:.3f}, scrambled {wrong[2]:.3f}; first {plain[0]:.3f}, {wrong[0]:.3f}"
    )
    assert wrong[2] < plain[2] + 0.1
    assert wrong[0] > plain[0] - 0.03
