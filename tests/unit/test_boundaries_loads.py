"""Boundaries and shown figures of loads, load plans and the series lamp.

`tests/mutants.py` counts how many small mistakes these notice. Figures are by Ohm's law beside each check, or by the
formula that `kb.bench.loads` names (lamps: I = I0 (V/V0)^0.55; cold filament a tenth to a sixteenth of hot).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from kb.bench import load_search
from kb.bench.load_blocks import Candidates, combinations, electronic_limit, most_rows, usable_blocks
from kb.bench.load_plan import LoadPlan, RailPlan, RailTarget, plan_loads
from kb.bench.load_search import RailChoices, Wishes, choices, choose, choose_first, shared_bases
from kb.bench.loads import Load, amps_at, cold_amps_at, cold_resistance, resistance
from kb.bench.series_lamp import through_lamp
from kb.errors import BadInput


def resistor(ohm: float, max_w: float = 500.0, count: int = 1, name: str = "") -> Load:
    return Load(name or f"{ohm:g} ohm", "resistor", ohm=ohm, max_w=max_w, count=count)


LAMP = Load("lamp", "lamp", points=((12.0, 1.75),), max_w=25.0)
SET = Load("set", "electronic", max_a=2.0, max_w=60.0, min_v=1.5, max_v=30.0)


def one_rail(target: RailTarget, *shelf: Load, **more: float) -> RailPlan:
    return plan_loads([target], shelf, **more).plans[0]


def used(plan: LoadPlan) -> list[list[str]]:
    return [[element.load for element in rail.elements] for rail in plan.plans]


# --- what one load draws


def test_a_load_is_one_of_its_kind_unless_more_are_said() -> None:
    assert Load("r", "resistor", ohm=1.0).count == 1
    assert one_rail(RailTarget("12V", 12.0, 2.0), resistor(12.0)).amps == pytest.approx(1.0)


def test_a_resistor_of_measured_points_has_the_mean_of_their_ohms() -> None:
    measured = Load("r", "resistor", points=((10.0, 1.0), (20.0, 1.6)), max_w=50.0)
    assert resistance(measured) == pytest.approx((10.0 + 12.5) / 2)
    assert amps_at(measured, 9.0) == pytest.approx(9.0 / 11.25)
    assert resistance(resistor(4.7)) == 4.7
    # Its points may lie on one line: only a filament's resistance has to rise.
    assert resistance(Load("r", "resistor", points=((5.0, 0.5), (10.0, 1.0)))) == pytest.approx(10.0)
    # Two that rise in volts may draw the same current.
    assert resistance(Load("r", "resistor", points=((5.0, 1.0), (10.0, 1.0)))) == pytest.approx(7.5)


@pytest.mark.parametrize("point", [(0.0, 1.0), (-1.0, 1.0), (1.0, 0.0), (1.0, -1.0)])
def test_a_measured_point_is_above_nothing_in_both_figures(point: tuple[float, float]) -> None:
    with pytest.raises(BadInput) as refused:
        Load("r", "resistor", points=(point, (5.0, 2.0)))
    assert refused.value.field == "points"


def test_a_voltage_is_measured_once() -> None:
    with pytest.raises(BadInput) as refused:
        Load("r", "resistor", points=((5.0, 1.0), (5.0, 2.0)))
    assert refused.value.field == "points"
    # As many amperes at the higher one as there were volts at the lower.
    assert resistance(Load("r", "resistor", points=((1.0, 0.5), (2.0, 1.0)))) == pytest.approx(2.0)


def test_a_tolerance_stays_under_a_hundred_per_cent() -> None:
    assert Load("r", "resistor", ohm=1.0, tolerance_pct=99.9).tolerance_pct == 99.9
    with pytest.raises(BadInput) as refused:
        Load("r", "resistor", ohm=1.0, tolerance_pct=100.0)
    assert refused.value.field == "tolerance_pct"


def test_an_electronic_load_draws_between_its_least_and_its_highest_volts_only() -> None:
    for volts, amps in ((1.49, 0.0), (1.5, 2.0), (30.0, 2.0), (30.1, 0.0), (0.0, 0.0), (-5.0, 0.0)):
        assert amps_at(SET, volts) == amps
    # 60 W: from 30 V on its power limits it.
    wide = Load("set", "electronic", max_a=2.0, max_w=60.0)
    assert amps_at(wide, 40.0) == pytest.approx(1.5)
    assert amps_at(wide, 0.1) == 2.0
    assert amps_at(Load("set", "electronic", max_a=2.0), 40.0) == 2.0
    assert cold_amps_at(SET, 12.0) == (0.0, 2.0)


def test_an_electronic_load_is_set_to_its_derated_watts_at_most() -> None:
    assert electronic_limit(SET, 12.0, 0.6) == 2.0  # 36 W at 12 V would be 3 A
    assert electronic_limit(SET, 24.0, 0.6) == pytest.approx(1.5)
    assert electronic_limit(Load("set", "electronic", max_a=2.0), 12.0, 0.6) == 0.0
    assert electronic_limit(resistor(1.0), 12.0, 0.6) == 0.0


def test_the_rating_of_a_lamp_is_its_highest_measured_point_unless_printed() -> None:
    points = ((6.0, 1.2), (12.0, 1.75))
    lamp = Load("lamp", "lamp", points=points)
    assert (lamp.rated_w, lamp.rated_v) == (21.0, 12.0)
    printed = Load("lamp", "lamp", points=points, max_w=25.0, max_v=13.5)
    assert (printed.rated_w, printed.rated_v) == (25.0, 13.5)
    assert (resistor(10.0, 5.0).rated_w, resistor(10.0).rated_v) == (5.0, math.inf)
    assert Load("r", "resistor", ohm=1.0).rated_w is None


def test_a_lamp_follows_its_points_and_beyond_both_ends_the_law() -> None:
    lamp = Load("lamp", "lamp", points=((6.0, 1.2), (12.0, 1.75)))
    assert amps_at(lamp, 3.0) == pytest.approx(1.2 * 0.5**0.55)
    assert amps_at(lamp, 24.0) == pytest.approx(1.75 * 2**0.55)
    assert amps_at(lamp, 0.0) == 0.0


def test_what_is_cold_draws_by_its_cold_resistance() -> None:
    # Hot 12 V / 1.75 A; a tenth to a sixteenth and a half of that when cold.
    hot = 12.0 / 1.75
    assert cold_resistance(LAMP) == pytest.approx((hot / 16.5, hot / 10.0))
    assert cold_amps_at(LAMP, 6.0) == pytest.approx((60.0 / hot, 99.0 / hot))
    assert cold_resistance(resistor(4.7)) == (4.7, 4.7)
    assert cold_amps_at(resistor(4.0), 12.0) == (3.0, 3.0)
    assert cold_resistance(SET) == (math.inf, math.inf)


# --- the pieces of a plan


def test_an_element_shows_what_each_load_of_a_string_carries() -> None:
    # Two strings of two 8 ohm: 24 V / 16 ohm in each.
    (element,) = one_rail(RailTarget("24V", 24.0, 3.0, 6.0), resistor(8.0, count=4)).elements
    assert (element.series, element.parallel, element.watts_each) == (1, 1, 72.0)
    (element,) = one_rail(RailTarget("24V", 24.0, 3.0, 6.0), resistor(8.0, max_w=32.0, count=4)).elements
    assert (element.load, element.series, element.parallel) == ("8 ohm", 2, 2)
    assert (element.volts_each, element.amps_each, element.watts_each) == (12.0, 1.5, 18.0)


def test_a_plan_shows_what_the_rail_gives_in_all() -> None:
    plan = one_rail(RailTarget("-12V", -12.0, 3.5, 5.0), resistor(6.0), SET)
    assert (plan.rail, plan.volts, plan.target_a) == ("-12V", -12.0, 3.5)
    assert (plan.amps, plan.watts) == (pytest.approx(3.5), pytest.approx(42.0))
    assert plan.rated_fraction == pytest.approx(0.7)
    _, electronic = plan.elements
    assert (electronic.load, electronic.series, electronic.parallel) == ("set", 1, 1)
    assert (electronic.volts_each, electronic.amps_each) == (12.0, pytest.approx(1.5))
    assert electronic.watts_each == pytest.approx(18.0)
    assert (plan.cold_low_a, plan.cold_high_a) == (pytest.approx(3.5), pytest.approx(3.5))
    assert plan.within_target
    both = plan_loads([RailTarget("a", 12.0, 2.0), RailTarget("b", 5.0, 1.0)], [resistor(6.0), resistor(5.0)])
    assert both.total_w == pytest.approx(24.0 + 5.0)
    assert one_rail(RailTarget("a", 12.0, 2.0), resistor(6.0)).rated_fraction is None


def test_the_switch_on_range_adds_up_over_strings_side_by_side() -> None:
    lamps = Load("lamp", "lamp", points=((12.0, 1.75),), max_w=25.0, count=2)
    plan = one_rail(RailTarget("12V", 12.0, 5.5), lamps, resistor(6.0))
    assert plan.amps == pytest.approx(2 * 1.75 + 2.0)
    assert plan.cold_low_a == pytest.approx(2 * 17.5 + 2.0)
    assert plan.cold_high_a == pytest.approx(2 * 28.875 + 2.0)


def test_24_strings_stand_side_by_side_and_12_loads_in_series_at_most() -> None:
    most = one_rail(RailTarget("12V", 12.0, 24.0), resistor(12.0, count=30), within=0.01)
    assert most.amps == pytest.approx(24.0)
    blocks, whole = usable_blocks([resistor(12.0, count=30)], 12.0, 100.0, 0.6)
    assert whole
    assert max(block.parallel for block in blocks) == 24
    assert max(block.series for block in blocks) == 12
    assert all(block.units == block.series * block.parallel for block in blocks)
    assert all(block.watts == pytest.approx(12.0 * block.amps) for block in blocks)
    assert all(block.amps == pytest.approx(block.parallel / block.series) for block in blocks)


def test_a_load_at_exactly_its_derated_watts_is_used_and_one_above_is_not() -> None:
    # 12 V across 12 ohm is 12 W: 60 % of 20 W.
    assert len(usable_blocks([resistor(12.0, max_w=20.0)], 12.0, 1.0, 0.6)[0]) == 1
    assert len(usable_blocks([resistor(12.0, max_w=19.9)], 12.0, 1.0, 0.6)[0]) == 0
    # A lamp burns at its rating and at its voltage, not above either.
    (block,), _ = usable_blocks([Load("lamp", "lamp", points=((12.0, 1.75),), max_w=21.0)], 12.0, 1.0, 0.6)
    assert block.strained == 1
    assert usable_blocks([Load("lamp", "lamp", points=((12.0, 1.75),), max_w=20.9)], 12.0, 1.0, 0.6)[0] == []
    assert usable_blocks([Load("lamp", "lamp", points=((12.0, 1.75),), max_w=99.0)], 12.1, 1.0, 0.6)[0] == []
    at_ease = Load("lamp", "lamp", points=((12.0, 1.75),), max_w=35.0)  # 21 W is 60 % of 35 W
    assert usable_blocks([at_ease], 12.0, 1.0, 0.6)[0][0].strained == 0


def test_strings_are_added_until_they_draw_the_lower_edge_and_no_further() -> None:
    blocks, _ = usable_blocks([resistor(12.0, count=5)], 12.0, 2.0, 0.6)
    assert [block.parallel for block in blocks if block.series == 1] == [1, 2]


def test_of_a_very_large_shelf_the_strongest_loads_are_kept() -> None:
    # 24 weak ones side by side draw more than a strong one and take more wiring.
    shelf = [
        *(resistor(1200.0 + ohm, count=24) for ohm in range(10)),
        *(resistor(10.0 + n / 10) for n in range(200)),
    ]
    blocks, whole = usable_blocks(shelf, 12.0, 1.3, 0.6)
    assert not whole
    assert len(blocks) == 300
    strength = [block.amps / block.units for block in blocks]
    assert strength == sorted(strength, reverse=True)
    assert sum(block.load >= 10 for block in blocks) == 200


def test_so_many_strings_are_kept_as_make_no_more_pairs_than_may_be_looked_at() -> None:
    shelf = [resistor(10.0 + n / 10) for n in range(200)]
    # n strings make n² / 2 pairs: 100 of them 5,000. No fewer than 60 are kept.
    for most, kept in ((5_000, 100), (19_900, 199), (20_000, 200), (100, 60)):
        blocks, whole = usable_blocks(shelf, 12.0, 1.3, 0.6, most)
        assert (len(blocks), whole) == (kept, kept == 200)


def test_the_more_loads_and_rails_the_fewer_combinations_are_looked_at_for_each() -> None:
    # All 60,000 of up to 20 loads for 8 rails, then as many fewer as there are more, and 2,000 at least.
    for loads, rails, rows in (
        (0, 0, 60_000), (20, 8, 60_000), (161, 1, 59_627), (40, 8, 30_000), (20, 16, 30_000),
        (200, 24, 2_000), (400, 24, 2_000),
    ):  # fmt: skip
        assert most_rows(loads, rails) == rows


def test_a_combination_that_has_reached_the_lower_edge_exactly_is_not_extended() -> None:
    shelf = [resistor(12.0), resistor(24.0), resistor(48.0)]  # 1 A, 0.5 A and 0.25 A at 12 V
    blocks, _ = usable_blocks(shelf, 12.0, 1.0, 0.6)
    found = combinations(shelf, blocks, 12.0, 1.1, 1.0, 0.6)
    assert [[place for place in row if place >= 0] for row in found.rows.tolist()] == [
        [],
        [0],
        [1],
        [2],
        [1, 2],
    ]
    assert found.amps.tolist() == [0.0, 1.0, 0.5, 0.25, 0.75]
    assert found.usage.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1]]
    assert found.electronic.tolist() == [-1] * 5
    assert found.complete
    # Without a load there is the empty one.
    empty = combinations([], [], 12.0, 1.1, 1.0, 0.6)
    assert (empty.rows.tolist(), empty.amps.tolist(), empty.cold_a.tolist()) == ([[-1, -1, -1]], [0.0], [0.0])


def test_an_electronic_load_makes_up_what_is_missing_of_each_combination_that_may_be_looked_at() -> None:
    shelf = [SET, resistor(12.0), resistor(24.0)]
    blocks, _ = usable_blocks(shelf, 12.0, 4.5, 0.6)
    for most, topped in ((4, 4), (3, 3)):
        found = combinations(shelf, blocks, 12.0, 5.0, 4.5, 0.6, most)
        # Nothing, each alone and both: 0, 1, 0.5 and 1.5 A, with 2 A of the electronic load on top.
        assert found.amps.tolist() == [0.0, 1.0, 0.5, 1.5, *[2.0, 3.0, 2.5, 3.5][:topped]]
        assert found.electronic.tolist() == [-1] * 4 + [0] * topped
        assert found.complete is (topped == 4)


def test_each_of_a_shelf_that_serves_alone_is_compared_and_nothing_better_is_said_to_exist() -> None:
    # A load that reaches the lower edge is not joined by others: else 60 of these would make 100,000 triples.
    plan = plan_loads([RailTarget("12V", 12.0, 1.0)], [resistor(12.0 + n / 50) for n in range(60)])
    assert plan.proved
    assert plan.notes == ()
    assert used(plan) == [["12 ohm"]]


def test_a_shelf_of_which_some_was_left_out_proves_nothing() -> None:
    shelf = [resistor(11.0 + n / 200) for n in range(301)]
    plan = plan_loads([RailTarget("12V", 12.0, 1.0)], shelf)
    assert not plan.proved
    assert "better plan may exist" in plan.notes[-1]
    assert plan_loads([RailTarget("12V", 12.0, 1.0)], shelf[:250]).proved


# --- the choice


def test_exactly_the_wanted_margin_is_within_the_target() -> None:
    # 11 V across 10 ohm: a tenth above 1 A, and by binary noise a little more.
    plan = one_rail(RailTarget("11V", 11.0, 1.0), resistor(10.0))
    assert plan.within_target
    assert plan.warnings == ("Each load gives off up to 12.1 W: hot enough to burn skin and bench.",)
    assert not one_rail(RailTarget("11V", 11.0, 0.999), resistor(10.0)).within_target
    assert one_rail(RailTarget("12V", 12.0, 1.0), resistor(10.0), within=0.2).within_target


def test_the_nearer_of_two_that_serve_is_taken_and_fewer_loads_before_nearer() -> None:
    near, far = resistor(12.1), resistor(12.6)
    for shelf in ((near, far), (far, near)):
        assert [one.load for one in one_rail(RailTarget("12V", 12.0, 1.0), *shelf).elements] == ["12.1 ohm"]
    plan = one_rail(RailTarget("12V", 12.0, 1.0), resistor(24.0, count=2), far)
    assert [one.load for one in plan.elements] == ["12.6 ohm"]


def test_a_miss_says_whether_the_loads_are_taken_too_weak_or_too_coarse() -> None:
    rails = [RailTarget("a", 12.0, 4.0), RailTarget("b", 12.0, 4.0)]
    # Exactly a quarter under what is wanted counts as fitting where a quarter is allowed.
    both = plan_loads(rails, [resistor(4.0)], within=0.25)
    (missed,) = (plan for plan in both.plans if not plan.within_target)
    assert "taken by other rails" in missed.warnings[0]
    assert "The nearest to 4 A on" in missed.warnings[0]
    weak = one_rail(RailTarget("a", 12.0, 4.0), resistor(12.0))
    assert (
        weak.warnings[0]
        == "The nearest to 4 A on a is 1 A: all suitable loads together draw no more than 1 A."
    )
    coarse = one_rail(RailTarget("a", 12.0, 1.0), resistor(8.0))
    assert coarse.warnings[0].endswith("is 1.5 A: no combination of the loads comes closer.")
    hot = one_rail(RailTarget("a", 12.0, 1.0), resistor(12.0, max_w=19.0))
    assert hot.warnings[0].startswith("No load on the shelf may stand across 12 V")
    assert "60 % of its watts" in hot.warnings[0]
    electronic = one_rail(RailTarget("a", 12.0, 9.0), SET)
    assert "no more than 2 A" in electronic.warnings[0]


def test_a_rail_is_loaded_a_tenth_over_its_rating_at_most() -> None:
    # 12 V across 10 ohm is 1.2 A.
    assert one_rail(RailTarget("a", 12.0, 1.2, 1.1), resistor(10.0)).amps == pytest.approx(1.2)
    assert one_rail(RailTarget("a", 12.0, 1.2, 1.09), resistor(10.0)).amps == 0.0


def test_more_than_the_rating_is_warned_of_and_the_rating_itself_is_not() -> None:
    # 0.1 A and 0.2 A add up to a little more than 0.3 in binary.
    exact = one_rail(RailTarget("a", 10.0, 0.3, 0.3), resistor(100.0), resistor(50.0))
    assert exact.amps == pytest.approx(0.3)
    assert not any("rated for" in warning for warning in exact.warnings)
    over = one_rail(RailTarget("a", 10.0, 0.3, 0.29), resistor(100.0), resistor(50.0))
    assert any("300 mA is more than the 290 mA a is rated for" in warning for warning in over.warnings)
    under = one_rail(RailTarget("a", 10.0, 0.3, 0.5), resistor(100.0), resistor(50.0))
    assert under.warnings == ("Each load gives off up to 2 W: hot enough to burn skin and bench.",)


def test_heat_is_warned_of_from_two_watts_in_one_load() -> None:
    assert "up to 2 W" in one_rail(RailTarget("a", 10.0, 0.2), resistor(50.0)).warnings[0]
    assert one_rail(RailTarget("a", 10.0, 0.19), resistor(10.0 / 0.19)).warnings == ()
    # Two loads of 1.5 W each are no hot load.
    assert one_rail(RailTarget("a", 10.0, 0.3), resistor(10.0 / 0.15, count=2)).warnings == ()


def test_cold_filaments_are_warned_of_where_they_pass_what_the_rail_starts() -> None:
    # A lamp of 1.75 A draws up to 28.875 A cold.
    for start, warned in ((28.876, False), (28.874, True)):
        plan = one_rail(RailTarget("a", 12.0, 1.75, 2.0, start), LAMP)
        assert any("Cold filaments draw about 17.5 A to 28.9 A" in text for text in plan.warnings) is warned
    cycles = one_rail(RailTarget("a", 12.0, 1.75, 2.0, needs_load=True), LAMP)
    assert any(
        "2 A it can start with" in text and "never start it unloaded" in text for text in cycles.warnings
    )
    unknown = one_rail(RailTarget("a", 12.0, 1.75), LAMP)
    assert any("1.75 A it is asked for" in text and "never" not in text for text in unknown.warnings)
    assert not any(
        "Cold" in text for text in one_rail(RailTarget("a", 12.0, 1.2, 1.2), resistor(10.0)).warnings
    )


def test_the_total_stays_under_the_label_over_all_rails_and_is_shown_beside_it() -> None:
    rails = [RailTarget("a", 12.0, 1.0), RailTarget("b", 12.0, 1.0)]
    shelf = [resistor(12.0, count=2)]
    enough = plan_loads(rails, shelf, label_w=24.0)
    assert [one.amps for one in enough.plans] == [pytest.approx(1.0), pytest.approx(1.0)]
    assert enough.notes == ("All rails together draw 24 W of the 24 W on the board's label.",)
    short = plan_loads(rails, shelf, label_w=23.9)
    assert sorted(one.amps for one in short.plans) == [0.0, pytest.approx(1.0)]
    # The same two loads in series where side by side they would pass the label.
    (series,) = plan_loads([RailTarget("a", 12.0, 2.0)], shelf, label_w=10.0).plans
    assert (series.amps, series.elements[0].series) == (pytest.approx(0.5), 2)
    unasked = plan_loads(rails, shelf)
    assert unasked.notes == ()


def test_what_adds_up_to_the_label_is_allowed_whatever_binary_makes_of_it() -> None:
    # 1.1 W and 2.2 W are 3.3000000000000003 W in binary.
    rails = [RailTarget("a", 1.1, 1.0), RailTarget("b", 2.2, 1.0)]
    plan = plan_loads(rails, [resistor(1.1), resistor(2.2)], label_w=3.3)
    assert [one.amps for one in plan.plans] == [pytest.approx(1.0), pytest.approx(1.0)]


def test_24_rails_are_planned_and_25_refused() -> None:
    rails = [RailTarget(f"r{n}", 12.0, 1.0) for n in range(25)]
    assert len(plan_loads(rails[:24], []).plans) == 24
    with pytest.raises(BadInput, match="More than 24 rails"):
        plan_loads(rails, [])


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("derating", {"derating": 0.0}),
        ("derating", {"derating": 1.01}),
        ("within", {"within": 0.0}),
        ("within", {"within": 1.0}),
        ("label_w", {"label_w": 0.0}),
    ],
)
def test_margins_outside_their_range_are_refused_by_field(field: str, more: dict[str, float]) -> None:
    with pytest.raises(BadInput) as refused:
        plan_loads([RailTarget("a", 12.0, 1.0)], [resistor(12.0)], **more)
    assert refused.value.field == field


def test_the_ends_of_the_ranges_are_allowed() -> None:
    assert one_rail(RailTarget("a", 12.0, 1.0), resistor(12.0, max_w=12.0), derating=1.0).amps == 1.0
    assert one_rail(RailTarget("a", 12.0, 1.0), resistor(24.0), within=0.99).within_target
    for field, target in (
        ("rated_a", RailTarget("a", 12.0, 1.0, -1.0)),
        ("start_a", RailTarget("a", 12.0, 1.0, None, 0.0)),
    ):
        with pytest.raises(BadInput) as refused:
            plan_loads([target], [])
        assert refused.value.field == field


def test_all_loads_pinned_to_a_rail_are_used_whatever_their_order_on_the_shelf() -> None:
    # One of them reaches the lower edge alone; both together still lie within the margin, or a little beyond.
    for strong, weak in ((0.92, 0.15), (0.95, 0.2), (0.3, 0.15)):
        shelf = [resistor(12.0 / strong, name="strong"), resistor(12.0 / weak, name="weak")]
        both = Wishes(pinned={"a": frozenset({"strong", "weak"})})
        for order in (shelf, shelf[::-1]):
            (plan,) = plan_loads([RailTarget("a", 12.0, 1.0)], order, wishes=both).plans
            assert sorted(one.load for one in plan.elements) == ["strong", "weak"]
            assert plan.amps == pytest.approx(strong + weak)
    # A weak one that is pinned goes with a strong one that is not.
    weak_one = Wishes(pinned={"a": frozenset({"weak"})})
    shelf = [resistor(12.0 / 0.92, name="strong"), resistor(12.0 / 0.15, name="weak")]
    for order in (shelf, shelf[::-1]):
        (plan,) = plan_loads([RailTarget("a", 12.0, 1.0)], order, wishes=weak_one).plans
        assert plan.within_target
        assert plan.amps == pytest.approx(1.07)


def candidates(amps: list[float], units: list[int], cold: list[float], complete: bool = True) -> Candidates:
    count = len(amps)
    return Candidates(
        rows=np.arange(count).reshape(-1, 1),
        usage=np.array(units, dtype=np.int16).reshape(-1, 1),
        amps=np.array(amps),
        electronic=np.full(count, -1),
        electronic_a=np.zeros(count),
        strained=np.zeros(count, dtype=np.int64),
        cold_a=np.array(cold),
        complete=complete,
    )


def ranked(found: Candidates, start_a: float = 1.0, target_a: float = 1.0) -> RailChoices:
    return choices(found, 12.0, target_a, 0.1, math.inf, start_a, keep_all=True)


def test_a_hundredth_more_when_cold_is_no_filament() -> None:
    # Of three that lie alike the one with a filament that the rail cannot start comes last.
    best = ranked(candidates([1.0, 1.0, 0.0], [1, 2, 0], [1.011, 1.009, 0.0]))
    assert best.index.tolist() == [1, 0, 2]
    assert ranked(candidates([1.0, 1.0, 0.0], [1, 2, 0], [1.011, 1.009, 0.0]), 1.02).index.tolist() == [
        0,
        1,
        2,
    ]

    large = candidates([4.0, 4.0, 0.0], [1, 2, 0], [4.03, 4.0, 0.0])  # the first would pass 4.01 A
    assert ranked(large, 4.01, 4.0).index.tolist() == [0, 1, 2]


def test_two_thousand_of_the_best_are_kept_with_the_empty_one_and_more_are_not_claimed() -> None:
    for many, kept in ((2_000, 2_000), (2_001, 2_001), (2_500, 2_001)):
        best = ranked(
            candidates([1.0] * (many - 1) + [0.0], [*range(1, many), 0], [1.0] * (many - 1) + [0.0])
        )
        assert len(best.index) == kept
        assert best.complete is (kept == many)
        assert best.index[:3].tolist() == [0, 1, 2]
        assert best.index[-1] == many - 1


def test_no_miss_however_wide_weighs_as_much_as_a_second_one() -> None:
    best = ranked(candidates([1e9, 1.0, 0.0], [1, 1, 0], [1e9, 1.0, 0.0]))
    missed = dict(zip(best.index.tolist(), (cost // 10**48 for cost in best.costs), strict=True))
    assert missed == {0: 1, 1: 0, 2: 1}
    # Nor does the distance reach into the number of loads to wire.
    wired = dict(zip(best.index.tolist(), (cost // 10**12 % 10**12 for cost in best.costs), strict=True))
    assert wired == {0: 1, 1: 1, 2: 0}
    assert best.watts.tolist() == pytest.approx([12.0 * amps for amps in (1.0, 0.0, 1e9)])


def test_what_was_not_compared_whole_is_not_proved() -> None:
    for complete in (True, False):
        best = ranked(candidates([1.0, 0.0], [1, 0], [1.0, 0.0], complete))
        assert choose([best], [1], None) == ([0], complete)
        assert choose_first([best, best], [1], None, [1]) == ([1, 0], complete)


@pytest.mark.parametrize("bound", ["_MOST_NODES", "_MOST_COMPARED"])
def test_when_its_work_is_used_up_a_plan_is_found_all_the_same_and_not_claimed_to_be_the_best(
    bound: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Two loads for two rails; each rail would take the first one, and the second serves either.
    best = ranked(candidates([1.0, 1.1, 0.0], [1, 1, 0], [0.0, 0.0, 0.0]))
    usage = np.array([[1, 0], [0, 1], [0, 0]], dtype=np.int16)
    best = RailChoices(best.index, usage, best.watts, best.costs, best.complete)
    assert choose([best, best], [1, 1], None) == ([0, 1], True)
    monkeypatch.setattr(load_search, bound, 0)
    assert choose([best, best], [1, 1], None) == ([0, 1], False)


def test_lamps_of_one_base_are_counted_by_the_fewest_of_their_filaments() -> None:
    columns, lamps = shared_bases(["", "b", "a", "b"], [9, 3, 2, 1])
    assert columns.tolist() == [[0, 0], [0, 1], [1, 0], [0, 1]]
    assert lamps == [2, 1]


# --- the lamp in the mains lead


def test_a_dead_short_takes_what_the_lamp_takes_at_the_mains_and_an_open_board_all_volts() -> None:
    lamp = Load("60 W", "lamp", points=((230.0, 60 / 230),))
    short = through_lamp(lamp, 230.0, 0.0)
    assert (short.amps, short.lamp_v, short.board_v) == (
        pytest.approx(60 / 230),
        pytest.approx(230.0),
        pytest.approx(0.0),
    )
    # Board and lamp share the mains, and Ohm's law holds for the board.
    shared = through_lamp(lamp, 230.0, 400.0)
    assert shared.lamp_v + shared.board_v == pytest.approx(230.0)
    assert shared.board_v / shared.amps == pytest.approx(400.0)
    assert shared.amps == pytest.approx(amps_at(lamp, shared.lamp_v))
    for bad, field in (
        ((resistor(1.0), 230.0, 0.0), "lamp"),
        ((lamp, 0.0, 0.0), "mains_v"),
        ((lamp, 230.0, -1.0), "board_ohm"),
    ):
        with pytest.raises(BadInput) as refused:
            through_lamp(*bad)
        assert refused.value.field == field
