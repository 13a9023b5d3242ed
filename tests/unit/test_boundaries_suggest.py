"""Boundaries and shown figures of fix records, lasting, intervals, the next measurement and the order of repair.

`tests/mutants.py` counts how many small mistakes these notice. Each figure is worked out beside its check from the
formula that the module names, or comes from the source named there.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, fix, ledger_of, low_standby

from kb.suggest import (
    Candidate,
    Evidence,
    GeneralFault,
    Ledger,
    Record,
    Settings,
    Tuning,
    choose_strength,
    fix_records,
    jeffreys,
    kaplan_meier,
    lasting_in_family,
    lasting_of,
    next_measurements,
    rank,
    what_if,
)
from kb.suggest.fix_records import fix_figures, mean_cost, mean_minutes
from kb.suggest.general import RailChances
from kb.suggest.intervals import beta_cdf, beta_quantile
from kb.suggest.memo import MOST_KEPT, kept
from kb.suggest.model_selection import FEWEST_CASES
from kb.suggest.next_measurement import entropy_bits
from kb.suggest.pooled_counts import counted
from kb.suggest.repair_order import best_stop, cheapest_first, expected_cost_of_prefixes
from kb.suggest.survival import Z_95
from kb.suggest.tally import Tally

# --- fix records


def two_shops() -> Ledger:
    """CAP here and elsewhere, SCHOTTKY only elsewhere, SWITCH only here and never cured."""
    return ledger_of(
        case("a", CAP, tries=(fix(CAP, part="C9", cost=2.0, minutes=10.0),)),
        case("b", CAP, tries=(fix(CAP, part="C9", cost=None, minutes=30.0),)),
        case("c", CAP, tries=(fix(CAP, part="C4", failure="leaking", cost=4.0, minutes=None),)),
        case("d", None, tries=(fix(CAP, "no change", cost=1.0, minutes=None),)),
        case("e", None, verdict="not economical", tries=(fix(SWITCH, "no change", part="Q1", cost=None),)),
        case("x", CAP, tries=(fix(CAP, part="C7", failure="dried out"),), others=True),
        case("y", SCHOTTKY, tries=(fix(SCHOTTKY, part="D3", failure="shorted"),), others=True),
        case("z", None, tries=(fix(SCHOTTKY, "worse", part="D3"),), others=True),
    )


def test_a_record_shows_every_figure_in_its_place() -> None:
    capacitor, switch, schottky = fix_records(two_shops(), "HX-210")
    assert capacitor == Record(
        section=CAP[0],
        part_class=CAP[1],
        cases=3,
        tried=4,
        cured=3,
        rate=0.75,
        interval=jeffreys(3, 4),
        parts=(("C9", 2), ("C4", 1)),
        failures=("high ESR", "leaking"),
        cost=pytest.approx((2.0 + 4.0 + 1.0) / 3),  # type: ignore[arg-type]
        minutes=pytest.approx((10.0 + 30.0) / 2),  # type: ignore[arg-type]
        others_tried=1,
        others_cured=1,
    )
    assert (switch.section, switch.part_class, switch.cases) == (*SWITCH, 0)
    assert (switch.tried, switch.cured, switch.rate, switch.interval) == (1, 0, 0.0, jeffreys(0, 1))
    assert (switch.cost, switch.minutes, switch.others_tried) == (None, 20.0, 0)
    assert (schottky.tried, schottky.cured, schottky.rate, schottky.interval) == (0, 0, None, (0.0, 1.0))
    assert (schottky.others_tried, schottky.others_cured) == (2, 1)
    assert (schottky.cost, schottky.minutes) == (None, None)


def test_parts_and_failures_of_others_are_shown_only_where_the_shop_has_none_of_its_own() -> None:
    of = {(one.section, one.part_class): one for one in fix_records(two_shops(), "HX-210")}
    assert "C7" not in dict(of[CAP].parts)
    assert "dried out" not in of[CAP].failures
    assert of[SCHOTTKY].parts == (("D3", 1),)
    assert of[SCHOTTKY].failures == ("shorted",)


def test_parts_are_named_within_a_family_only() -> None:
    assert all(one.parts == () for one in fix_records(two_shops()))
    assert [one.cured for one in fix_records(two_shops())] == [3, 0, 0]
    assert fix_records(two_shops(), "never seen") == ()


def test_fixes_stand_by_cured_then_tried_then_what_others_cured_and_tried_then_by_name() -> None:
    def tries(section: str, own: tuple[int, int], others: tuple[int, int]) -> list:
        return [
            case(
                f"{section} {whose} {number}",
                None,
                tries=(fix((section, "x"), "cured" if number < cured else "no change"),),
                others=whose == "others",
            )
            for whose, (cured, tried) in (("own", own), ("others", others))
            for number in range(tried)
        ]

    order = {
        "other": ((2, 2), (0, 0)),
        "mains input": ((1, 3), (0, 0)),
        "feedback": ((1, 2), (2, 2)),
        "protection": ((1, 2), (1, 3)),
        "audio": ((1, 2), (1, 2)),
        "backlight": ((1, 2), (1, 2)),
    }
    cases = [one for section in reversed(order) for one in tries(section, *order[section])]
    assert [one.section for one in fix_records(ledger_of(*cases))] == list(order)


def test_means_are_over_the_tries_whose_figure_is_known() -> None:
    tally = Tally()
    assert (mean_cost(tally), mean_minutes(tally)) == (None, None)
    tally.enter_effort(0, -1, 1)
    assert (mean_cost(tally), mean_minutes(tally)) == (0.0, None)
    tally.enter_effort(35_000, 1_500, 1)  # steps of a ten-thousandth and of a thousandth
    assert (mean_cost(tally), mean_minutes(tally)) == (1.75, 1.5)


def leaned(total: float, known: float, parent: float, weight: float = 4.0) -> float:
    """(sum + weight x parent) / (number + weight), the formula of every back-off here."""
    return (total + weight * parent) / (known + weight)


def test_costs_lean_on_the_fix_on_all_boards_and_that_on_fixes_in_general() -> None:
    ledger = ledger_of(
        case("a", CAP, tries=(fix(CAP, cost=2.0, minutes=10.0),)),
        case("b", CAP, tries=(fix(CAP, cost=6.0, minutes=20.0),), family="KM-7"),
        case("c", SWITCH, tries=(fix(SWITCH, cost=9.0, minutes=90.0),), family="KM-7"),
        case("d", SWITCH, tries=(fix(SWITCH, cost=5.0, minutes=60.0),), others=True),
    )
    settings = Settings(k_cure=4.0, default_cost=5.0, default_minutes=30.0, bench_rate_per_hour=40.0)
    faults = np.array([ledger.faults.find(CAP), ledger.faults.find(SWITCH)])
    family = ledger.families.find("HX-210")
    # One imaginary try of 5 and 30 minutes stands beside the three recorded ones.
    cost, minutes = (2 + 6 + 9 + 5.0) / 4, (10 + 20 + 90 + 30.0) / 4
    everywhere = leaned(8.0, 2, cost), leaned(9.0, 1, cost)
    expected = [leaned(2.0, 1, everywhere[0]), everywhere[1]]
    times = [leaned(10.0, 1, leaned(30.0, 2, minutes)), leaned(90.0, 1, minutes)]
    for counts in (ledger, counted(ledger, replace(settings, others_weight=0.0))):
        figures = fix_figures(counts, faults, family, settings)
        assert figures.cost.tolist() == pytest.approx(expected)
        assert figures.minutes.tolist() == pytest.approx(times)
        assert figures.money.tolist() == pytest.approx(
            [money + time * 40.0 / 60.0 for money, time in zip(expected, times, strict=True)]
        )
    unknown = fix_figures(ledger, faults, -1, settings)
    assert unknown.cost.tolist() == pytest.approx([everywhere[0], everywhere[1]])


def test_costs_of_other_shops_count_at_their_weight() -> None:
    ledger = ledger_of(
        case("a", CAP, tries=(fix(CAP, cost=2.0, minutes=10.0),)),
        case("b", CAP, tries=(fix(CAP, cost=6.0, minutes=20.0),), others=True),
        case("c", SWITCH, tries=(fix(SWITCH, cost=9.0, minutes=90.0),), others=True, family="KM-7"),
    )
    settings = Settings(others_weight=0.25)
    sum_of_both = counted(ledger, settings)
    faults = np.array([ledger.faults.find(CAP), ledger.faults.find(SWITCH)])
    general = (2.0 + 0.25 * (6.0 + 9.0) + 5.0) / (1 + 0.25 * 2 + 1)
    capacitor = 2.0 + 0.25 * 6.0
    expected = [
        leaned(capacitor, 1.25, leaned(capacitor, 1.25, general)),
        leaned(0.25 * 9.0, 0.25, general),
    ]
    figures = fix_figures(sum_of_both, faults, ledger.families.find("HX-210"), settings)
    assert figures.cost.tolist() == pytest.approx(expected)


# --- how long fixes last


def test_a_board_that_comes_back_on_the_day_it_left_is_a_return() -> None:
    curve = kaplan_meier([0.0, 0.0, 5.0, 9.0], [True, False, True, False])
    assert [(step.days, step.at_risk, step.returned, step.share) for step in curve.steps] == [
        (0.0, 4, 1, 0.75),
        (5.0, 2, 1, 0.375),
    ]
    assert curve.still_working_after(0.0).share == 0.75
    # Whether or not anything else was heard of it.
    for heard in (300, None):
        ledger = ledger_of(
            case("a", CAP, same_fault_return_days=0, followed_days=heard), case("b", CAP, followed_days=0)
        )
        (within,) = lasting_in_family(ledger, "HX-210", [CAP])
        for found in (lasting_of(ledger), lasting_of(ledger, family="HX-210"), within):
            assert (found.followed, found.returned, found.times) == (2, 1, (0.0, 0.0))


def test_where_nobody_was_followed_any_time_is_beyond_what_is_known() -> None:
    nothing = kaplan_meier([], []).still_working_after(1.0)
    assert (nothing.share, nothing.low, nothing.high, nothing.at_risk) == (1.0, 0.0, 1.0, 0)
    assert nothing.beyond


def test_followed_exactly_as_long_as_asked_is_long_enough() -> None:
    curve = kaplan_meier([100.0, 200.0, 365.0], [True, False, False])
    for days, share, at_risk, beyond in (
        (99.0, 1.0, 3, False),
        (100.0, 2 / 3, 3, False),
        (101.0, 2 / 3, 2, False),
        (365.0, 2 / 3, 1, False),
        (366.0, 2 / 3, 0, True),
    ):
        answer = curve.still_working_after(days)
        assert (answer.days, answer.share, answer.at_risk, answer.beyond, answer.followed) == (
            days, pytest.approx(share), at_risk, beyond, 3,
        )  # fmt: skip


def test_the_bounds_shown_are_those_of_the_last_step_before_and_one_sided_where_none_came_back() -> None:
    curve = kaplan_meier([100.0, 200.0, 365.0, 400.0], [True, True, False, False])
    first, second = curve.steps
    assert (curve.still_working_after(150).low, curve.still_working_after(150).high) == (
        first.low,
        first.high,
    )
    assert (curve.still_working_after(200).low, curve.still_working_after(200).high) == (
        second.low,
        second.high,
    )
    # Nobody back before day 50 of four followed that long: were the true share below 0.05^(1/4), four of four
    # would have had a chance of less than one in twenty.
    before = curve.still_working_after(50)
    assert (before.share, before.low, before.high) == (1.0, pytest.approx(0.05 ** (1 / 4)), 1.0)
    long_after = kaplan_meier([10.0, 20.0], [False, False]).still_working_after(365)
    assert (long_after.share, long_after.low, long_after.at_risk) == (1.0, pytest.approx(0.05), 0)


def test_steps_carry_greenwoods_error_and_none_where_all_came_back() -> None:
    # Greenwood: S sqrt(sum d / (n (n - d))).
    curve = kaplan_meier([1.0, 2.0, 2.0, 3.0, 4.0], [True, True, True, False, True])
    one, two, three = curve.steps
    assert one.error == pytest.approx(0.8 * math.sqrt(1 / (5 * 4)))
    assert two.error == pytest.approx(0.4 * math.sqrt(1 / (5 * 4) + 2 / (4 * 2)))
    spread = math.exp(Z_95 * math.sqrt(1 / 20 + 2 / 8) / abs(math.log(0.4)))
    assert (two.low, two.high) == (pytest.approx(0.4**spread), pytest.approx(0.4 ** (1 / spread)))
    assert (three.at_risk, three.share, three.error, three.low, three.high) == (1, 0.0, 0.0, 0.0, 0.0)
    assert (curve.followed, curve.returned) == (5, 4)


def test_the_median_is_the_first_time_at_which_exactly_half_are_left() -> None:
    assert kaplan_meier([1.0, 2.0, 3.0, 4.0], [True, True, True, True]).median() == 2.0
    assert kaplan_meier([1.0, 2.0, 3.0], [True, False, False]).median() is None


def test_a_curve_takes_the_cases_that_fit_all_that_was_asked() -> None:
    ledger = ledger_of(
        case("a", CAP, followed_days=400),
        case("b", SCHOTTKY, followed_days=50),
        case("c", SWITCH, same_fault_return_days=10),
        case("d", CAP, family="KM-7", followed_days=70),
        case("e", CAP, followed_days=None),
    )
    asked = {
        (): (4, 1),
        (("section", CAP[0]),): (3, 0),
        (("part_class", CAP[1]),): (2, 0),
        (("section", CAP[0]), ("part_class", SCHOTTKY[1])): (1, 0),
        (("section", SWITCH[0]), ("part_class", CAP[1])): (0, 0),
        (("section", CAP[0]), ("family", "KM-7")): (1, 0),
        (("section", SWITCH[0]),): (1, 1),
    }
    for question, counts in asked.items():
        found = lasting_of(ledger, **dict(question))
        assert (found.followed, found.returned) == counts, question
    in_family = lasting_in_family(ledger, "HX-210", [CAP, SWITCH, ("other", "x")])
    assert [(one.followed, one.returned) for one in in_family] == [(1, 0), (1, 1), (0, 0)]
    # A board that was followed without a fix belongs to no fault, not even to one that nobody ever had.
    ledger.add(case("f", None, verdict="no fault found", followed_days=90))
    assert [one.followed for one in lasting_in_family(ledger, "HX-210", [CAP, ("other", "x")])] == [1, 0]
    ledger.withdraw("a")
    assert [one.followed for one in lasting_in_family(ledger, "HX-210", [CAP])] == [0]
    assert lasting_of(ledger, part_class=CAP[1]).times == (70.0,)


# --- intervals


def test_an_interval_ends_at_nothing_and_at_everything_and_says_nothing_of_no_tries() -> None:
    assert jeffreys(0, 0) == (0.0, 1.0)
    for tried in (1, 4, 20):
        assert jeffreys(0, tried)[0] == 0.0
        assert 0.0 < jeffreys(0, tried)[1] < 1.0
        assert jeffreys(tried, tried)[1] == 1.0
        assert 0.0 < jeffreys(tried, tried)[0] < 1.0
        assert jeffreys(tried, tried)[0] == pytest.approx(1.0 - jeffreys(0, tried)[1], abs=1e-9)
    # The module's own example, from the formula: the 97.5 % point of Beta(1/2, 20.5).
    assert jeffreys(0, 20)[1] == pytest.approx(0.1166, abs=5e-5)


def test_the_confidence_asked_for_is_the_one_that_is_given() -> None:
    for confidence in (0.5, 0.9, 0.99):
        low, high = jeffreys(3, 10, confidence)
        assert beta_cdf(low, 3.5, 7.5) == pytest.approx((1 - confidence) / 2, abs=1e-9)
        assert beta_cdf(high, 3.5, 7.5) == pytest.approx((1 + confidence) / 2, abs=1e-9)
    for confidence in (0.0, 1.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            jeffreys(3, 10, confidence)
    # From the definition: of Beta(2, 1) the share below x is x^2, of Beta(1, 1) x.
    assert beta_quantile(0.04, 2.0, 1.0) == pytest.approx(0.2)
    assert beta_quantile(0.25, 1.0, 1.0) == pytest.approx(0.25)


def test_more_cured_than_tried_is_refused() -> None:
    for cured, tried in ((-1, 3), (4, 3)):
        with pytest.raises(ValueError, match=f"not {cured} of {tried}"):
            jeffreys(cured, tried)


def test_the_beta_distribution_is_exact_where_it_is_a_polynomial() -> None:
    """I_x(a, 1) = x^a, I_x(1, b) = 1 - (1 - x)^b, I_x(2, 2) = x^2 (3 - 2x): from the integral itself."""
    assert (beta_cdf(0.0, 2, 3), beta_cdf(1.0, 2, 3)) == (0.0, 1.0)
    assert (beta_cdf(-0.5, 2, 3), beta_cdf(1.5, 2, 3)) == (0.0, 1.0)
    for x in (1e-9, 0.01, 0.3, 0.5, 0.9, 0.999):
        assert beta_cdf(x, 3.0, 1.0) == pytest.approx(x**3, rel=1e-11)
        assert beta_cdf(x, 1.0, 3.0) == pytest.approx(1 - (1 - x) ** 3, rel=1e-7)
        assert beta_cdf(x, 2.0, 2.0) == pytest.approx(x * x * (3 - 2 * x), rel=1e-11)
    for a, b in ((0.0, 1.0), (1.0, 0.0)):
        with pytest.raises(ValueError, match="above zero"):
            beta_cdf(0.5, a, b)


def test_the_quantile_undoes_the_distribution_to_its_last_digits() -> None:
    assert (beta_quantile(0.0, 2, 3), beta_quantile(1.0, 2, 3)) == (0.0, 1.0)
    for probability in (0.001, 0.25, 0.5, 0.975, 0.999):
        assert beta_quantile(probability, 3.0, 1.0) == pytest.approx(probability ** (1 / 3), rel=1e-12)
        assert beta_quantile(probability, 1.0, 3.0) == pytest.approx(
            1 - (1 - probability) ** (1 / 3), rel=1e-12
        )
        # Beta(1/2, 1/2) is the arcsine law: its quantile is the squared sine of half pi times p.
        assert beta_quantile(probability, 0.5, 0.5) == pytest.approx(
            math.sin(math.pi * probability / 2) ** 2, rel=1e-9
        )
    # Far down as well, where the quantile is 2.5e-18.
    assert beta_quantile(1e-9, 0.5, 0.5) == pytest.approx((math.pi * 1e-9 / 2) ** 2, rel=1e-9, abs=0.0)
    for probability in (-0.1, 1.1):
        with pytest.raises(ValueError, match="from 0 to 1"):
            beta_quantile(probability, 1, 1)


# --- from how many cases a store chooses by itself


def test_a_store_chooses_its_own_weights_from_exactly_the_fewest_cases_on() -> None:
    assert FEWEST_CASES == 30
    ledger = halves(29)
    before = choose_strength(ledger, thorough=False)
    assert (before.chose, before.known, before.settings) == (False, 29, Settings())
    assert not before.worth_redoing(ledger)
    ledger.add(case("the thirtieth", CAP))
    assert before.worth_redoing(ledger)
    after = choose_strength(ledger, thorough=False)
    assert (after.chose, after.known) == (True, 30)
    assert after.settings.fitted is not None
    assert after.settings != Settings()


@pytest.mark.parametrize(("known", "worth"), [(29, False), (41, True), (42, False), (59, False), (60, True)])
def test_a_choice_is_made_again_when_the_store_has_changed_by_a_fifth(known: int, worth: bool) -> None:
    # Chosen on 50 cases: a fifth more is 60, a fifth less is 50 / 1.2, under 42. Below 30 nothing is chosen.
    tuning = Tuning(Settings(), 0.0, 0.0, cases=50, known=50)
    assert tuning.worth_redoing(halves(known)) is worth


# --- the next measurement


def halves(cases: int = 16) -> Ledger:
    """Two faults that are equally frequent, told apart by one rail; absences are noted."""
    return ledger_of(
        *(
            case(f"c{n}", CAP, symptoms=(("hum", True),), rails=(low_standby(),))
            if n % 2 == 0
            else case(f"s{n}", SWITCH, symptoms=(("hum", False),), rails=(low_standby("in tolerance"),))
            for n in range(cases)
        )
    )


RAIL = Candidate("standby", "rail", ("standby", "standby", "none"), True, 2.0)
HUM = Candidate("hum", "symptom", "hum", False, 2.0)


def test_entropy_counts_the_unseen_row_and_nothing_impossible() -> None:
    assert entropy_bits(np.array([0.5, 0.25, 0.0]), 0.25) == pytest.approx(1.5)
    assert entropy_bits(np.array([1.0, 0.0]), 0.0) == 0.0
    assert entropy_bits(np.array([[0.5, 0.5], [0.25, 0.25]]), np.array([0.0, 0.5])).tolist() == pytest.approx(
        [1.0, 1.5]
    )


def test_no_more_measurements_are_named_than_asked_for() -> None:
    asked = [RAIL, HUM]
    for limit, shown in ((None, 2), (3, 2), (2, 2), (1, 1), (0, 0), (-1, 0)):
        assert len(next_measurements(halves(), Evidence(), Settings(), asked, limit=limit)) == shown
    assert next_measurements(halves(), Evidence(), None, asked) == next_measurements(
        halves(), Evidence(), Settings(), asked
    )


def test_a_measurement_shows_its_bits_its_rate_and_what_each_outcome_would_do() -> None:
    settings = Settings(strength=0.9, k_family=2.0)
    (found,) = next_measurements(halves(), Evidence("HX-210"), settings, [RAIL])
    assert found.bits > 0.2
    assert found.bits_per_minute == pytest.approx(found.bits / 2.0)
    assert found.why == f"expected to settle {found.bits:.2f} bits"
    by_label = {one.label: one for one in found.outcomes}
    assert (by_label["low"].leading, by_label["in tolerance"].leading) == (CAP, SWITCH)
    for label in ("low", "in tolerance"):
        after = rank(halves(), Evidence("HX-210", rails=(low_standby(label),)), settings)
        assert by_label[label].leading_probability == pytest.approx(after.causes[0].probability)
    assert sum(one.probability for one in found.outcomes) == pytest.approx(1.0)
    # The settings that were given are those that count.
    (plain,) = next_measurements(halves(), Evidence("HX-210"), Settings(), [RAIL])
    assert abs(plain.bits - found.bits) > 1e-3


def test_where_absences_are_noted_a_symptom_is_there_as_often_as_it_was_found() -> None:
    # All of one fault hum and none of the other, and every case says so: even chances, by symmetry.
    (found,) = next_measurements(halves(), Evidence(), Settings(), [HUM])
    assert {one.label: one.probability for one in found.outcomes} == pytest.approx(
        {"present": 0.5, "not present": 0.5}
    )


def test_in_what_order_symptoms_were_first_noted_says_nothing() -> None:
    """Few note an absence, so a symptom is there as often as it is named: each by its own count."""
    cases = [
        case("a", CAP, symptoms=(("hum", True), ("buzz", True)), rails=()),
        *(case(f"h{n}", CAP, symptoms=(("hum", True),), rails=()) for n in range(6)),
        *(case(f"b{n}", SWITCH, symptoms=(("buzz", True),), rails=()) for n in range(2)),
        *(case(f"s{n}", SWITCH, symptoms=(), rails=()) for n in range(5)),
    ]
    turned = [replace(one, symptoms=one.symptoms[::-1]) for one in cases]
    asked = [HUM, replace(HUM, label="buzz", name="buzz")]
    one_way, other_way = (
        {one.candidate.label: one for one in next_measurements(ledger_of(*of), Evidence(), Settings(), asked)}
        for of in (cases, turned)
    )
    assert set(one_way) == set(other_way) == {"hum", "buzz"}
    for label, found in one_way.items():
        assert found.bits == pytest.approx(other_way[label].bits, abs=1e-12)
        said, other = (
            {out.label: out.probability for out in of.outcomes} for of in (found, other_way[label])
        )
        assert said == pytest.approx(other, abs=1e-12)
    # 7 of 14 hum and 3 buzz, and the counts lean on one another.
    there = {label: found.outcomes[0].probability for label, found in one_way.items()}
    assert there["hum"] > 1.5 * there["buzz"]


def test_what_is_expected_after_a_look_is_what_is_thought_before_it() -> None:
    """The law of total probability, over causes and unseen row; exact where answers count in full for both."""
    ledger = ledger_of(
        *(case(f"c{n}", CAP) for n in range(3)),
        *(case(f"s{n}", SWITCH, rails=(low_standby("in tolerance"),)) for n in range(2)),
        case("d", SCHOTTKY, rails=(low_standby("pulsing"),)),
    )
    settings = Settings(strength=1.0, silence=0.0, mentions=False, unseen_evidence=1.0)
    now = rank(ledger, Evidence(), settings)
    (found,) = next_measurements(ledger, Evidence(), settings, [RAIL])
    expected = {(one.section, one.part_class): 0.0 for one in now.causes}
    unseen = 0.0
    for outcome in found.outcomes:
        after = rank(ledger, Evidence(rails=(low_standby(outcome.label),)), settings)
        unseen += outcome.probability * after.unseen_probability
        for one in after.causes:
            expected[one.section, one.part_class] += outcome.probability * one.probability
    assert now.unseen_probability > 0.2
    assert unseen == pytest.approx(now.unseen_probability, abs=1e-12)
    assert expected == pytest.approx(
        {(one.section, one.part_class): one.probability for one in now.causes}, abs=1e-12
    )


def test_a_moments_look_counts_as_a_twentieth_of_a_minute() -> None:
    for minutes, counted_minutes in ((0.0, 0.05), (0.05, 0.05), (0.1, 0.1)):
        (found,) = next_measurements(halves(), Evidence(), Settings(), [replace(RAIL, minutes=minutes)])
        assert found.bits_per_minute == pytest.approx(found.bits / counted_minutes)


def test_an_unpowered_look_wins_up_to_a_quarter_more_minutes() -> None:
    hot = Candidate("hot", "symptom", "hot", True, 4.0)
    cold = Candidate("cold", "symptom", "cold", False, 4.0)
    both = ledger_of(
        *(case(f"c{n}", CAP, symptoms=(("hot", True), ("cold", True))) for n in range(9)),
        *(case(f"s{n}", SWITCH, symptoms=(("hot", False), ("cold", False))) for n in range(9)),
    )
    for minutes, first in ((4.99, "cold"), (5.0, "cold"), (5.01, "hot")):
        found = next_measurements(both, Evidence(), Settings(), [hot, replace(cold, minutes=minutes)])
        assert found[0].candidate.label == first
    # Of equals in every respect the name decides.
    twins = [replace(hot, label="b"), replace(cold, label="c", powered=True), replace(hot, label="a")]
    assert [one.candidate.label for one in next_measurements(both, Evidence(), Settings(), twins)] == [
        "a", "b", "c",
    ]  # fmt: skip


def test_a_dead_check_that_nobody_noted_promises_nothing_beside_one_that_tells() -> None:
    check = Candidate("short", "symptom", "output rail shorted to ground", False, 1.0, dead_check=True)
    found = {
        one.candidate: one.outcomes
        for one in next_measurements(halves(), Evidence(), Settings(), [check, HUM])
    }
    assert found[check] == ()
    assert [one.label for one in found[HUM]] == ["present", "not present"]


def test_what_a_line_moves_is_half_the_summed_change_of_all_probabilities() -> None:
    evidence = Evidence("HX-210", None, (("hum", True),), (low_standby(),))

    def shares(of: Evidence) -> dict[object, float]:
        ranking = rank(halves(), of, Settings())
        causes = {(one.section, one.part_class): one.probability for one in ranking.causes}
        return {**causes, "unseen": ranking.unseen_probability}

    now, found = shares(evidence), what_if(halves(), evidence, Settings())
    assert len(found) == 2
    for one in found:
        without = shares(one.without)
        change = sum(abs(now[cause] - without[cause]) for cause in now)
        assert one.moved == pytest.approx(change / 2, abs=1e-12)
        assert one.moved > 0.01


def test_what_was_worked_out_is_kept_for_one_state_of_the_counts_and_one_choice_of_settings() -> None:
    ledger, plain, other = ledger_of(case("a")), Settings(), Settings(strength=0.5)

    def answer(settings: Settings, worked_out: str, key: str = "of all") -> str:
        return kept(ledger, settings, key, lambda: worked_out)

    assert [answer(plain, "first"), answer(plain, "again")] == ["first", "first"]
    assert answer(plain, "of another", "another") == "of another"
    assert [answer(other, "otherwise"), answer(other, "again")] == ["otherwise", "otherwise"]
    ledger.add(case("b"))
    assert answer(other, "with one case more") == "with one case more"
    # No more is kept than that, and what is asked for is right whatever had to go.
    for number in range(3 * MOST_KEPT):
        assert answer(other, f"value {number}", f"key {number}") == f"value {number}"
        assert len(ledger.memo.values) <= MOST_KEPT


class KnowsTwo:
    """A catalogue of two faults; of the clicking relay it has an opinion for one, of the standby rail for both."""

    def faults(self) -> tuple[GeneralFault, ...]:
        return GeneralFault(*CAP, "high ESR", 0.75), GeneralFault(*SCHOTTKY, "shorted", 0.25)

    def share(self, section: str, part_class: str) -> float:
        return {CAP: 0.75, SCHOTTKY: 0.25}.get((section, part_class), 0.0)

    def mentioned(self, section: str, part_class: str, symptom: str) -> float | None:
        return 0.5 if (section, part_class, symptom) == (*CAP, "relay clicks repeatedly") else None

    def rail(self, section: str, part_class: str, role: str, supply: str, load: str) -> RailChances | None:
        return (0.2, 0.2, 0.2, 0.2, 0.2) if (section, part_class) in (CAP, SCHOTTKY) else None


def test_what_rests_on_general_practice_is_its_part_in_the_prior_and_in_each_answer_it_has_an_opinion_of() -> (
    None
):
    """k / (cases + k) of the prior, and of an answer that part beside the section's cases times the part of the
    section beside the fault's own; the mean, in which the prior counts 1 and an answer its exponent."""
    ledger = ledger_of(
        case("a", CAP),
        case("b", CAP),
        case("c", CAP, symptoms=()),
        case("d", SWITCH, symptoms=(), rails=()),
    )
    settings = Settings(
        general=KnowsTwo(),
        k_catalogue=4.0,
        k_general_symptom=6.0,
        k_general_rail=12.0,
        k_fault=3.0,
        k_rail=5.0,
        strength=0.5,
    )

    def shares(evidence: Evidence) -> dict[tuple[str, str], float]:
        ranked = rank(ledger, evidence, settings).causes
        return {(one.section, one.part_class): one.general_practice for one in ranked}

    prior_of_cap, prior_of_schottky = 3 / (3 + 3), 1 / (0 + 1)
    relay_found, relay_named = 6 / (2 + 6) * 3 / (2 + 3), 6 / (3 + 6) * 3 / (3 + 3)
    rail_of_cap, rail_of_schottky = 12 / (3 + 12) * 5 / (3 + 5), 12 / (3 + 12) * 5 / (0 + 5)
    assert shares(Evidence()) == {CAP: prior_of_cap, SCHOTTKY: prior_of_schottky, SWITCH: 0.0}
    noted = Evidence(symptoms=(("relay clicks repeatedly", True),), rails=(low_standby(),))
    assert shares(noted) == {
        CAP: pytest.approx((prior_of_cap + 0.5 * (relay_found + relay_named + rail_of_cap)) / (1 + 0.5 * 3)),
        SCHOTTKY: pytest.approx((prior_of_schottky + 0.5 * rail_of_schottky) / (1 + 0.5)),
        SWITCH: 0.0,
    }


def test_the_first_family_of_a_store_is_its_own_basis_as_any_other() -> None:
    ledger = ledger_of(case("a"), case("b", SWITCH, family="KM-7"))
    said = {code: rank(ledger, Evidence(code), Settings()).basis for code in ("HX-210", "KM-7", "QB-1")}
    assert said == {"HX-210": "family", "KM-7": "family", "QB-1": "all boards"}


def test_a_dead_check_says_why_it_is_named() -> None:
    check = replace(HUM, dead_check=True)
    (telling,) = next_measurements(halves(), Evidence(), Settings(), [check])
    assert telling.bits > 0.01
    assert telling.why == "before the board is energised"
    (found,) = next_measurements(halves(), Evidence(), Settings(), [HUM])
    assert found.why == f"expected to settle {found.bits:.2f} bits"


def test_a_dead_check_is_named_for_safety_alone_under_a_hundredth_of_a_bit() -> None:
    told = []
    for here, there in ((4, 5), (7, 8), (8, 9), (3, 5), (4, 6)):  # of ten boards of each fault that hum
        hums = ledger_of(
            *(case(f"c{n}", CAP, symptoms=(("hum", n < here),)) for n in range(10)),
            *(case(f"s{n}", SWITCH, symptoms=(("hum", n < there),)) for n in range(10)),
        )
        (found,) = next_measurements(hums, Evidence(), Settings(), [replace(HUM, dead_check=True)])
        safety, telling = "to be done before the board is energised", "before the board is energised"
        assert found.why == (safety if found.bits < 0.01 else telling)
        (any_other,) = next_measurements(hums, Evidence(), Settings(), [HUM])
        assert any_other.why == f"expected to settle {found.bits:.2f} bits"
        told.append(found.bits)
    assert sum(0.0 < bits < 0.01 for bits in told) > 1
    assert sum(0.01 <= bits < 0.02 for bits in told) > 1


# --- the order of repair


def test_what_costs_nothing_comes_first_if_it_can_cure_and_last_if_not() -> None:
    cures, cost = [0.2, 0.0, 0.1, 0.3], [0.5, 0.0, 0.0, 0.9]
    # By chance over cost: 0.4, nothing, without limit, a third.
    assert cheapest_first(cures, cost).tolist() == [2, 0, 3, 1]
    assert cheapest_first([0.0, 0.0], [1.0, 1.0]).tolist() == [0, 1]
    assert cheapest_first([], []).tolist() == []
    # Chances of a thousandth are told apart, what differs in the last digits is not.
    assert cheapest_first([0.001, 0.002], [1.0, 1.0]).tolist() == [1, 0]
    assert cheapest_first([0.1, 0.1 * (1 + 1e-15)], [1.0, 1.0]).tolist() == [0, 1]
    # Nor does it matter in which currency the costs are.
    assert cheapest_first([0.001, 0.002], [1e10, 1e10]).tolist() == [1, 0]


def test_giving_up_after_each_fix_costs_what_was_paid_and_the_new_board() -> None:
    # By hand: nothing, 4 and then half of 10 left, 4 + 0.5 x 6 and then a quarter of 10 left.
    prefixes = expected_cost_of_prefixes([0.5, 0.25], [4.0, 6.0], 10.0)
    assert prefixes.tolist() == pytest.approx([10.0, 4.0 + 5.0, 4.0 + 3.0 + 2.5])
    stop = best_stop([0.5, 0.25], [4.0, 6.0], 10.0)
    assert (stop.tries, stop.expected_cost, stop.chance_of_cure) == (1, pytest.approx(9.0), 0.5)
    assert stop.prefixes == pytest.approx((10.0, 9.0, 9.5))
    assert best_stop([0.5], [4.0], 0.0).tries == 0
    with pytest.raises(ValueError, match="zero or more"):
        best_stop([0.5], [4.0], -0.01)


def test_a_drawing_gets_no_more_steps_than_it_is_wide_and_none_of_them_changes_the_curve() -> None:
    times = [*range(1, 2_001), 2_000, 2_000]
    curve = kaplan_meier(times, [time % 3 == 0 for time in times])
    drawn = curve.drawn(10.0)
    assert len(curve.steps) == 666
    assert len(drawn) == 200
    assert set(drawn) <= set(curve.steps)
    assert drawn[-1] == curve.steps[-1]
    assert curve.drawn(1.0) == curve.steps
    assert [curve.followed_for(days) for days in (0, 1, 1.5, 2_000, 2_001)] == [2_002, 2_002, 2_001, 3, 0]
