"""What to measure next: information per minute, safe order, and what each outcome would do."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from known_world import RAILS, SYMPTOMS, UNPOWERED, World, cases_of
from suggest_builders import CAP, SWITCH, case, ledger_of, low_standby

from kb.suggest import (
    Candidate,
    CaseFacts,
    Evidence,
    FixTry,
    Ledger,
    Outcome,
    RailFact,
    Ranking,
    Settings,
    next_measurements,
    rank,
)

CANDIDATES = tuple(
    Candidate(name, "symptom", name, name not in UNPOWERED, 2.0 + place % 3)
    for place, name in enumerate(SYMPTOMS)
) + tuple(Candidate(rail[0], "rail", rail[:3], True, 3.0) for rail in RAILS)


@pytest.fixture(scope="module")
def store() -> Ledger:
    world = World(5)
    return ledger_of(*cases_of(world, world.sample(600, seed=6)))


def entropy(ranking: Ranking) -> float:
    shares = [cause.probability for cause in ranking.causes] + [ranking.unseen_probability]
    return -sum(share * math.log2(share) for share in shares if share > 0)


def with_outcome(evidence: Evidence, candidate: Candidate, outcome: Outcome) -> Evidence:
    if isinstance(candidate.name, str):
        return replace(evidence, symptoms=(*evidence.symptoms, (candidate.name, outcome.label == "present")))
    return replace(evidence, rails=(*evidence.rails, RailFact(*candidate.name, outcome.label)))


@pytest.mark.parametrize("strength", [0.6, 1.0])
def test_the_bits_are_the_expected_fall_in_entropy_of_the_ranking_itself(
    store: Ledger, strength: float
) -> None:
    settings = Settings(strength=strength)
    evidence = Evidence("HX-230", None, (("dead", True),), (low_standby(),))
    now = entropy(rank(store, evidence, settings))
    found = next_measurements(store, evidence, settings, CANDIDATES, limit=5)
    assert len(found) == 5
    for one in found:
        after = {o: rank(store, with_outcome(evidence, one.candidate, o), settings) for o in one.outcomes}
        left = sum(outcome.probability * entropy(ranking) for outcome, ranking in after.items())
        assert one.bits == pytest.approx(now - left, abs=1e-9)
        assert one.bits_per_minute == pytest.approx(one.bits / one.candidate.minutes, abs=1e-12)
        for outcome, ranking in after.items():
            best = max(ranking.causes, key=lambda cause: cause.probability)
            assert outcome.leading == (best.section, best.part_class)
            assert outcome.leading_probability == pytest.approx(best.probability, abs=1e-9)


def test_looking_for_a_symptom_that_complaints_name_has_two_sides() -> None:
    ledger = Ledger()
    for number in range(40):
        fault = "relay" if number % 2 else "fuse"
        seen = (("hum", True),) if fault == "relay" else ()
        tries = (FixTry("other", fault, "", "", "replace", "cured"),)
        ledger.add(CaseFacts(f"c{number}", "HX-230", "power supply", "repaired", None, seen, (), tries))
    candidate = Candidate("hum", "symptom", "hum", False, 1.0)
    (only,) = next_measurements(ledger, Evidence("HX-230", None), Settings(), [candidate])
    chances = [outcome.probability for outcome in only.outcomes]
    assert chances == pytest.approx([0.5, 0.5], abs=0.1)
    assert only.bits > 0.15


def test_what_is_noted_already_is_not_asked_again(store: Ledger) -> None:
    evidence = Evidence("HX-230", None, (("dead", False),), (low_standby(),))
    asked = {one.candidate.name for one in next_measurements(store, evidence, Settings(), CANDIDATES)}
    assert "dead" not in asked
    assert ("standby", "standby", "none") not in asked
    assert len(asked) > 20


def test_nothing_powered_is_offered_before_the_dead_checks_are_done(store: Ledger) -> None:
    checks = [
        replace(one, dead_check=one.name in ("fuse blown", "main switch shorted")) for one in CANDIDATES
    ]
    evidence = Evidence("HX-230")
    for noted in ((), (("fuse blown", False),)):
        found = next_measurements(store, replace(evidence, symptoms=noted), Settings(), checks)
        assert found
        assert not any(one.candidate.powered for one in found)
    done = replace(evidence, symptoms=(("fuse blown", False), ("main switch shorted", False)))
    assert any(one.candidate.powered for one in next_measurements(store, done, Settings(), checks))


def test_a_dead_check_nobody_ever_noted_is_still_offered() -> None:
    check = Candidate("output short", "symptom", "output rail shorted to ground", False, 1.0, dead_check=True)
    powered = Candidate("standby", "rail", ("standby", "standby", "none"), True, 2.0)
    for ledger in (Ledger(), ledger_of(case("a"), case("b", SWITCH, rails=(low_standby("in tolerance"),)))):
        (only,) = next_measurements(ledger, Evidence(), Settings(), [powered, check])
        assert only.candidate == check
        assert only.bits == 0.0
        assert only.why == "to be done before the board is energised"


def test_the_unpowered_one_of_two_near_equals_comes_first() -> None:
    cases = [case(f"c{n}", CAP, symptoms=(("hot", True), ("cold", True))) for n in range(9)]
    cases += [case(f"s{n}", SWITCH, symptoms=(("hot", False), ("cold", False))) for n in range(9)]
    ledger = ledger_of(*cases)
    for powered_minutes, first in ((5.0, "cold"), (4.2, "cold"), (3.0, "hot")):
        hot = Candidate("hot", "symptom", "hot", True, powered_minutes)
        cold = Candidate("cold", "symptom", "cold", False, 5.0)
        assert next_measurements(ledger, Evidence(), Settings(), [hot, cold])[0].candidate.label == first


def test_a_measurement_that_cannot_tell_is_left_out() -> None:
    ledger = ledger_of(*(case(f"c{n}", CAP) for n in range(5)))
    unheard = Candidate("sings", "symptom", "sings", False, 1.0)
    assert next_measurements(ledger, Evidence(), Settings(), [unheard]) == ()
    assert next_measurements(ledger, Evidence(), Settings(), []) == ()


def test_the_chances_of_the_outcomes_sum_to_one(store: Ledger) -> None:
    promised = next_measurements(store, Evidence("HX-240"), Settings(), CANDIDATES)
    assert promised
    for one in promised:
        assert sum(outcome.probability for outcome in one.outcomes) == pytest.approx(1.0, abs=1e-12)
        assert one.bits >= 0.0


def test_a_candidate_named_wrongly_is_refused() -> None:
    with pytest.raises(ValueError, match="role, supply state and load"):
        next_measurements(Ledger(), Evidence(), Settings(), [Candidate("x", "rail", "standby", True, 1.0)])
    with pytest.raises(ValueError, match="named by text"):
        next_measurements(
            Ledger(), Evidence(), Settings(), [Candidate("x", "symptom", ("a", "b", "c"), True, 1.0)]
        )
