"""The bench sequence: its steps, its judgement, its verdict, and the connector picture."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kb.bench.connector import Probe, connector_picture
from kb.bench.enable import EnableLine
from kb.bench.rail_types import is_input
from kb.bench.rails import RailSpec
from kb.bench.sequence import COLD_STARTS, bench_sequence
from kb.bench.sequence_judge import judge_step, next_step, rated_share
from kb.bench.sequence_types import (
    STAGES,
    BenchConnector,
    BenchFamily,
    BenchRail,
    BenchSequence,
    Entry,
    StepResult,
)
from kb.bench.sequence_verdict import sequence_verdict
from kb.errors import BadInput


def rail(
    name: str, role: str, nominal_v: float, rated_a: float, *pins: int, always_on: bool = False
) -> BenchRail:
    spec = RailSpec(name, role, nominal_v, 5, rated_a, None, always_on)
    return BenchRail(spec, "CN2", pins, (1, 2))


BULK = BenchRail(RailSpec("BULK", "bulk", 385, None, None, None, True))
FAMILY = BenchFamily(
    code="HX-210",
    rails=(
        rail("5VSB", "standby", 5.0, 1.0, 4, 5, always_on=True),
        rail("12V", "intermediate", 12.0, 4.0, 6),
        rail("24V", "backlight", 24.0, 6.0, 7, 8),
        BULK,
    ),
    connectors=(BenchConnector("CN2", 8, 2),),
    enable=EnableLine("CN2", 3, "5VSB", "high", 1000.0),
    mains_v=230,
    bulk_v=385,
    bulk_uf=120,
    fuse="T3.15A",
    isolated=True,
    switch="MOSFET",
)
LOADS = {"5VSB": 0.5, "12V": 1.5, "24V": 2.25}
SEQUENCE = bench_sequence(FAMILY, load_amps=LOADS)

DEAD_CHECKS = {
    "unpowered.bulk": Entry(value=0.3),
    "unpowered.fuse": Entry(value=0.2),
    "unpowered.rectifier.forward": Entry(min=0.48, max=0.52),
    "unpowered.rectifier.reverse": Entry(open=True),
    "unpowered.switch.forward": Entry(value=0.5),
    "unpowered.switch.reverse": Entry(open=True),
    "unpowered.ground.5VSB": Entry(value=450.0),
    "unpowered.ground.12V": Entry(value=1200.0),
    "unpowered.ground.24V": Entry(open=True),
}
GOOD = {
    **DEAD_CHECKS,
    "first power": Entry(answer="dark"),
    "standby.5VSB": Entry(value=5.05),
    "enable": Entry(done=True),
    "unloaded.12V": Entry(value=12.1, min=12.0, max=12.2),
    "unloaded.24V": Entry(value=24.3, min=24.2, max=24.4),
    "loaded.5VSB": Entry(value=5.0),
    "loaded.24V": Entry(value=24.6),
    "loaded.12V": Entry(value=11.9),
    "ripple.5VSB": Entry(value=0.02),
    "ripple.24V": Entry(value=0.1),
    "ripple.12V": Entry(value=0.06),
    "cold starts": Entry(value=24.5),
    "soak": Entry(value=24.4, min=24.3, max=24.6, held_s=1800.0),
    "warm ripple.24V": Entry(value=0.12),
}


def run(entries: dict[str, Entry], sequence: BenchSequence = SEQUENCE) -> dict[str, list[StepResult]]:
    """Every entry in order, repeated as often as its step asks."""
    results: dict[str, list[StepResult]] = {}
    for step in sequence.steps:
        if step.key in entries:
            results[step.key] = [judge_step(sequence, step.key, entries[step.key], results)] * step.repeats
    return results


def test_steps_come_in_the_order_of_the_stages_and_dead_checks_before_mains() -> None:
    stages = [STAGES.index(step.stage) for step in SEQUENCE.steps]
    assert stages == sorted(stages)
    first_powered = next(place for place, step in enumerate(SEQUENCE.steps) if step.powered)
    assert not any(not step.powered for step in SEQUENCE.steps[first_powered:])
    assert [step.key for step in SEQUENCE.steps if not step.optional] == list(GOOD)


def test_every_step_carries_cautions_and_every_powered_one_asks_for_isolation() -> None:
    for step in SEQUENCE.steps:
        keys = {caution.key for caution in step.cautions}
        assert "stored charge" in keys
        assert ("isolation" in keys) == step.powered
    assert {"isolation", "hot loads", "not alone", "local rules"} <= {
        caution.key for caution in SEQUENCE.cautions
    }


def test_no_powered_step_touches_the_primary_unless_isolation_is_stated() -> None:
    assert not any(step.rail == "BULK" for step in SEQUENCE.steps)
    assert "BULK" in SEQUENCE.left_out[0]
    stated = bench_sequence(FAMILY, isolation_stated=True)
    bulk = next(step for step in stated.steps if step.rail == "BULK")
    assert any(caution.key == "primary live" for caution in bulk.cautions)
    assert stated.left_out == ()


def test_steps_name_connector_and_pin_and_draw_them() -> None:
    step = SEQUENCE.step("loaded.24V")
    assert [probe.where for probe in step.probes] == ["CN2 pin 7", "CN2 pin 1"]
    assert step.picture is not None
    assert len(step.picture.pins) == 8
    assert {pin.number: pin.lead for pin in step.picture.pins if pin.lead} == {7: "red", 1: "black"}
    assert step.picture.pins[5].net == "12V"


def test_the_enable_step_states_resistor_current_and_power() -> None:
    step = SEQUENCE.step("enable")
    for word in ("1 kΩ", "5VSB", "CN2 pin 3", "5 mA", "25 mW"):
        assert word in step.instruction


def test_a_family_of_which_nothing_is_known_still_gets_its_dead_checks() -> None:
    bare = bench_sequence(BenchFamily("unknown"))
    assert [step.key for step in bare.steps if not step.optional] == [
        *(key for key in DEAD_CHECKS if "ground" not in key),
        "first power",
    ]
    assert bare.enable is None


def test_a_board_that_another_supply_feeds_gets_no_mains_checks_and_its_input_no_load() -> None:
    fed = BenchFamily(
        "LBD-52",
        rails=(
            rail("24VIN", "intermediate", 24.0, 6.0, 1, always_on=True),
            rail("LED+", "backlight", 92.0, 0.3, 2),
        ),
        fuse="F4A",
        kind="backlight driver",
    )
    keys = [step.key for step in bench_sequence(fed).steps]
    assert [key for key in keys if key.startswith("unpowered")] == [
        "unpowered.fuse",
        "unpowered.ground.24VIN",
        "unpowered.ground.LED+",
    ]
    assert [key for key in keys if key.endswith("24VIN")] == ["unpowered.ground.24VIN", "standby.24VIN"]
    texts = " ".join(
        part
        for step in bench_sequence(fed).steps
        for part in (step.instruction, step.if_wrong, *(choice.sentence for choice in step.choices))
    )
    assert "mains" not in texts.lower()


def test_a_backlight_driver_with_a_mains_side_gets_the_mains_checks() -> None:
    for stated in (
        BenchFamily("ZL-36W", mains_v=230.0, kind="backlight driver"),
        BenchFamily("ZL-36W", rails=(BULK,), kind="backlight driver"),
    ):
        assert bench_sequence(stated).steps[0].key == "unpowered.bulk"


@pytest.mark.parametrize(
    ("name", "comes_in"), [("24VIN", True), ("V_IN", True), ("input", True), ("MAIN", False), ("12V", False)]
)
def test_a_rail_that_comes_in_is_told_by_its_name(name: str, comes_in: bool) -> None:
    assert is_input(name) is comes_in


def test_a_good_board_passes_and_the_verdict_states_the_share_of_its_load() -> None:
    verdict = sequence_verdict(SEQUENCE, run(GOOD), LOADS)
    assert (verdict.state, verdict.failed, verdict.remaining) == ("passed", (), 0)
    assert dict(verdict.fractions) == {"5VSB": 0.5, "12V": 0.375, "24V": 0.375}
    assert "12V at 38 % of its rating" in verdict.sentence
    assert "No more than this was measured" in verdict.sentence


def test_no_verdict_calls_a_board_safe() -> None:
    for entries in (GOOD, {}, {**GOOD, "soak": Entry(value=20.0)}):
        assert "safe" not in sequence_verdict(SEQUENCE, run(entries), LOADS).sentence.lower()


@pytest.mark.parametrize("left_out", list(GOOD))
def test_a_board_does_not_pass_while_any_step_is_missing(left_out: str) -> None:
    entries = {key: entry for key, entry in GOOD.items() if key != left_out}
    verdict = sequence_verdict(SEQUENCE, run(entries), LOADS)
    assert verdict.state == "not finished"
    assert verdict.remaining == SEQUENCE.step(left_out).repeats
    following = next_step(SEQUENCE, run(entries))
    assert following is not None
    assert following.key == left_out


def test_a_board_that_cycles_unloaded_and_holds_under_load_passes() -> None:
    results = run({**GOOD, "unloaded.12V": Entry(min=0.0, max=9.4)})
    assert results["unloaded.12V"][0].outcome == "doubtful"
    verdict = sequence_verdict(SEQUENCE, results, LOADS)
    assert verdict.state == "passed"
    assert "want of a load" in dict(verdict.rail_sentences)["12V"]


def test_a_board_that_cycles_unloaded_is_not_judged_before_the_load_is_on() -> None:
    entries = {key: GOOD[key] for key in list(GOOD)[:12]} | {"unloaded.12V": Entry(min=0.0, max=9.4)}
    assert sequence_verdict(SEQUENCE, run(entries)).state == "not finished"


@pytest.mark.parametrize(
    ("unloaded_v", "state"), [(13.6, "passed"), (0.3, "passed"), (14.5, "failed"), (24.0, "failed")]
)
def test_a_wrong_reading_unloaded_is_forgiven_by_the_load_unless_far_too_high(
    unloaded_v: float, state: str
) -> None:
    results = run({**GOOD, "unloaded.12V": Entry(value=unloaded_v)})
    assert results["unloaded.12V"][0].outcome == ("doubtful" if unloaded_v == 13.6 else "wrong")
    assert sequence_verdict(SEQUENCE, results, LOADS).state == state


def test_a_standby_rail_a_little_low_with_nothing_on_it_gets_its_load_before_anything_else() -> None:
    before = {key: one for key, one in GOOD.items() if key in {*DEAD_CHECKS, "first power"}}
    right = run({**before, "standby.5VSB": Entry(value=5.02)})
    upcoming = next_step(SEQUENCE, right)
    assert upcoming is not None
    assert upcoming.key == "enable"
    low = run({**before, "standby.5VSB": Entry(value=4.7)})
    upcoming = next_step(SEQUENCE, low)
    assert upcoming is not None
    assert upcoming.key == "standby loaded.5VSB"
    assert (upcoming.supply, upcoming.load) == ("standby", "test load")
    assert "not enabled" in upcoming.instruction
    assert "measure below 60 V" in upcoming.instruction
    held = run({**before, "standby.5VSB": Entry(value=4.7), "standby loaded.5VSB": Entry(value=4.98)})
    upcoming = next_step(SEQUENCE, held)
    assert upcoming is not None
    assert upcoming.key == "enable"
    assert dict(sequence_verdict(SEQUENCE, held).rail_sentences)["5VSB"].startswith(
        "5VSB stands in its window"
    )
    sags = run({**before, "standby.5VSB": Entry(value=4.7), "standby loaded.5VSB": Entry(value=4.3)})
    assert sequence_verdict(SEQUENCE, sags).failed == ("5VSB",)


def test_a_low_standby_rail_fails_and_points_to_its_converter() -> None:
    entries = {**DEAD_CHECKS, "standby.5VSB": Entry(value=3.1)}
    verdict = sequence_verdict(SEQUENCE, run(entries))
    assert verdict.state == "failed"
    assert verdict.failed == ("5VSB",)
    assert verdict.sections[0] == "standby converter"


def test_two_rails_missing_together_point_to_what_they_share() -> None:
    entries = {**GOOD, "unloaded.12V": Entry(value=0.0), "unloaded.24V": Entry(value=0.1)}
    for key in list(GOOD)[list(GOOD).index("loaded.5VSB") :]:
        entries.pop(key)
    verdict = sequence_verdict(SEQUENCE, run(entries))
    assert verdict.state == "failed"
    assert verdict.sections[0] == "main converter"


def test_a_board_that_fails_one_cold_start_fails() -> None:
    results = run(GOOD)
    good = results["cold starts"][0]
    bad = judge_step(SEQUENCE, "cold starts", Entry(value=0.2))
    results["cold starts"] = [good, good, bad, good, good]
    assert len(results["cold starts"]) == COLD_STARTS
    assert sequence_verdict(SEQUENCE, results, LOADS).state == "failed"


def test_a_repaired_step_entered_again_counts() -> None:
    results = run(GOOD)
    results["loaded.12V"] = [judge_step(SEQUENCE, "loaded.12V", Entry(value=9.0)), *results["loaded.12V"]]
    assert sequence_verdict(SEQUENCE, results, LOADS).state == "passed"


def test_a_short_before_mains_keeps_mains_off() -> None:
    entries = {**DEAD_CHECKS, "unpowered.switch.forward": Entry(value=0.02)}
    results = run(entries)
    stopped = next_step(SEQUENCE, results)
    assert stopped is not None
    assert stopped.key == "unpowered.switch.forward"
    following = next_step(SEQUENCE, results, {"unpowered.switch.forward"})
    assert following is not None
    assert following.optional
    assert not following.powered
    verdict = sequence_verdict(SEQUENCE, run(entries))
    assert verdict.state == "failed"
    assert verdict.sections == ("main converter",)


@pytest.mark.parametrize(
    ("key", "entry", "outcome"),
    [
        ("unpowered.bulk", Entry(value=60.0), "wrong"),
        ("unpowered.bulk", Entry(value=-60.0), "wrong"),
        ("unpowered.bulk", Entry(value=5.0), "right"),
        ("unpowered.fuse", Entry(open=True), "wrong"),
        ("unpowered.fuse", Entry(value=3.0), "doubtful"),
        ("unpowered.ground.12V", Entry(value=0.4), "wrong"),
        ("unpowered.ground.12V", Entry(value=2.0), "doubtful"),
        ("unpowered.ground.12V", Entry(value=9.0), "doubtful"),
        ("unpowered.ground.12V", Entry(value=25.0), "right"),
        ("unpowered.rectifier.forward", Entry(min=0.02, max=0.5), "wrong"),
        ("enable", Entry(), "wrong"),
        ("standby.5VSB", Entry(value=4.7), "doubtful"),
        ("standby.5VSB", Entry(open=True), "wrong"),
        ("unloaded.24V", Entry(value=25.85), "doubtful"),
        ("loaded.24V", Entry(value=25.85), "wrong"),
        ("ripple.12V", Entry(value=0.5), "wrong"),
        ("standby.5VSB", Entry(value=5050.0), "doubtful"),
    ],
)
def test_entries_are_judged(key: str, entry: Entry, outcome: str) -> None:
    assert judge_step(SEQUENCE, key, entry).outcome == outcome


def test_nothing_entered_unknown_steps_and_negative_ohms_are_refused() -> None:
    with pytest.raises(BadInput):
        judge_step(SEQUENCE, "unpowered.fuse", Entry())
    with pytest.raises(BadInput):
        judge_step(SEQUENCE, "no such step", Entry(value=1.0))
    with pytest.raises(BadInput):
        judge_step(SEQUENCE, "unpowered.ground.12V", Entry(value=-3.0))
    with pytest.raises(BadInput):
        Entry(value=float("nan"))


def test_a_reading_of_millivolts_keeps_a_board_from_passing() -> None:
    verdict = sequence_verdict(SEQUENCE, run({**GOOD, "loaded.5VSB": Entry(value=5000.0)}), LOADS)
    assert verdict.state == "not finished"


def test_the_share_of_an_unknown_rating_is_not_known() -> None:
    assert rated_share(3.0, None) is None
    assert rated_share(3.0, 8.0) == 0.375


def test_two_rails_of_one_name_are_refused() -> None:
    with pytest.raises(BadInput):
        bench_sequence(BenchFamily("x", (rail("a", "logic", 5, 1, 4), rail("a", "logic", 5, 1, 5))))


@pytest.mark.parametrize(("pins", "rows"), [(1, 1), (7, 1), (8, 2), (13, 2), (24, 2), (12, 3)])
def test_every_pin_is_counted_once_and_carries_its_lead_and_net(pins: int, rows: int) -> None:
    drawn = connector_picture(
        "J1", pins, rows, (Probe("red", "J1", pins), Probe("black", "J2", 1)), {pins: "12V"}
    )
    assert [pin.number for pin in drawn.pins] == list(range(1, pins + 1))
    assert [(pin.number, pin.lead, pin.net) for pin in drawn.pins if pin.lead or pin.net] == [
        (pins, "red", "12V")
    ]


def test_a_probe_on_a_pin_that_does_not_exist_is_refused() -> None:
    with pytest.raises(BadInput):
        connector_picture("CN2", 8, 2, (Probe("red", "CN2", 9),))
    with pytest.raises(BadInput):
        connector_picture("CN2", 0)
    with pytest.raises(BadInput):
        connector_picture("CN2", 4, 5)


def test_cold_starts_mind_the_lamps_on_every_rail() -> None:
    """The leading rail has a resistor; the lamps hang on another, and each start finds them cold."""
    sequence = bench_sequence(FAMILY, load_amps=LOADS, load_kinds={"24V": "resistor", "12V": "lamp"})
    step = sequence.step("cold starts")
    assert step.rail == "24V"
    assert "Lamps hang on 12V" in step.instruction
    assert "resistors or an electronic load" in step.instruction
    assert "stays connected" not in step.instruction
    found = judge_step(sequence, "cold starts", Entry(value=0.9))
    assert (found.outcome, found.judgement) == ("doubtful", "unknown")
    plain = bench_sequence(FAMILY, load_amps=LOADS, load_kinds={"24V": "resistor", "12V": "electronic"})
    assert "stays connected" in plain.step("cold starts").instruction
    assert judge_step(plain, "cold starts", Entry(value=0.9)).outcome == "wrong"


def test_a_rail_that_failed_one_start_is_not_said_to_stand() -> None:
    results = run({key: one for key, one in GOOD.items() if key != "cold starts"})
    results["cold starts"] = [
        judge_step(SEQUENCE, "cold starts", Entry(value=volts)) for volts in (24.5, 11.9, 24.5, 24.5, 24.5)
    ]
    verdict = sequence_verdict(SEQUENCE, results, LOADS)
    assert verdict.state == "failed"
    assert dict(verdict.rail_sentences)["24V"].startswith("24V failed at: 5 cold starts (1 of 5 wrong).")


def test_where_the_outputs_hang_on_the_mains_loads_are_connected_unplugged() -> None:
    family = replace(FAMILY, isolated=False)
    sequence = bench_sequence(family, isolation_stated=True, load_amps=LOADS)
    assert sequence.step("loaded.12V").instruction.startswith("Unplug, wait, and measure below 60 V")
    assert sequence.step("enable").instruction.startswith("Unplug")
    found = judge_step(sequence, "unloaded.12V", Entry(value=12.0))
    assert "Unplug, wait until it reads below 60 V" in found.sentence
    assert SEQUENCE.step("loaded.12V").instruction.startswith("Mains off")


def test_a_pin_that_is_rail_and_ground_at_once_gets_no_probe() -> None:
    spec = RailSpec("5V", "logic", 5.0)
    family = replace(FAMILY, rails=(BenchRail(spec, "CN2", (1, 4), (1, 2)),))
    probes = bench_sequence(family).step("unpowered.ground.5V").probes
    assert [(one.lead, one.pin) for one in probes] == [("red", 4), ("black", 2)]
    unclear = replace(FAMILY, rails=(BenchRail(spec, "CN2", (1,), (1,)),))
    words = bench_sequence(unclear).step("unpowered.ground.5V").probes
    assert [one.where for one in words] == ["output of 5V", "ground of the outputs"]


def test_a_start_that_proves_nothing_is_made_again_and_never_passes() -> None:
    sequence = bench_sequence(FAMILY, load_amps=LOADS, load_kinds={"12V": "lamp"})
    results = run({key: one for key, one in GOOD.items() if key != "cold starts"}, sequence)
    starts = [
        judge_step(sequence, "cold starts", Entry(value=volts)) for volts in (24.5, 0.9, 24.5, 24.5, 24.5)
    ]
    assert sequence_verdict(sequence, {**results, "cold starts": starts}, LOADS).state == "not finished"
    upcoming = next_step(sequence, {**results, "cold starts": starts})
    assert upcoming is not None
    assert upcoming.key == "cold starts"
    starts.append(judge_step(sequence, "cold starts", Entry(value=24.5)))
    assert sequence_verdict(sequence, {**results, "cold starts": starts}, LOADS).state == "passed"


def test_ripple_at_the_end_of_a_soak_is_held_against_that_at_its_start() -> None:
    results = run(GOOD)
    (alike,) = results["warm ripple.24V"]
    assert alike.sentence.endswith("At the start it was 0.1 V.")
    (grown,) = run({**GOOD, "ripple.24V": Entry(value=0.06), "warm ripple.24V": Entry(value=0.09)})[
        "warm ripple.24V"
    ]
    assert grown.outcome == "right"
    assert "ripple that grows with heat is a fault coming" in grown.sentence


def test_a_soak_says_how_far_its_rail_moved() -> None:
    entry = Entry(value=24.4, min=24.3, max=24.45, held_s=1800.0, drift=-0.14)
    (soak,) = run({**GOOD, "soak": entry})["soak"]
    assert soak.outcome == "right"
    assert "It fell steadily by 0.14 V meanwhile and stayed within its limits." in soak.sentence
