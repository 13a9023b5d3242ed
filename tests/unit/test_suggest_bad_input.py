"""Evidence that contradicts itself, excludes everything or names what nobody knows: an answer or a clear sentence."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from suggest_builders import CAP, SWITCH, case, fix, ledger_of, low_standby

from kb.errors import BadInput
from kb.facts.vocabulary import RAIL_ROLES, SECTIONS, values
from kb.suggest import (
    Candidate,
    Evidence,
    FixTry,
    Ledger,
    RailFact,
    Ranking,
    Settings,
    Tried,
    choose_strength,
    next_measurements,
    rank,
    what_if,
)
from kb.suggest.exclusions import disagreements, every_section_excluded, excluded
from kb.suggest.general_knowledge import general_knowledge
from kb.suggest.in_order import in_order

GENERAL = Settings(general=general_knowledge())


def stores() -> dict[str, Ledger]:
    few = [*(case(f"c{n}", CAP) for n in range(3)), case("s", SWITCH)]
    return {"empty": Ledger(), "few": ledger_of(*few)}


def answer(ledger: Ledger, evidence: Evidence, settings: Settings = GENERAL) -> Ranking:
    """A ranking that holds nothing but numbers, in which everything sums to one."""
    ranking = rank(ledger, evidence, settings)
    total = math.fsum(one.probability for one in ranking.causes) + ranking.unseen_probability
    assert total == pytest.approx(1.0, abs=1e-9)
    for cause in ranking.causes:
        numbers = [cause.probability, cause.cure_rate, cause.general_practice, *cause.interval]
        assert all(0.0 <= one <= 1.0 for one in numbers)
        assert math.isfinite(cause.money_per_try)
        assert all(math.isfinite(line.weight) for line in cause.evidence)
    assert 0.0 <= ranking.two_faults_probability <= 1.0
    assert 0.0 <= in_order(evidence).probability <= 1.0
    for measurement in next_measurements(
        ledger, evidence, settings, [Candidate("fuse", "symptom", "fuse blown", False, 1.0)]
    ):
        assert math.isfinite(measurement.bits)
    return ranking


STATES = [("standby", "none"), ("running", "none"), ("running", "test load"), ("running", "in the set")]
EVERYTHING_RIGHT = tuple(
    RailFact(role, supply, load, "in tolerance") for role in values(RAIL_ROLES) for supply, load in STATES
)


@pytest.mark.parametrize("store", ["empty", "few"])
def test_a_rail_absent_and_in_its_window_in_one_state_is_said_and_still_ranked(store: str) -> None:
    evidence = Evidence("HX-210", rails=(low_standby("absent"), low_standby("in tolerance")))
    assert "measure it again" in disagreements(evidence)[0]
    answer(stores()[store], evidence)


@pytest.mark.parametrize(
    ("role", "condition", "says"),
    [
        ("standby", "in tolerance", "the standby rail is in its window"),
        ("logic", "in tolerance", "a switched rail is in its window"),
        ("audio", "in tolerance", "a switched rail is in its window"),
        ("standby", "low", ""),
        ("controller supply", "in tolerance", ""),
    ],
)
def test_an_empty_bulk_and_a_supply_that_it_feeds_in_its_window_contradict_each_other(
    role: str, condition: str, says: str
) -> None:
    """What the bulk capacitor feeds cannot be right while it is empty: common practice, no published source."""
    bulk = RailFact("bulk", "standby", "none", "absent")
    found = disagreements(Evidence(rails=(bulk, RailFact(role, "standby", "none", condition))))
    assert [says in one for one in found] == ([True] if says else [])
    # Measured in another state both may be right.
    assert disagreements(Evidence(rails=(bulk, RailFact(role, "running", "none", condition)))) == ()
    # Nothing hangs on a backlight that is off.
    off = replace(bulk, role="backlight")
    assert disagreements(Evidence(rails=(off, RailFact(role, "standby", "none", condition)))) == ()


@pytest.mark.parametrize("store", ["empty", "few"])
def test_where_every_section_is_excluded_what_is_least_contradicted_leads(store: str) -> None:
    evidence = Evidence(rails=EVERYTHING_RIGHT)
    found = excluded(evidence)
    assert every_section_excluded(found)
    ranking = answer(stores()[store], evidence)
    # Everything measures right, so what would have stopped a rail does not lead.
    stopped = {"mains input", "inrush and rectifier", "standby converter", "main converter", "feedback"}
    assert ranking.causes[0].section not in stopped
    assert in_order(evidence).probability > 0.5


def test_a_symptom_both_present_and_not_is_refused_with_a_remedy() -> None:
    evidence = Evidence(symptoms=(("fuse blown", True), ("fuse blown", False)))
    with pytest.raises(BadInput, match="both present and not present") as refused:
        rank(Ledger(), evidence, GENERAL)
    assert refused.value.field == "symptoms"
    assert refused.value.remedy


@pytest.mark.parametrize("store", ["empty", "few"])
def test_fixes_of_unknown_parts_change_nothing_and_are_named(store: str) -> None:
    unknown = (
        Tried(part="Q77"),
        Tried("no such section", "no such part"),
        Tried(part_class="flux capacitor"),
    )
    plain = answer(stores()[store], Evidence("HX-210"))
    ranking = answer(stores()[store], Evidence("HX-210", tried=unknown))
    assert len(ranking.ignored) == 3
    assert [one.probability for one in ranking.causes] == pytest.approx(
        [one.probability for one in plain.causes], abs=1e-12
    )


def test_every_fix_there_is_tried_twenty_times_still_gives_an_answer() -> None:
    tried = tuple(Tried(section) for section in values(SECTIONS)) * 20
    answer(stores()["few"], Evidence("HX-210", tried=tried))
    answer(Ledger(), Evidence(tried=tried))


def test_a_cause_replaced_twice_is_counted_once() -> None:
    twice = (replace(fix(CAP), cause=True), replace(fix(CAP), cause=True), fix(CAP, "no change"))
    ledger = ledger_of(case("a", tries=twice))
    assert (ledger.known, ledger.doubles) == (1, 0)
    first = answer(ledger, Evidence("HX-210")).causes[0]
    assert (first.cases, first.tried, first.cured) == (1, 1, 1)


def test_ten_thousand_faults_are_ranked() -> None:
    ledger = Ledger()
    for number in range(10_000):
        fault = ("other", f"part class {number:05}")
        tries = (FixTry(*fault, "C1", "", "replace", "cured"),)
        ledger.add(case(f"case {number}", None, tries=tries, rails=(replace(low_standby(), value=0.8),)))
    evidence = Evidence("HX-210", symptoms=(("relay clicks repeatedly", True),), rails=(low_standby(),))
    settings = choose_strength(ledger, max_cases=40, thorough=False).settings
    ranking = rank(ledger, evidence, settings)
    total = math.fsum(one.probability for one in ranking.causes) + ranking.unseen_probability
    assert len(ranking.causes) == 10_000
    assert total == pytest.approx(1.0, abs=1e-9)
    assert np.isfinite([one.probability for one in ranking.causes]).all()
    assert ranking.unseen_probability > 0.5


@pytest.mark.parametrize("role", ["", "other", "a role that nobody knows"])
@pytest.mark.parametrize("store", ["empty", "few"])
def test_rails_without_a_role_that_says_something_are_no_trouble(role: str, store: str) -> None:
    evidence = Evidence("HX-210", rails=(RailFact(role, "running", "none", "low", 0.7),))
    answer(stores()[store], evidence)
    assert isinstance(what_if(stores()[store], evidence, GENERAL), tuple)


def test_a_family_without_rails_counts_and_is_ranked() -> None:
    ledger = ledger_of(*(case(f"c{n}", CAP, rails=()) for n in range(40)))
    settings = choose_strength(ledger, GENERAL, thorough=False).settings
    ranking = answer(ledger, Evidence("HX-210", symptoms=(("relay clicks repeatedly", True),)), settings)
    assert (ranking.causes[0].section, ranking.causes[0].part_class) == CAP


def test_conditions_and_states_that_are_on_no_list_are_named_and_left_aside() -> None:
    rails = (
        RailFact("standby", "standby", "none", "wobbly"),
        RailFact("standby", "asleep", "feather", "low"),
    )
    for ledger in stores().values():
        ranking = answer(ledger, Evidence(rails=rails))
        assert any("wobbly" in one for one in ranking.ignored)
