"""General knowledge as a prior: alone on the first day, outweighed by cases, and harmless when it is wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from dependent_world import DependentWorld
from known_world import CONDITIONS, FAULTS, RAILS, SYMPTOMS, cases_of
from numpy.typing import NDArray
from ranking_figures import figures, said_by_product
from suggest_builders import CAP, SWITCH, case, ledger_of, low_standby

from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest import Evidence, GeneralFault, Ledger, Settings, Tried, choose_strength, rank
from kb.suggest.general import RailChances
from kb.suggest.general_knowledge import general_knowledge
from kb.suggest.snapshot import from_bytes, to_bytes

WORLD = DependentWorld(21)
TEST = WORLD.sample(600, 999)
BOARDS = cases_of(WORLD, TEST, "asked")  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class FromWorld:
    """What is true of a world's faults on average, as general knowledge; `order` gives each fault another's truth."""

    order: tuple[int, ...] = tuple(range(len(FAULTS)))

    def faults(self) -> tuple[GeneralFault, ...]:
        shares = WORLD.family_share @ WORLD.prior
        return tuple(
            GeneralFault(*fault, "fails", float(shares[self.order[place]]))
            for place, fault in enumerate(FAULTS)
        )

    def share(self, section: str, part_class: str) -> float:
        return next(
            (one.share for one in self.faults() if (one.section, one.part_class) == (section, part_class)),
            0.0,
        )

    def mentioned(self, section: str, part_class: str, symptom: str) -> float | None:
        if symptom not in SYMPTOMS or (section, part_class) not in FAULTS:
            return None
        fault = self.order[FAULTS.index((section, part_class))]
        shown = WORLD.present[fault, :, SYMPTOMS.index(symptom)]
        return float(WORLD.share[fault] @ shown)

    def rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances | None:
        keys = [rail[:3] for rail in RAILS]
        if (role, supply, load) not in keys or (section, part_class) not in FAULTS:
            return None
        fault = self.order[FAULTS.index((section, part_class))]
        chances = WORLD.share[fault] @ WORLD.condition[fault, :, keys.index((role, supply, load))]
        absent, low, pulsing, right, high = (
            float(chances[CONDITIONS.index(one)]) for one in values(RAIL_CONDITIONS)
        )
        return absent, low, pulsing, right, high


TRUE = FromWorld()
SCRAMBLED = FromWorld(tuple(np.random.default_rng(4).permutation(len(FAULTS)).tolist()))


def loss(general: FromWorld | None, cases: int) -> float:
    ledger = ledger_of(*cases_of(WORLD, WORLD.sample(cases, 1_000 + cases)))  # type: ignore[arg-type]
    settings = choose_strength(
        ledger, Settings(general=general), thorough=cases >= 30, patterns=False
    ).settings
    said: NDArray[np.float64] = said_by_product(ledger, settings, BOARDS, FAULTS, complete=False)
    return figures(said, TEST.fault).log_loss


def test_on_the_first_day_the_ranking_is_general_knowledge_alone() -> None:
    knowledge = general_knowledge()
    ranking = rank(Ledger(), Evidence(), Settings(general=knowledge))
    assert len(ranking.causes) == len({(one.section, one.part_class) for one in knowledge.faults()})
    for cause in ranking.causes:
        said = knowledge.share(cause.section, cause.part_class) * (1.0 - ranking.unseen_probability)
        assert cause.probability == pytest.approx(said, abs=1e-9)
        assert (cause.general_practice, cause.cases) == (pytest.approx(1.0), 0)
    assert sum(one.probability for one in ranking.causes) + ranking.unseen_probability == pytest.approx(1.0)
    assert 0.0 < ranking.unseen_probability < 0.2


def test_what_no_case_noted_still_speaks_where_general_knowledge_has_an_opinion() -> None:
    settings = Settings(general=general_knowledge())
    plain = rank(Ledger(), Evidence(), settings)
    seen = rank(
        Ledger(), Evidence(symptoms=(("fuse blown", True),), rails=(low_standby("absent"),)), settings
    )
    assert seen.ignored == ()
    assert seen.causes[0].section in {
        "mains input",
        "inrush and rectifier",
        "main converter",
        "bulk and power factor stage",
    }
    before = {(one.section, one.part_class): one.probability for one in plain.causes}
    assert seen.causes[0].probability > 2 * before[seen.causes[0].section, seen.causes[0].part_class]
    nonsense = rank(Ledger(), Evidence(symptoms=(("sings", True),), rails=(low_standby("wobbly"),)), settings)
    assert nonsense.ignored == ("sings", "standby rail wobbly (standby, no load)")


def test_own_cases_outweigh_general_practice_and_each_cause_says_how_much_stands_behind_it() -> None:
    settings = Settings(general=general_knowledge())
    ledger = ledger_of(*(case(f"c{n}", CAP) for n in range(40)))
    ranking = rank(ledger, Evidence("HX-210", symptoms=(("relay clicks repeatedly", True),)), settings)
    first = ranking.causes[0]
    assert (first.section, first.part_class, first.cases) == (*CAP, 40)
    # These weights are those before any are chosen on the store, which cases have to outweigh.
    assert first.general_practice < 0.25
    chosen = choose_strength(ledger, settings, thorough=False).settings
    assert rank(ledger, Evidence("HX-210"), chosen).causes[0].general_practice < 0.05
    # Those of the same section lean on its forty cases as well.
    others = [one for one in ranking.causes if one.section != CAP[0]]
    assert len(others) > 30
    assert not any(one.cases for one in others)
    assert all(one.general_practice > 0.75 for one in others)
    alone = ledger_of(*(case(f"c{n}", CAP) for n in range(40)))
    assert rank(alone, Evidence("HX-210")).causes[0].general_practice == 0.0


def test_a_fix_that_failed_lowers_a_cause_that_only_general_practice_knows() -> None:
    settings = Settings(general=general_knowledge())
    first = rank(Ledger(), Evidence(), settings).causes[0]
    tried = Evidence(tried=(Tried(first.section, first.part_class),))
    after = {(one.section, one.part_class): one for one in rank(Ledger(), tried, settings).causes}
    again = after[first.section, first.part_class]
    assert again.probability < 0.15 * first.probability
    assert [line.label for line in again.evidence if "already tried" in line.label]


@pytest.mark.parametrize("cases", [10, 30, 100])
def test_true_knowledge_helps_a_store_that_begins(cases: int) -> None:
    plain, helped = loss(None, cases), loss(TRUE, cases)
    print(f"\n{cases} cases: {plain:.3f} alone, {helped:.3f} with general knowledge")
    assert helped < plain - 0.1


@pytest.mark.parametrize("cases", [30, 100])
def test_scrambled_knowledge_goes_to_about_nothing_from_thirty_own_cases_on(cases: int) -> None:
    plain, scrambled = loss(None, cases), loss(SCRAMBLED, cases)
    print(f"\n{cases} cases: {plain:.3f} alone, {scrambled:.3f} with scrambled knowledge")
    assert scrambled < plain + 0.1


def test_the_counts_are_as_they_were_when_general_knowledge_is_gone() -> None:
    cases = [*(case(f"c{n}", CAP) for n in range(5)), case("s", SWITCH)]
    ledger, other = ledger_of(*cases), ledger_of(*cases)
    rank(ledger, Evidence("HX-210"), Settings(general=general_knowledge()))
    again = from_bytes(to_bytes(ledger))
    asked = Evidence("HX-210", symptoms=(("relay clicks repeatedly", True),))
    assert [one.probability for one in rank(again, asked).causes] == pytest.approx(
        [one.probability for one in rank(other, asked).causes], abs=1e-12
    )
