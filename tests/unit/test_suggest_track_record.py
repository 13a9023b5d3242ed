"""The track record: exact leave-one-out, tuning, and the record over time."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from known_world import World, cases_of
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, ledger_of, low_standby

from kb.suggest import (
    CaseFacts,
    Evidence,
    Ledger,
    Settings,
    choose_strength,
    over_time,
    rank,
    track_record,
)
from kb.suggest.leave_one_out import choose_cases, forecasts
from kb.suggest.posterior import posterior


def world_cases(many: int, seed: int = 6, parts_per_block: int | None = None) -> list[CaseFacts]:
    world = World(5, parts_per_block)
    return cases_of(world, world.sample(many, seed))


def evidence_of(one: CaseFacts) -> Evidence:
    """As of a closed record, which is complete."""
    return Evidence(one.family, one.kind, one.symptoms, one.rails, complete=True)


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings(strength=1.0, k_family=1.0, k_fault=2.0, k_rail=20.0, unseen_evidence=1.0, alpha_fault=2.0),
    ],
)
def test_leaving_one_out_is_exactly_withdrawing_it(settings: Settings) -> None:
    """Rare faults, rails noted twice and cases that are no evidence included."""
    cases = world_cases(220, parts_per_block=8)
    cases = [
        replace(one, rails=(*one.rails, low_standby("high"), low_standby("low"))) if number % 5 == 0 else one
        for number, one in enumerate(cases)
    ]
    cases.append(case("no evidence", None))
    ledger = ledger_of(*cases)
    chosen = choose_cases(ledger)
    said = forecasts(ledger, chosen, settings)
    faults = [ledger.faults.values[fault] for fault in chosen.faults]
    by_uid = {one.uid: one for one in cases}
    assert len(chosen.rows) == 220
    assert {1, 2} <= set(chosen.copies.tolist())
    uids = [ledger.rows.uids[row] for row in chosen.rows.tolist()]
    for line, uid in enumerate(uids):
        one = by_uid[uid]
        ledger.withdraw(uid)
        ranking = rank(ledger, evidence_of(one), settings)
        ledger.add(one)
        shown = {(cause.section, cause.part_class): cause.probability for cause in ranking.causes}
        expected = [shown.get(fault, 0.0) for fault in faults]
        assert said.probability[line] == pytest.approx(expected, abs=1e-12)
        assert said.unseen[line] == pytest.approx(ranking.unseen_probability, abs=1e-12)
        truth = one.tries[-1]
        was_known = (truth.section, truth.part_class) in shown
        assert (said.truth[line] >= 0) == was_known


def test_the_record_counts_as_one_would_by_hand() -> None:
    cases = world_cases(80, parts_per_block=4)
    ledger = ledger_of(*cases)
    record = track_record(ledger, Settings())
    first = first_three = 0
    losses, squares = [], []
    for one in cases:
        ledger.withdraw(one.uid)
        ranking = rank(ledger, evidence_of(one), Settings())
        ledger.add(one)
        truth = (one.tries[0].section, one.tries[0].part_class)
        shown = {(cause.section, cause.part_class): round(cause.probability, 12) for cause in ranking.causes}
        order = sorted(shown, key=lambda fault: (-shown[fault], fault))
        first += order[:1] == [truth]
        first_three += truth in order[:3]
        of_truth = shown.get(truth, ranking.unseen_probability)
        losses.append(-math.log(of_truth))
        squares.append(sum(p**2 for p in shown.values()) + ranking.unseen_probability**2 - 2 * of_truth + 1)
    ours = record.overall.ranking
    assert (ours.cases, ours.first, ours.first_three) == (80, first, first_three)
    assert ours.log_loss == pytest.approx(float(np.mean(losses)), abs=1e-9)
    assert ours.brier == pytest.approx(float(np.mean(squares)), abs=1e-9)
    assert sum(one.cases for one in ours.bins) == 80
    assert str(first) in record.sentence


def test_evidence_beats_the_most_frequent_fault_of_the_family() -> None:
    record = track_record(ledger_of(*world_cases(500)), Settings())
    ours, plain = record.overall.ranking, record.overall.baseline
    assert ours.first > plain.first
    assert ours.first_three > plain.first_three
    assert ours.log_loss < plain.log_loss
    assert ours.brier < plain.brier


def test_the_families_add_up_to_all_cases() -> None:
    record = track_record(ledger_of(*world_cases(300)), Settings())
    assert sum(one.ranking.cases for one in record.families) == 300
    assert sum(one.ranking.first for one in record.families) == record.overall.ranking.first
    sizes = [one.ranking.cases for one in record.families]
    assert sizes == sorted(sizes, reverse=True)


def test_an_empty_store_has_no_record_and_says_so() -> None:
    record = track_record(Ledger(), Settings(), cuts=[date(2026, 1, 1)])
    assert record.overall.ranking.cases == 0
    assert (record.families, record.periods) == ((), ())
    assert "no record" in record.sentence


@pytest.mark.parametrize("cases", [[case("a")], [case("a"), case("b", SWITCH)], [case("a"), case("b")]])
def test_one_or_two_cases_give_a_finite_record(cases: list[CaseFacts]) -> None:
    scores = track_record(ledger_of(*cases), Settings()).overall.ranking
    assert scores.cases == len(cases)
    assert math.isfinite(scores.log_loss)
    assert 0.0 <= scores.brier <= 2.0


def test_over_time_only_earlier_cases_predict() -> None:
    """Up to the end of 2025 one fault, then another: the first forecasts of 2026 cannot know it."""
    start = date(2025, 1, 1)
    old = [case(f"o{n}", CAP, closed=start + timedelta(days=n)) for n in range(0, 360, 12)]
    new = [case(f"n{n}", SWITCH, closed=date(2026, 1, 1) + timedelta(days=n)) for n in range(20)]
    later = [case(f"l{n}", SWITCH, closed=date(2026, 7, 1) + timedelta(days=n)) for n in range(10)]
    undated = case("undated", SCHOTTKY, closed=None)
    ledger = ledger_of(*later, *new, undated, *old)
    cuts = [date(2025, 7, 1), date(2026, 1, 1), date(2026, 7, 1)]
    first, second, third = over_time(ledger, Settings(), cuts)
    assert [one.name for one in (first, second, third)] == ["2025-07-01", "2026-01-01", "2026-07-01"]
    assert (first.ranking.cases, first.ranking.first) == (14, 14)
    assert (second.ranking.cases, second.ranking.first, second.ranking.new_faults) == (20, 0, 20)
    assert (third.ranking.cases, third.ranking.new_faults) == (10, 0)
    assert third.ranking.log_loss < second.ranking.log_loss
    assert over_time(ledger, Settings(), cuts, max_cases=9)[1].ranking.cases == 3


def test_over_time_values_count_as_they_were_known_then() -> None:
    """Both faults leave the rail low, each at its own level; what was learned later must not have a hand in it."""
    level = {CAP: 0.9, SWITCH: 0.5}
    start = date(2025, 1, 1)

    def low(number: int, fault: tuple[str, str]) -> CaseFacts:
        share = level[fault] + 0.001 * (number % 7)
        rails = (replace(low_standby(), value=share),)
        return case(f"c{number:03}", fault, closed=start + timedelta(days=number), rails=rails)

    cases = [low(number, (CAP, SWITCH)[number % 2]) for number in range(0, 120)]
    ledger = ledger_of(*cases)
    chosen = choose_strength(ledger, patterns=False).settings
    assert chosen.value_exponent > 0.5
    cut = 60
    (record,) = over_time(ledger, chosen, [start + timedelta(days=cut)])
    known = ledger_of(*cases[:cut])
    expected = []
    for one in cases[cut:]:
        evidence = Evidence(one.family, one.kind, one.symptoms, one.rails, complete=True)
        found = posterior(known, evidence, chosen)
        truth = (one.tries[0].section, one.tries[0].part_class)
        names = [known.faults.values[fault] for fault in found.faults.tolist()]
        expected.append(-math.log(found.probability[names.index(truth)]))
    assert record.ranking.log_loss == pytest.approx(sum(expected) / len(expected), rel=1e-9)
    assert record.ranking.first == len(cases) - cut
    assert record.baseline.first < len(cases) - cut


# Tuning


def test_tuning_is_better_than_one_strength_for_all_evidence() -> None:
    ledger = ledger_of(*world_cases(400))
    tuning = choose_strength(ledger)
    assert tuning.cases == tuning.known == 400
    scored = track_record(ledger, tuning.settings).overall.ranking.log_loss
    assert scored == pytest.approx(tuning.log_loss, abs=1e-12)
    for strength in (0.3, 0.5, 0.7, 0.9, 1.0):
        other = Settings(strength=strength)
        assert track_record(ledger, other).overall.ranking.log_loss > tuning.log_loss
    assert tuning.log_loss <= tuning.plain_log_loss


def test_boards_the_store_has_not_seen_gain_from_what_was_chosen() -> None:
    """Not on the cases that chose it, but on six hundred others of the same world."""
    world = World(5)
    ledger = ledger_of(*cases_of(world, world.sample(400, 6)))
    others = cases_of(world, world.sample(600, 60), "other")

    def loss(settings: Settings) -> float:
        total = 0.0
        for one in others:
            ranking = rank(ledger, evidence_of(one), settings)
            truth = (one.tries[0].section, one.tries[0].part_class)
            shown = {(cause.section, cause.part_class): cause.probability for cause in ranking.causes}
            total -= math.log(shown.get(truth, ranking.unseen_probability))
        return total / len(others)

    tuned = choose_strength(ledger, patterns=False).settings
    assert loss(tuned) < loss(Settings())


def chosen_by_name(settings: Settings) -> dict[tuple[str, ...], list[float]]:
    fitted = settings.fitted
    assert fitted is not None
    columns = np.vstack([fitted.k_fault, fitted.k_section, fitted.mention_k_fault, fitted.exponents]).T
    return dict(zip(fitted.features, columns.tolist(), strict=True))


def test_tuning_does_not_depend_on_the_order_of_cases() -> None:
    cases = world_cases(300)
    forward, backward = choose_strength(ledger_of(*cases)), choose_strength(ledger_of(*reversed(cases)))
    assert replace(forward.settings, fitted=None) == replace(backward.settings, fitted=None)
    one, other = chosen_by_name(forward.settings), chosen_by_name(backward.settings)
    assert one.keys() == other.keys()
    for key in one:  # single precision is enough for what is chosen
        assert one[key] == pytest.approx(other[key], abs=0.02)
    assert forward.log_loss == pytest.approx(backward.log_loss, abs=1e-3)
    some = [choose_strength(ledger_of(*order), max_cases=100) for order in (cases, cases[::-1])]
    assert some[0].cases == 100
    assert some[0].log_loss == pytest.approx(some[1].log_loss, abs=1e-3)


def test_a_small_store_keeps_the_given_settings() -> None:
    given = Settings(strength=0.65, k_fault=7.5)
    tuning = choose_strength(ledger_of(*world_cases(20)), given)
    assert tuning.settings == given
    assert math.isfinite(tuning.log_loss)
    assert choose_strength(Ledger(), given).settings == given


def test_tuning_is_worth_redoing_when_the_store_has_grown_by_a_fifth() -> None:
    cases = world_cases(100)
    ledger = ledger_of(*cases[:60])
    tuning = choose_strength(ledger)
    assert not tuning.worth_redoing(ledger)
    for one in cases[60:70]:
        ledger.add(one)
    assert not tuning.worth_redoing(ledger)
    for one in cases[70:]:
        ledger.add(one)
    assert tuning.worth_redoing(ledger)
    assert not choose_strength(ledger_of(*cases[:5])).worth_redoing(ledger_of(*cases[:20]))
    assert choose_strength(ledger_of(*cases[:20])).worth_redoing(ledger_of(*cases[:31]))


@pytest.mark.long
def test_ten_thousand_cases_are_left_out_one_by_one_within_five_seconds_of_processor_time() -> None:
    ledger = ledger_of(*world_cases(10_000, parts_per_block=17))
    start = time.process_time()
    scores = track_record(ledger, Settings(), max_families=0).overall.ranking
    assert time.process_time() - start < 5.0
    assert scores.cases == 10_000
