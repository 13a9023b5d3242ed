"""Loads and the load planner; its choice is compared with trying everything on small shelves."""

from __future__ import annotations

import itertools
import math
import random
import time

import pytest

from kb.bench.load_plan import LoadPlan, RailTarget, plan_loads
from kb.bench.load_search import Wishes
from kb.bench.loads import Load, amps_at, cold_amps_at
from kb.errors import BadInput


def resistor(ohm: float, max_w: float = 50.0, count: int = 1, name: str = "") -> Load:
    return Load(name or f"{ohm:g} ohm", "resistor", ohm=ohm, max_w=max_w, count=count)


def lamp(
    volts: float = 12.0, amps: float = 1.75, max_w: float = 25.0, count: int = 1, name: str = "lamp"
) -> Load:
    return Load(name, "lamp", points=((volts, amps),), max_w=max_w, count=count)


# Measured points: common practice, no published source.
TWO_FILAMENT_SMALL = Load("5 W filament", "lamp", points=((12.0, 0.5),), count=2)
TWO_FILAMENT_LARGE = Load("21 W filament", "lamp", points=((5.0, 1.4), (12.0, 2.5)), max_w=32.0, count=2)


def test_measured_points_come_before_the_re_rating_law() -> None:
    assert amps_at(TWO_FILAMENT_LARGE, 5.0) == 1.4
    assert amps_at(TWO_FILAMENT_LARGE, 12.0) == 2.5
    by_law = 2.5 * (5 / 12) ** 0.55
    assert abs(by_law - 1.4) > 0.1
    assert amps_at(TWO_FILAMENT_SMALL, 12.0) == 0.5


def test_between_measured_points_a_power_law_holds() -> None:
    exponent = math.log(2.5 / 1.4) / math.log(12 / 5)
    assert amps_at(TWO_FILAMENT_LARGE, 8.0) == pytest.approx(1.4 * (8 / 5) ** exponent)


def test_a_lamp_never_draws_more_than_its_cold_filament() -> None:
    cold_most = cold_amps_at(lamp(), 0.001)[1]
    assert amps_at(lamp(), 0.001) == pytest.approx(cold_most)
    assert amps_at(lamp(), 3.0) < cold_amps_at(lamp(), 3.0)[0]


def test_a_cold_filament_draws_ten_to_sixteen_times_its_hot_current() -> None:
    least, most = cold_amps_at(lamp(), 12.0)
    assert (least, most) == (pytest.approx(17.5), pytest.approx(28.875))


def test_two_vehicle_lamps_in_series_serve_24_v() -> None:
    plan = plan_loads([RailTarget("24V", 24.0, 1.75, 6.0)], [lamp(count=2)])
    (element,) = plan.plans[0].elements
    assert (element.series, element.parallel) == (2, 1)
    assert element.volts_each == pytest.approx(12.0)
    assert element.amps_each == pytest.approx(1.75)
    assert plan.plans[0].within_target


def test_a_lamp_is_never_put_above_its_voltage() -> None:
    plan = plan_loads([RailTarget("24V", 24.0, 1.75)], [lamp(count=1)])
    assert plan.plans[0].elements == ()
    assert "No load on the shelf" in plan.plans[0].warnings[0]


def test_lamps_stay_under_the_derating_where_the_shelf_allows_it() -> None:
    plan = plan_loads([RailTarget("24V", 24.0, 1.4, 6.0)], [lamp(count=3)]).plans[0]
    assert plan.elements[0].series == 3
    assert plan.elements[0].watts_each <= 0.6 * 25
    hard = plan_loads([RailTarget("24V", 24.0, 1.75, 6.0)], [lamp(count=2)]).plans[0]
    assert any("within its rating" in warning for warning in hard.warnings)


def test_resistors_stay_under_the_derating_without_exception() -> None:
    assert plan_loads([RailTarget("5V", 5.0, 5.0)], [resistor(1.0, max_w=41.0)]).plans[0].elements == ()
    assert plan_loads([RailTarget("5V", 5.0, 5.0)], [resistor(1.0, max_w=42.0)]).plans[0].within_target


def test_the_share_of_the_rating_is_stated() -> None:
    # Common practice, no published source: 3 A on a rail rated 8 A is 37 or 38 % of its rating.
    plan = plan_loads(
        [RailTarget("5V", 5.0, 3.0, 8.0)], [Load("set", "electronic", max_a=10, max_w=100)]
    ).plans[0]
    assert plan.rated_fraction == pytest.approx(0.375)


def test_cold_filaments_beyond_the_start_of_a_rail_are_warned_of_with_ways_round() -> None:
    plan = plan_loads([RailTarget("12V", 12.0, 1.75, 4.0)], [lamp(count=1)]).plans[0]
    assert (plan.cold_low_a, plan.cold_high_a) == (pytest.approx(17.5), pytest.approx(28.875))
    warning = next(text for text in plan.warnings if "Cold filaments" in text)
    for way in ("electronic load", "preheat", "in series", "resistor"):
        assert way in warning


def test_a_resistor_is_preferred_to_a_filament_that_the_rail_cannot_start() -> None:
    plan = plan_loads([RailTarget("12V", 12.0, 1.75, 4.0)], [lamp(max_w=40.0), resistor(6.8)]).plans[0]
    assert [element.load for element in plan.elements] == ["6.8 ohm"]


def test_an_electronic_load_makes_up_what_resistors_leave() -> None:
    shelf = [Load("set", "electronic", max_a=1.0, max_w=100), resistor(6.0)]
    plan = plan_loads([RailTarget("12V", 12.0, 3.0)], shelf).plans[0]
    assert plan.amps == pytest.approx(3.0)
    assert {element.load for element in plan.elements} == {"set", "6 ohm"}


def test_an_electronic_load_stays_under_its_derated_watts() -> None:
    plan = plan_loads([RailTarget("24V", 24.0, 5.0)], [Load("set", "electronic", max_a=10, max_w=100)]).plans[
        0
    ]
    assert plan.watts == pytest.approx(60.0)
    assert not plan.within_target


def test_no_load_is_used_twice_and_the_total_stays_under_the_label() -> None:
    shelf = [resistor(4.7, count=2), resistor(10.0, count=2), lamp(count=4), resistor(22.0)]
    targets = [RailTarget("5V", 5, 1), RailTarget("12V", 12, 1.2), RailTarget("24V", 24, 1.1)]
    for label_w in (None, 30.0):
        plan = plan_loads(targets, shelf, label_w=label_w)
        used = _used(plan)
        assert all(used.get(load.name, 0) <= load.count for load in shelf)
        if label_w is not None:
            assert plan.total_w <= label_w + 1e-6


def test_a_negative_rail_is_loaded_by_magnitude() -> None:
    plan = plan_loads([RailTarget("-12V", -12.0, 0.12)], [resistor(100.0)]).plans[0]
    assert plan.amps == pytest.approx(0.12)


def test_a_missed_target_says_why() -> None:
    plan = plan_loads([RailTarget("12V", 12.0, 5.0)], [resistor(12.0)]).plans[0]
    assert not plan.within_target
    assert "no more than 1 A" in plan.warnings[0]
    taken = plan_loads([RailTarget("a", 12.0, 1.0), RailTarget("b", 12.0, 1.0)], [resistor(12.0)])
    missed = next(plan for plan in taken.plans if not plan.within_target)
    assert "taken by other rails" in missed.warnings[0]


def test_a_resistor_of_unknown_watts_is_left_out_and_named() -> None:
    plan = plan_loads([RailTarget("5V", 5.0, 1.0)], [Load("mystery", "resistor", ohm=5.0)])
    assert plan.plans[0].elements == ()
    assert "mystery is left out" in plan.notes[0]


def _used(plan: LoadPlan) -> dict[str, int]:
    used: dict[str, int] = {}
    for rail in plan.plans:
        for element in rail.elements:
            used[element.load] = used.get(element.load, 0) + element.series * element.parallel
    return used


def _everything(target: RailTarget, shelf: list[Load]) -> list[tuple[tuple, dict[str, int]]]:
    """Cost and usage of every allowed combination for one rail, found by plain trial."""
    strings: list[tuple] = []
    for load in shelf:
        for series in range(1, load.count + 1):
            volts = target.volts / series
            if load.kind == "lamp":
                v0, i0 = load.points[0]
                amps = i0 * (volts / v0) ** 0.55
                allowed, cold = volts <= v0 and volts * amps <= (load.max_w or 0), volts * 16.5 * i0 / v0
            else:
                amps, cold = volts / (load.ohm or 1), volts / (load.ohm or 1)
                allowed = volts * amps <= 0.6 * (load.max_w or 0) + 1e-9
            if allowed:
                hard = load.kind == "lamp" and volts * amps > 0.6 * (load.max_w or 0)
                strings.extend(
                    (load, series, parallel, amps * parallel, hard, cold * parallel)
                    for parallel in range(1, load.count // series + 1)
                )
    found = []
    for size in range(4):
        for taken in itertools.combinations(strings, size):
            if len({(load.name, series) for load, series, *_ in taken}) < size:
                continue
            used: dict[str, int] = {}
            for load, series, parallel, *_ in taken:
                used[load.name] = used.get(load.name, 0) + series * parallel
            if any(used.get(load.name, 0) > load.count for load in shelf):
                continue
            amps = sum(one[3] for one in taken)
            if taken and target.rated_a is not None and amps > 1.1 * target.rated_a + 1e-9:
                continue
            error = abs(amps - target.amps) / target.amps
            excess = round(max(0.0, error - 0.1), 6)
            hard = sum(one[1] * one[2] for one in taken if one[4])
            start = target.rated_a or target.amps
            cold = sum(one[5] for one in taken)
            hard += any(one[0].kind == "lamp" for one in taken) and cold > start
            found.append(((int(excess > 0), excess, hard, sum(used.values()), error), used))
    return found


def _best_by_trial(targets: list[RailTarget], shelf: list[Load]) -> tuple[float, ...]:
    best = None
    for picked in itertools.product(*(_everything(target, shelf) for target in targets)):
        totals: dict[str, int] = {}
        for _, used in picked:
            for name, units in used.items():
                totals[name] = totals.get(name, 0) + units
        if any(totals.get(load.name, 0) > load.count for load in shelf):
            continue
        cost = tuple(sum(parts) for parts in zip(*(cost for cost, _ in picked), strict=True))
        if best is None or cost < best:
            best = cost
    assert best is not None
    return best


def _cost_of(plan: LoadPlan, targets: list[RailTarget], shelf: list[Load]) -> tuple[float, ...]:
    by_name = {load.name: load for load in shelf}
    total = [0.0] * 5
    for rail, target in zip(plan.plans, targets, strict=True):
        error = abs(rail.amps - target.amps) / target.amps
        excess = round(max(0.0, error - 0.1), 6)
        hard = 0
        for element in rail.elements:
            load = by_name[element.load]
            if load.kind == "lamp" and element.watts_each > 0.6 * (load.max_w or 0):
                hard += element.series * element.parallel
        lamps = any(by_name[element.load].kind == "lamp" for element in rail.elements)
        hard += lamps and rail.cold_high_a > (target.rated_a or target.amps)
        units = sum(element.series * element.parallel for element in rail.elements)
        for place, part in enumerate((excess > 0, excess, hard, units, error)):
            total[place] += part
    return tuple(total)


@pytest.mark.parametrize("seed", range(25))
def test_the_plan_is_as_good_as_trying_everything(seed: int) -> None:
    chance = random.Random(seed)
    shelf = [
        resistor(
            chance.choice([1, 2.2, 3.3, 4.7, 6.8, 10, 15, 22, 33, 47]),
            chance.choice([10, 25, 50]),
            count,
            f"r{n}",
        )
        for n, count in enumerate(chance.choices([1, 2, 3], k=2))
    ]
    shelf.append(
        lamp(12.0, chance.choice([0.4, 0.9, 1.75]), chance.choice([15, 25, 40]), chance.choice([1, 2]))
    )
    rails = chance.sample([3.3, 5.0, 12.0, 24.0], k=2)
    targets = [
        RailTarget(f"{volts}", volts, chance.choice([0.5, 1, 2, 3]), chance.choice([None, 2.0, 4.0]))
        for volts in rails
    ]
    plan = plan_loads(targets, shelf)
    assert plan.proved
    assert _cost_of(plan, targets, shelf) == pytest.approx(_best_by_trial(targets, shelf), abs=1e-5)


def test_24_loads_and_6_rails_are_planned_in_under_a_second() -> None:
    ohms = [1, 1.5, 2.2, 3.3, 4.7, 5.6, 6.8, 8.2, 10, 12, 15, 22, 33, 47, 68, 100]
    shelf = [resistor(ohm, 50, 4) for ohm in ohms]
    for volts, watts in [(12, 21), (12, 5), (12, 55), (24, 21), (24, 5), (12, 10), (6, 3)]:
        shelf.append(lamp(volts, watts / volts, watts * 1.2, 4, f"{watts} W {volts} V"))
    shelf.append(Load("set", "electronic", max_a=10, max_w=150))
    assert len(shelf) == 24
    targets = [
        RailTarget(f"{v} V", v, a) for v, a in [(5, 1), (5.1, 3), (12, 2), (24, 3), (3.3, 2), (60, 0.3)]
    ]
    began = time.process_time()
    plan = plan_loads(targets, shelf)
    assert time.process_time() - began < 1.0
    assert all(rail.within_target for rail in plan.plans)
    used = _used(plan)
    assert all(used.get(load.name, 0) <= load.count for load in shelf)


def test_an_enormous_shelf_neither_stalls_nor_claims_to_be_the_best() -> None:
    shelf = [resistor(100 + ohm, 5, 1000) for ohm in range(100)]
    began = time.process_time()
    plan = plan_loads([RailTarget("5V", 5.0, 3.0), RailTarget("12V", 12.0, 5.0)], shelf)
    assert time.process_time() - began < 3.0
    assert not plan.proved
    assert any("better plan may exist" in note for note in plan.notes)


@pytest.mark.parametrize(
    ("field", "settings"),
    [
        ("ohm", {"kind": "resistor", "ohm": 0.0, "max_w": 10.0}),
        ("ohm", {"kind": "resistor", "max_w": 10.0}),
        ("points", {"kind": "lamp"}),
        ("points", {"kind": "lamp", "points": ((12.0, 0.0),)}),
        ("points", {"kind": "lamp", "points": ((5.0, 2.0), (12.0, 1.0))}),
        ("points", {"kind": "lamp", "points": ((12.0, 1.0), (12.0, 2.0))}),
        ("points", {"kind": "lamp", "points": ((5.0, 1.0), (12.0, 2.5))}),
        ("points", {"kind": "lamp", "points": ((5.0, 1.0), (10.0, 2.0))}),
        ("max_a", {"kind": "electronic", "max_w": 100.0}),
        ("count", {"kind": "resistor", "ohm": 1.0, "max_w": 10.0, "count": 0}),
        ("kind", {"kind": "kettle"}),
        ("max_w", {"kind": "resistor", "ohm": 1.0, "max_w": math.nan}),
    ],
)
def test_an_impossible_load_is_refused_by_field(field: str, settings: dict) -> None:
    with pytest.raises(BadInput) as refused:
        Load("load", **settings)
    assert refused.value.field == field
    assert refused.value.remedy


@pytest.mark.parametrize(
    "targets",
    [
        [],
        [RailTarget("a", 0.0, 1.0)],
        [RailTarget("a", 5.0, 0.0)],
        [RailTarget("a", 5.0, math.nan)],
        [RailTarget("a", 5.0, 1.0, 0.0)],
        [RailTarget("a", 5.0, 1.0), RailTarget("a", 5.0, 2.0)],
    ],
)
def test_an_impossible_target_is_refused(targets: list[RailTarget]) -> None:
    with pytest.raises(BadInput):
        plan_loads(targets, [resistor(5.0)])


def test_an_empty_shelf_gives_an_empty_plan_that_says_so() -> None:
    plan = plan_loads([RailTarget("5V", 5.0, 1.0)], [])
    assert plan.plans[0].elements == ()
    assert plan.total_w == 0


def two_filaments(count: int = 2) -> list[Load]:
    """Vehicle lamps of 21 W and 5 W that share their base."""
    return [
        Load("21 W filament", "lamp", points=((12.0, 1.75),), max_w=25.0, count=count, base="P21/5W"),
        Load("5 W filament", "lamp", points=((12.0, 0.42),), max_w=6.0, count=count, base="P21/5W"),
    ]


def test_two_filaments_of_one_lamp_are_never_used_at_once() -> None:
    targets = [RailTarget("12V", 12.0, 3.5, 8.0), RailTarget("5V", 5.0, 0.27, 8.0)]
    plan = plan_loads(targets, two_filaments(2))
    used = sum(one.series * one.parallel for rail in plan.plans for one in rail.elements)
    assert used <= 2
    apart = [Load(one.name, one.kind, one.points, one.max_w, one.count) for one in two_filaments(2)]
    loose = plan_loads(targets, apart)
    assert sum(one.series * one.parallel for rail in loose.plans for one in rail.elements) > 2
    alone = plan_loads([RailTarget("12V", 12.0, 2.17, 8.0)], two_filaments(1))
    assert sum(one.series * one.parallel for one in alone.plans[0].elements) == 1


def test_loads_are_pinned_to_a_rail_and_left_on_the_shelf() -> None:
    shelf = [resistor(10, name="ten"), resistor(12, name="twelve")]
    targets = [RailTarget("12V", 12.0, 1.2), RailTarget("5V", 5.0, 0.5)]
    free = plan_loads(targets, shelf)
    assert [one.load for one in free.plans[0].elements] == ["ten"]
    pinned = plan_loads(targets, shelf, wishes=Wishes(pinned={"5V": frozenset({"ten"})}))
    assert [one.load for one in pinned.plans[1].elements] == ["ten"]
    assert all(one.load != "ten" for one in pinned.plans[0].elements)
    without = plan_loads(targets, shelf, wishes=Wishes(without=frozenset({"ten"})))
    assert all(one.load == "twelve" for rail in without.plans for one in rail.elements)


def test_the_rail_that_matters_gets_the_best_there_is() -> None:
    shelf = [resistor(10, name="ten")]
    targets = [RailTarget("a", 12.0, 1.2), RailTarget("b", 12.0, 1.2)]
    for rail in ("a", "b"):
        plan = plan_loads(targets, shelf, wishes=Wishes(first=(rail,)))
        assert {one.rail: one.within_target for one in plan.plans}[rail]


def test_a_pinned_load_that_cannot_be_on_its_rail_says_why() -> None:
    stop, tail = two_filaments(3)
    targets = [RailTarget("13V", 13.0, 1.0, 2.5), RailTarget("5V", 5.0, 0.25, 1.0)]
    wishes = Wishes(("13V",), {"13V": frozenset({stop.name}), "5V": frozenset({tail.name})})
    plan = plan_loads(targets, [stop, tail], wishes=wishes)
    assert not plan.plans[1].elements
    assert (
        plan.plans[1]
        .warnings[0]
        .startswith(f"{tail.name} is pinned to 5V but its lamps are in use on 13V ({stop.name})")
    )
    assert not any("taken by other rails" in text for text in plan.plans[1].warnings)
    assert "shared ends of two-filament lamps" in " ".join(plan.plans[0].warnings)


def test_a_pinned_load_that_no_combination_can_use_says_so() -> None:
    weak = resistor(1, name="weak", max_w=1.0)
    wishes = Wishes(pinned={"12V": frozenset({"weak"})})
    plan = plan_loads([RailTarget("12V", 12.0, 1.2)], [weak, resistor(10, name="ten")], wishes=wishes)
    assert plan.plans[0].warnings[0].startswith("weak is pinned to 12V but no combination with it")
