"""The ranking: what it says with much, little, odd or no evidence."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from known_world import World, cases_of
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, fix, ledger_of, low_standby

from kb.errors import BadInput
from kb.suggest import (
    CaseFacts,
    Evidence,
    FixTry,
    Ledger,
    RailFact,
    Ranking,
    Settings,
    choose_strength,
    expected_cost,
    expected_minutes,
    rank,
    stop_point,
    what_if,
    without_line,
)
from kb.suggest.ranking import reordered

HX = Evidence(family="HX-210", kind="power supply")


def total(ranking: Ranking) -> float:
    return (
        sum(cause.probability for cause in ranking.causes)
        + ranking.rest_probability
        + ranking.unseen_probability
    )


def is_sound(ranking: Ranking) -> bool:
    numbers = [ranking.unseen_probability, ranking.expected_cost, ranking.expected_minutes]
    for cause in ranking.causes:
        numbers += [cause.probability, cause.prior_probability, cause.cure_rate, *cause.interval]
        numbers += [cause.money_per_try, cause.minutes_per_try, *(one.weight for one in cause.evidence)]
    return all(math.isfinite(number) for number in numbers) and abs(total(ranking) - 1.0) < 1e-9


@pytest.fixture(scope="module")
def store() -> Ledger:
    world = World(5)
    return ledger_of(*cases_of(world, world.sample(600, seed=6)))


def test_an_empty_store_says_that_it_knows_nothing() -> None:
    ranking = rank(Ledger(), replace(HX, symptoms=(("dead", True),)))
    assert ranking.causes == ()
    assert (ranking.unseen_probability, ranking.basis, ranking.cases_used) == (1.0, "nothing", 0)
    assert ranking.ignored == ("dead",)


def test_one_case_is_a_hint_and_no_certainty() -> None:
    ranking = rank(ledger_of(case("a")), HX)
    (cause,) = ranking.causes
    assert is_sound(ranking)
    assert (cause.section, cause.part_class) == CAP
    assert 0.2 < ranking.unseen_probability < 0.9
    assert (cause.tried, cause.cured) == (1, 1)
    assert cause.interval[1] == 1.0
    assert cause.interval[0] < 0.2


def test_one_fault_many_times_leaves_little_unseen() -> None:
    ranking = rank(ledger_of(*(case(f"n{n}") for n in range(40))), replace(HX, symptoms=(("dead", True),)))
    assert is_sound(ranking)
    assert len(ranking.causes) == 1
    assert ranking.unseen_probability < 0.05


def test_without_evidence_the_answer_is_the_prior(store: Ledger) -> None:
    ranking = rank(store, Evidence(family="HX-230"))
    assert ranking.causes
    for cause in ranking.causes:
        assert cause.probability == pytest.approx(cause.prior_probability, abs=1e-12)
        assert cause.evidence == ()


def test_a_fault_never_seen_with_a_symptom_is_not_ruled_out() -> None:
    cases = [case(f"c{n}", CAP, symptoms=(("dead", False),)) for n in range(50)]
    cases += [case(f"s{n}", SWITCH, symptoms=(("dead", True),)) for n in range(3)]
    ranking = rank(ledger_of(*cases), replace(HX, symptoms=(("dead", True),)))
    chance = {(cause.section, cause.part_class): cause.probability for cause in ranking.causes}
    assert chance[CAP] > 0.01
    assert chance[SWITCH] > 3 / 53


def test_not_present_speaks_the_other_way() -> None:
    cases = [case(f"c{n}", CAP, symptoms=(("dead", True),)) for n in range(9)]
    cases += [case(f"s{n}", SWITCH, symptoms=(("dead", False),)) for n in range(9)]
    ledger = ledger_of(*cases)
    yes = rank(ledger, replace(HX, symptoms=(("dead", True),))).causes[0]
    no = rank(ledger, replace(HX, symptoms=(("dead", False),))).causes[0]
    assert (yes.section, yes.part_class) == CAP
    assert (no.section, no.part_class) == SWITCH
    assert yes.evidence[0].label == "dead: speaks for"
    assert no.evidence[0].label == "dead not present: speaks for"


def test_weights_are_the_tempered_change_of_the_odds() -> None:
    """With one line of evidence a cause's log odds move by exactly its weight."""
    cases = [case(f"c{n}", CAP, symptoms=(("dead", True),), rails=()) for n in range(9)]
    cases += [case(f"s{n}", SWITCH, symptoms=(("dead", n % 3 == 0),), rails=()) for n in range(12)]
    settings = Settings(strength=1.0, unseen_evidence=1.0)
    ranking = rank(ledger_of(*cases), replace(HX, symptoms=(("dead", True),)), settings)
    assert {cause.part_class for cause in ranking.causes} == {CAP[1], SWITCH[1]}
    for cause in ranking.causes:
        moved = math.log(cause.probability / (1 - cause.probability)) - math.log(
            cause.prior_probability / (1 - cause.prior_probability)
        )
        assert cause.evidence[0].weight == pytest.approx(moved, abs=1e-9)


def test_a_rail_reads_in_plain_words() -> None:
    cases = [case(f"c{n}", CAP) for n in range(9)]
    cases += [case(f"s{n}", SWITCH, rails=(low_standby("in tolerance"),)) for n in range(9)]
    evidence = replace(HX, rails=(low_standby("in tolerance"),))
    labels = {cause.part_class: cause.evidence[0].label for cause in rank(ledger_of(*cases), evidence).causes}
    assert labels[CAP[1]] == "standby rail in tolerance (standby, no load): speaks against"
    assert labels[SWITCH[1]] == "standby rail in tolerance (standby, no load): speaks for"


def test_contradicting_evidence_is_refused_by_name() -> None:
    with pytest.raises(BadInput, match="“dead” is marked both") as caught:
        rank(ledger_of(case("a")), replace(HX, symptoms=(("dead", True), ("dead", False))))
    assert caught.value.field == "symptoms"
    assert caught.value.remedy


def test_what_the_store_never_heard_of_is_listed_and_changes_nothing(store: Ledger) -> None:
    known = Evidence("HX-230", None, (("dead", True),))
    odd = replace(
        known,
        symptoms=(*known.symptoms, ("sings", True), ("smells of tar", False)),
        rails=(
            RailFact("mast light", "running", "none", "low"),
            RailFact("bulk", "standby", "none", "wobbly"),
        ),
    )
    ranking = rank(store, odd)
    assert ranking.ignored == (
        "bulk rail wobbly (standby, no load)",
        "mast light rail low (running, no load)",
        "sings",
        "smells of tar not present",
    )
    assert ranking.causes == rank(store, known).causes


def test_the_basis_is_the_closest_level_with_cases(store: Ledger) -> None:
    assert rank(store, Evidence("HX-230")).basis == "family"
    assert rank(store, Evidence("never seen", "kind 1")).basis == "kind"
    assert rank(store, Evidence("never seen", "never seen")).basis == "all boards"
    by_family = rank(store, Evidence("HX-230"), limit=3)
    assert 0 < by_family.family_cases < by_family.kind_cases < by_family.cases_used == 600


def test_causes_beyond_those_to_be_explained_keep_their_figures_without_evidence_and_cases(
    store: Ledger,
) -> None:
    evidence = Evidence("HX-230", None, (("dead", True),))
    whole, short = rank(store, evidence).causes, rank(store, evidence, explained=2).causes
    assert short[:2] == whole[:2]
    assert all(one.evidence and one.case_uids for one in whole[:3])
    assert short[2:] == tuple(replace(one, evidence=(), case_uids=(), others_uids=()) for one in whole[2:])


def test_a_limit_leaves_the_probabilities_as_they_are(store: Ledger) -> None:
    evidence = Evidence("HX-230", None, (("dead", True),))
    whole, short = rank(store, evidence), rank(store, evidence, limit=4)
    assert short.causes == whole.causes[:4]
    assert total(short) == pytest.approx(1.0, abs=1e-12)
    assert whole.rest_probability == 0.0
    assert rank(store, evidence, limit=0).causes == ()
    # The same sum in another order differs by a rounding error, which must not show as less than nothing.
    for step in range(20):
        settings = Settings(strength=0.3 + step / 40)
        assert 0.0 <= rank(store, evidence, settings, limit=1_000).rest_probability < 1e-12


def test_the_likely_order_is_by_chance_of_cure(store: Ledger) -> None:
    chances = [cause.chance_of_cure for cause in rank(store, Evidence("HX-230")).causes]
    assert chances == sorted(chances, reverse=True)


def test_a_fix_that_often_has_to_be_done_twice_falls_behind() -> None:
    twice = (fix(CAP, "no change"), fix(CAP, "no change"), fix(CAP))
    cases = [case(f"c{n}", CAP, tries=twice) for n in range(12)]
    cases += [case(f"s{n}", SCHOTTKY) for n in range(11)]
    ranking = rank(ledger_of(*cases), HX)
    first, second = ranking.causes
    assert (first.section, first.part_class) == SCHOTTKY
    assert second.probability > first.probability
    # Boards cured + 4 x 0.9 over tries of it on boards whose fault it was + 4.
    assert second.cure_rate == pytest.approx((12 + 3.6) / (36 + 4))
    assert first.cure_rate == pytest.approx((11 + 3.6) / (11 + 4))


def test_failures_on_boards_with_another_fault_say_nothing_against_a_fix() -> None:
    """They are wrong diagnoses, which the probability of the cause pays for already."""
    cases = [case(f"c{n}", CAP) for n in range(12)]
    cases += [case(f"s{n}", SCHOTTKY, tries=(fix(CAP, "no change"), fix(SCHOTTKY))) for n in range(11)]
    first, second = rank(ledger_of(*cases), HX).causes
    assert (first.section, first.part_class) == CAP
    assert (first.tried, first.cured) == (23, 12)
    assert first.interval[0] < 12 / 23 < first.interval[1]
    assert first.cure_rate == pytest.approx((12 + 3.6) / (12 + 4))
    assert first.cure_rate > second.cure_rate


def test_the_cheapest_order_weighs_money_and_time() -> None:
    dear = tuple(case(f"s{n}", tries=(fix(SWITCH, cost=80.0, minutes=60.0),)) for n in range(10))
    cheap = tuple(case(f"c{n}", tries=(fix(CAP, cost=0.5, minutes=10.0),)) for n in range(7))
    ledger = ledger_of(*dear, *cheap)
    assert rank(ledger, HX).causes[0].part_class == SWITCH[1]
    cheapest = rank(ledger, HX, order="cheapest")
    assert cheapest.causes[0].part_class == CAP[1]
    assert cheapest.expected_cost < rank(ledger, HX).expected_cost
    assert cheapest.causes[0].cost == pytest.approx(0.5)
    assert cheapest.causes[0].minutes == pytest.approx(10.0)


def test_no_order_of_the_same_causes_is_cheaper_than_cheapest_first(store: Ledger) -> None:
    evidence = Evidence("HX-230", None, (("dead", True),))
    cheapest = rank(store, evidence, order="cheapest")
    assert cheapest.expected_cost == pytest.approx(expected_cost(cheapest), abs=1e-9)
    assert cheapest.expected_minutes == pytest.approx(expected_minutes(cheapest), abs=1e-9)
    rng = np.random.default_rng(1)
    for _ in range(200):
        places = rng.permutation(len(cheapest.causes))
        shuffled = replace(cheapest, causes=tuple(cheapest.causes[place] for place in places))
        assert expected_cost(shuffled) >= cheapest.expected_cost - 1e-9


def test_put_in_the_other_order_a_ranking_is_the_one_made_in_that_order(store: Ledger) -> None:
    dear = tuple(case(f"s{n}", tries=(fix(SWITCH, cost=80.0, minutes=60.0),)) for n in range(10))
    cheap = tuple(case(f"c{n}", tries=(fix(CAP, cost=0.5, minutes=10.0),)) for n in range(7))
    for ledger, differ in ((ledger_of(*dear, *cheap), True), (store, False), (Ledger(), False)):
        likely, cheapest = rank(ledger, HX), rank(ledger, HX, order="cheapest")
        assert (likely.causes != cheapest.causes) is differ
        for found, asked in (
            (reordered(likely, "cheapest"), cheapest),
            (reordered(cheapest, "likely"), likely),
        ):
            assert (found.causes, found.order) == (asked.causes, asked.order)
            assert found.expected_cost == pytest.approx(asked.expected_cost, rel=1e-12)
            assert found.expected_minutes == pytest.approx(asked.expected_minutes, rel=1e-12)


def test_repair_stops_paying_at_some_replacement_price(store: Ledger) -> None:
    ranking = rank(store, Evidence("HX-230"), order="cheapest")
    assert stop_point(ranking, 0.0).tries == 0
    dear = stop_point(ranking, 100_000.0)
    assert dear.tries == len(ranking.causes)
    assert dear.expected_cost == pytest.approx(expected_cost(ranking, 100_000.0))
    with pytest.raises(ValueError, match="replacement price"):
        stop_point(ranking, -1.0)


def test_an_unknown_order_is_refused() -> None:
    with pytest.raises(ValueError, match="likely or cheapest"):
        rank(Ledger(), HX, order="alphabetical")  # type: ignore[arg-type]


def test_the_cases_behind_a_cause_are_the_familys_newest_first() -> None:
    start = date(2025, 1, 1)
    own = [case(f"own{n}", closed=start + timedelta(days=n)) for n in range(15)]
    other = [case(f"other{n}", family="KM-7", closed=start + timedelta(days=100 + n)) for n in range(15)]
    (cause,) = rank(ledger_of(*other, *own), HX).causes
    expected = [f"own{n}" for n in range(14, -1, -1)] + [f"other{n}" for n in range(14, 9, -1)]
    assert list(cause.case_uids) == expected
    assert (cause.cases, cause.family_cases) == (30, 15)


def test_parts_are_those_of_the_family_only() -> None:
    ledger = ledger_of(
        case("a", tries=(fix(part="C9"),)),
        case("b", tries=(fix(part="C9"),)),
        case("c", tries=(fix(part="C12"),)),
        case("d", family="KM-7", tries=(fix(part="C88", failure="open"),)),
    )
    (cause,) = rank(ledger, HX).causes
    assert cause.parts == (("C9", 2), ("C12", 1))
    assert cause.failures == ("high ESR",)
    (elsewhere,) = rank(ledger, Evidence()).causes
    assert elsewhere.parts == ()
    assert elsewhere.failures == ("high ESR", "open")


def test_two_thousand_faults_are_ranked_soundly() -> None:
    cases = [
        case(f"n{n}", ("other", f"part {n}"), symptoms=((f"symptom {n % 7}", True),)) for n in range(2_000)
    ]
    ledger = ledger_of(*cases)
    ranking = rank(ledger, replace(HX, symptoms=(("symptom 3", True),)), limit=10)
    assert total(ranking) == pytest.approx(1.0, abs=1e-9)
    assert is_sound(ranking)
    assert ranking.unseen_probability > 0.9
    assert rank(ledger, HX, limit=1).unseen_probability > 0.9


def test_settings_of_zero_never_give_an_undefined_number() -> None:
    bare = Settings(
        k_family=0,
        k_kind=0,
        alpha_fault=0,
        k_fault=0,
        k_section=0,
        alpha=0,
        k_unseen=0,
        k_cure=0,
        strength=1.0,
    )
    cases = [case("a", CAP, symptoms=(("dead", True),)), case("b", SWITCH, symptoms=(("dead", False),))]
    ledger = ledger_of(*cases, case("c", SCHOTTKY, symptoms=(), rails=(low_standby("high"),)))
    for present in (True, False):
        for condition in ("low", "high", "pulsing"):
            evidence = replace(HX, symptoms=(("dead", present),), rails=(low_standby(condition),))
            assert is_sound(rank(ledger, evidence, bare))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("strength", 0.0),
        ("strength", 1.1),
        ("k_family", -1.0),
        ("alpha", math.nan),
        ("k_rail", -2.0),
        ("unseen_evidence", 2.0),
        ("warranty_days", -1),
    ],
)
def test_settings_that_make_no_sense_are_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        replace(Settings(), **{name: value})  # type: ignore[arg-type]


def test_switching_a_line_off_shows_what_it_did() -> None:
    cases = [case(f"c{n}", CAP, symptoms=(("dead", True), ("hum", n % 2 == 0))) for n in range(9)]
    cases += [case(f"s{n}", SWITCH, symptoms=(("dead", False), ("hum", n % 2 == 0))) for n in range(14)]
    ledger = ledger_of(*cases)
    evidence = replace(HX, symptoms=(("dead", True), ("hum", True), ("unheard of", True)))
    first, second = what_if(ledger, evidence)
    assert (first.line, first.leading_changes, first.leading) == ("dead", True, SWITCH)
    assert first.without == without_line(evidence, symptom="dead")
    assert (second.line, second.leading_changes) == ("hum", False)
    assert first.moved > second.moved
    assert what_if(Ledger(), evidence) == ()


def test_what_if_leads_with_the_line_that_the_list_would_show_first() -> None:
    """The likelier cause whose fix often fails stands below one that nearly always cures."""
    told = (("dead", True), ("hum", True))
    twice = (fix(CAP, "no change"), fix(CAP, "no change"), fix(CAP))
    cases = [case(f"c{n}", CAP, symptoms=told, rails=(), tries=twice) for n in range(10)]
    cases += [case(f"s{n}", SWITCH, symptoms=told, rails=()) for n in range(9)]
    ledger = ledger_of(*cases)
    ranking = rank(ledger, Evidence("HX-210", symptoms=told))
    first, second = ranking.causes[:2]
    assert first.part_class == SWITCH[1]
    assert first.probability < second.probability
    for move in what_if(ledger, Evidence("HX-210", symptoms=told)):
        shown = rank(ledger, move.without).causes[0]
        assert move.leading == (shown.section, shown.part_class) == SWITCH
        assert move.leading_probability == pytest.approx(shown.probability, abs=1e-12)
        assert not move.leading_changes


def test_boards_of_the_same_kind_lend_their_faults_to_a_new_family() -> None:
    cases = [case(f"c{n}", SWITCH, family=f"F{n % 4}", kind="battery charger") for n in range(20)]
    cases += [case(f"s{n}", CAP, family=f"G{n % 4}") for n in range(30)]
    ledger = ledger_of(*cases)
    assert rank(ledger, Evidence("new", "battery charger")).causes[0].part_class == SWITCH[1]
    assert rank(ledger, Evidence("new", "power supply")).causes[0].part_class == CAP[1]
    assert rank(ledger, Evidence("F1")).kind_cases == 20


def complaints_only() -> Ledger:
    """Forty cases of two faults; each complaint names what was there, and nobody notes what was not."""
    seen = {"relay": (("hum", True), ("dead", True)), "fuse": (("dead", True),)}
    ledger = Ledger()
    for number in range(40):
        fault = "relay" if number % 2 else "fuse"
        tries = (FixTry("other", fault, "", "", "replace", "cured"),)
        ledger.add(CaseFacts(f"c{number}", "HX-230", "", "repaired", None, seen[fault], (), tries))
    return ledger


def probability_of(ledger: Ledger, part_class: str, settings: Settings) -> float:
    ranking = rank(ledger, Evidence("HX-230", None, (("hum", True),)), settings)
    return next(cause.probability for cause in ranking.causes if cause.part_class == part_class)


def test_that_a_symptom_was_mentioned_tells_although_nobody_noted_its_absence() -> None:
    assert probability_of(complaints_only(), "relay", Settings()) > 0.75
    # Against only the cases that noted it, it would tell nothing: all of those had it.
    assert probability_of(complaints_only(), "relay", Settings(mentions=False)) < 0.55


def test_the_store_itself_decides_whether_mentions_tell() -> None:
    assert choose_strength(complaints_only()).settings.mentions


def test_writing_down_an_absence_points_away_from_the_fault_that_shows_it() -> None:
    """What a symptom was found to be is a question of its own, so a fault among whose cases its absence was
    written down gains a little on one that never noted it; the one that shows the symptom falls far back."""
    ledger = Ledger()
    for number in range(60):
        fault = ("fuse", "relay", "switch")[number % 3]
        seen = {"fuse": (("short", False),), "relay": (), "switch": (("short", True),)}[fault]
        tries = (FixTry("other", fault, "", "", "replace", "cured"),)
        ledger.add(CaseFacts(f"c{number}", "HX-230", "", "repaired", None, seen, (), tries))
    ranking = rank(ledger, Evidence("HX-230", None, (("short", False),)), Settings())
    said = {cause.part_class: cause.probability for cause in ranking.causes}
    assert said["relay"] < said["fuse"] < 2 * said["relay"]
    assert said["switch"] < 0.5 * said["relay"]


def test_a_symptom_looked_for_and_absent_speaks_against_a_fault_whose_complaints_name_it() -> None:
    ranking = rank(complaints_only(), Evidence("HX-230", None, (("hum", False),)), Settings())
    said = {cause.part_class: cause.probability for cause in ranking.causes}
    assert said["relay"] < 0.75 * said["fuse"]
