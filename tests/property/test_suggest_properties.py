"""What must hold for every store and every board."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from suggest_builders import counts_of, ledger_of
from tiers import examples

from kb.facts.vocabulary import RAIL_CONDITIONS, RESULTS, values
from kb.suggest import (
    Candidate,
    CaseFacts,
    Evidence,
    FixTry,
    Ledger,
    RailFact,
    Settings,
    next_measurements,
    rank,
)
from kb.suggest.intervals import beta_cdf, beta_quantile, jeffreys
from kb.suggest.repair_order import cheapest_first, expected_cost_of
from kb.suggest.snapshot import from_bytes, to_bytes

NAMES = st.sampled_from(["dead", "hum", "fuse blown", "no picture"])
SYMPTOMS = st.dictionaries(NAMES, st.booleans(), max_size=4).map(lambda one: tuple(one.items()))
RAIL = st.builds(
    RailFact,
    st.sampled_from(["standby", "logic"]),
    st.sampled_from(["standby", "running"]),
    st.just("none"),
    st.sampled_from(values(RAIL_CONDITIONS)),
)
RAILS = st.lists(RAIL, max_size=4).map(tuple)
FAMILY = st.sampled_from(["HX-210", "KM-7", "LP-3"])
KIND = st.sampled_from(["power supply", "battery charger"])
TRY = st.builds(
    FixTry,
    section=st.sampled_from(["standby output", "main converter"]),
    part_class=st.sampled_from(["electrolytic capacitor", "MOSFET", "fuse"]),
    part=st.sampled_from(["", "C9", "Q1"]),
    failure=st.sampled_from(["", "open", "shorted"]),
    action=st.just("replace"),
    result=st.sampled_from(values(RESULTS)),
    cost=st.none() | st.floats(0.0, 500.0),
    minutes=st.none() | st.floats(0.0, 500.0),
)
CASE = st.builds(
    CaseFacts,
    uid=st.uuids().map(str),
    family=FAMILY,
    kind=KIND,
    verdict=st.just("repaired"),
    closed=st.none() | st.dates(date(2020, 1, 1), date(2026, 12, 31)),
    symptoms=SYMPTOMS,
    rails=RAILS,
    tries=st.lists(TRY, max_size=3).map(tuple),
    same_fault_return_days=st.none() | st.integers(0, 800),
    followed_days=st.none() | st.integers(0, 2_000),
)
CASES = st.lists(CASE, max_size=12, unique_by=lambda one: one.uid)
EVIDENCE = st.builds(
    Evidence, family=st.none() | FAMILY, kind=st.none() | KIND, symptoms=SYMPTOMS, rails=RAILS
)
SETTINGS = st.builds(
    Settings,
    k_family=st.floats(0.0, 50.0),
    k_kind=st.floats(0.0, 50.0),
    alpha_fault=st.floats(0.0, 5.0),
    k_fault=st.floats(0.0, 50.0),
    k_rail=st.none() | st.floats(0.0, 50.0),
    k_section=st.floats(0.0, 50.0),
    alpha=st.floats(0.0, 5.0),
    strength=st.floats(0.01, 1.0),
    k_unseen=st.floats(0.0, 100.0),
    unseen_evidence=st.floats(0.0, 1.0),
)
CANDIDATES = [Candidate(name, "symptom", name, False, 1.0) for name in ("dead", "hum", "unheard of")] + [
    Candidate("standby", "rail", ("standby", "standby", "none"), True, 2.0)
]


def numbers(ledger: Ledger, evidence: Evidence, chosen: Settings) -> dict[tuple[str, str], list[float]]:
    ranking = rank(ledger, evidence, chosen)
    return {
        (one.section, one.part_class): [
            one.probability,
            one.prior_probability,
            one.cure_rate,
            one.money_per_try,
            one.tried,
            one.cured,
            *(line.weight for line in sorted(one.evidence, key=lambda line: line.line)),
        ]
        for one in ranking.causes
    } | {("", "unseen"): [ranking.unseen_probability]}


def agree(one: dict[tuple[str, str], list[float]], other: dict[tuple[str, str], list[float]]) -> bool:
    return one.keys() == other.keys() and all(one[key] == pytest.approx(other[key], abs=1e-9) for key in one)


@given(CASES, EVIDENCE, SETTINGS, st.sampled_from(["likely", "cheapest"]))
@settings(deadline=None, max_examples=examples(150))
def test_probabilities_sum_to_one_and_every_number_is_finite(
    cases: list[CaseFacts], evidence: Evidence, chosen: Settings, order: str
) -> None:
    ranking = rank(ledger_of(*cases), evidence, chosen, order=order)  # type: ignore[arg-type]
    total = sum(one.probability for one in ranking.causes) + ranking.unseen_probability
    assert abs(total - 1.0) < 1e-9
    for one in ranking.causes:
        figures = [one.probability, one.prior_probability, one.cure_rate, one.money_per_try, *one.interval]
        assert all(math.isfinite(figure) for figure in [*figures, *(line.weight for line in one.evidence)])
        assert 0.0 <= one.probability <= 1.0
        assert 0.0 <= one.interval[0] <= one.interval[1] <= 1.0
        assert 0 <= one.cured <= one.tried


@given(CASES, EVIDENCE, st.randoms(use_true_random=False))
@settings(deadline=None)
def test_the_order_of_cases_symptoms_and_readings_changes_nothing(
    cases: list[CaseFacts], evidence: Evidence, random: object
) -> None:
    def shuffled(values: tuple[object, ...]) -> tuple[object, ...]:
        again = list(values)
        random.shuffle(again)  # type: ignore[attr-defined]
        return tuple(again)

    mixed = [
        replace(one, symptoms=shuffled(one.symptoms), rails=shuffled(one.rails))  # type: ignore[arg-type]
        for one in shuffled(tuple(cases))
        if isinstance(one, CaseFacts)
    ]
    asked = replace(evidence, symptoms=shuffled(evidence.symptoms), rails=shuffled(evidence.rails))  # type: ignore[arg-type]
    one, other = ledger_of(*cases), ledger_of(*mixed)
    assert counts_of(one) == counts_of(other)
    assert agree(numbers(one, evidence, Settings()), numbers(other, asked, Settings()))


@given(CASES, CASES)
@settings(deadline=None)
def test_adding_and_withdrawing_restores_the_counts(cases: list[CaseFacts], more: list[CaseFacts]) -> None:
    ledger = ledger_of(*cases)
    before = counts_of(ledger)
    fresh = [replace(one, uid=f"more {one.uid}") for one in more]
    for one in fresh:
        ledger.add(one)
    for one in fresh:
        ledger.withdraw(one.uid)
    assert counts_of(ledger) == before


@given(CASES, st.data())
@settings(deadline=None)
def test_withdrawing_some_is_never_having_added_them(cases: list[CaseFacts], data: st.DataObject) -> None:
    gone = data.draw(st.sets(st.sampled_from([one.uid for one in cases]))) if cases else set()
    ledger = ledger_of(*cases)
    for uid in gone:
        ledger.withdraw(uid)
    assert counts_of(ledger) == counts_of(ledger_of(*(one for one in cases if one.uid not in gone)))


@given(CASES, EVIDENCE)
@settings(deadline=None, max_examples=examples(50))
def test_a_snapshot_says_the_same(cases: list[CaseFacts], evidence: Evidence) -> None:
    ledger = ledger_of(*cases)
    again = from_bytes(to_bytes(ledger))
    assert counts_of(again) == counts_of(ledger)
    assert rank(again, evidence) == rank(ledger, evidence)


@given(CASES, EVIDENCE, st.floats(0.05, 1.0))
@settings(deadline=None, max_examples=examples(50))
def test_measurements_promise_no_negative_information(
    cases: list[CaseFacts], evidence: Evidence, strength: float
) -> None:
    for one in next_measurements(ledger_of(*cases), evidence, Settings(strength=strength), CANDIDATES):
        assert one.bits >= 0.0
        assert sum(outcome.probability for outcome in one.outcomes) == pytest.approx(1.0, abs=1e-9)


@given(st.integers(0, 400), st.integers(0, 400))
def test_intervals_hold_the_observed_share(cured: int, more: int) -> None:
    tried = cured + more
    low, high = jeffreys(cured, tried)
    assert 0.0 <= low <= high <= 1.0
    if tried:
        assert low - 1e-12 <= cured / tried <= high + 1e-12


@given(st.floats(1e-6, 1 - 1e-6), st.floats(0.3, 500.0), st.floats(0.3, 500.0))
def test_the_beta_quantile_undoes_the_distribution(share: float, a: float, b: float) -> None:
    found = beta_quantile(share, a, b)
    # Near 1 the distribution can climb by more than 1e-9 from one double to the next.
    below, above = (beta_cdf(x, a, b) for x in (found * (1 - 1e-15), min(1.0, found * (1 + 1e-15))))
    assert below - 1e-9 <= share <= above + 1e-9


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.1, 50.0)), min_size=1, max_size=7),
    st.randoms(use_true_random=False),
)
def test_no_shuffle_is_cheaper_than_chance_over_cost(
    fixes: list[tuple[float, float]], random: object
) -> None:
    whole = sum(chance for chance, _ in fixes) or 1.0
    cures, cost = [chance / max(whole, 1.0) for chance, _ in fixes], [price for _, price in fixes]
    best = cheapest_first(cures, cost).tolist()
    other = list(range(len(fixes)))
    random.shuffle(other)  # type: ignore[attr-defined]
    least = expected_cost_of([cures[place] for place in best], [cost[place] for place in best])
    assert (
        least <= expected_cost_of([cures[place] for place in other], [cost[place] for place in other]) + 1e-9
    )
