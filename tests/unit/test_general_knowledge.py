"""The tables of general practice: whole, readable, and saying what a chain of causes must say.

What a supply does is common practice, no published source, unless a test names one.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from kb.facts.general_practice import general_practice
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import BOARD_KINDS, LOADS, RAIL_CONDITIONS, RAIL_ROLES, SECTIONS, values
from kb.suggest import Evidence, RailFact
from kb.suggest.exclusions import answered, disagreements, every_section_excluded, excluded
from kb.suggest.general_knowledge import general_knowledge
from kb.suggest.in_order import in_order

KNOWLEDGE = general_knowledge()
CONDITIONS = values(RAIL_CONDITIONS)
PAIRS = sorted({(one.section, one.part_class) for one in KNOWLEDGE.faults()})
RIGHT = CONDITIONS.index("in tolerance")

CAPACITORS = frozenset(
    ("electrolytic capacitor", "bulk capacitor", "ceramic capacitor", "safety capacitor", "film capacitor",
     "polymer capacitor")
)  # fmt: skip
SEMICONDUCTORS = frozenset(
    ("diode", "Schottky rectifier", "fast rectifier", "bridge rectifier", "zener diode", "surge suppressor diode",
     "light-emitting diode", "bipolar transistor", "MOSFET", "power factor MOSFET", "controller IC",
     "power factor controller IC", "integrated switcher", "backlight driver IC", "linear regulator", "buck regulator",
     "shunt reference", "optocoupler", "supervisor IC", "microcontroller", "memory", "op-amp or comparator",
     "triac or thyristor", "IGBT")
)  # fmt: skip


def share_of(parts: frozenset[str]) -> float:
    return math.fsum(one.share for one in KNOWLEDGE.faults() if one.part_class in parts)


def rail(role: str, supply: str, condition: str, load: str = "none") -> RailFact:
    return RailFact(role, supply, load, condition)


def test_the_catalogue_has_its_faults_in_every_section_and_their_shares_sum_to_one() -> None:
    assert len({(one.section, one.part_class, one.failure) for one in KNOWLEDGE.faults()}) >= 120
    assert {one.section for one in KNOWLEDGE.faults()} == set(values(SECTIONS))
    assert math.fsum(one.share for one in KNOWLEDGE.faults()) == pytest.approx(1.0, abs=1e-9)
    assert math.fsum(KNOWLEDGE.share(*pair) for pair in PAIRS) == pytest.approx(1.0, abs=1e-9)
    assert KNOWLEDGE.share("feedback", "relay") == 0.0


@pytest.mark.parametrize("kind", [*BOARD_KINDS, "something else", None])
def test_every_kind_of_board_has_shares_that_sum_to_one(kind: str | None) -> None:
    knowledge = general_knowledge(kind)
    assert math.fsum(one.share for one in knowledge.faults()) == pytest.approx(1.0, abs=1e-9)
    assert all(one.share > 0.0 for one in knowledge.faults())


def test_every_fault_says_how_likely_each_condition_of_each_rail_is() -> None:
    for pair in PAIRS:
        for role in values(RAIL_ROLES):
            for supply in ("standby", "running"):
                for load in values(LOADS):
                    chances = KNOWLEDGE.rail(*pair, role, supply, load)
                    assert chances is not None
                    assert len(chances) == len(CONDITIONS)
                    assert math.fsum(chances) == pytest.approx(1.0, abs=1e-9)
                    assert min(chances) > 0.0


def test_every_fault_says_how_likely_each_symptom_is() -> None:
    for pair in PAIRS:
        for symptom in SYMPTOMS:
            chance = KNOWLEDGE.mentioned(*pair, symptom.name)
            assert chance is not None
            assert 0.0 < chance < 1.0


def test_every_number_has_an_origin() -> None:
    assert all(fault.origin for fault in general_practice().faults)


def test_there_is_no_opinion_on_what_is_on_no_list_or_unplugged() -> None:
    assert KNOWLEDGE.rail("no such section", "fuse", "bulk", "standby", "none") is None
    assert KNOWLEDGE.rail("mains input", "fuse", "bulk", "unpowered", "none") is None
    assert KNOWLEDGE.mentioned("mains input", "fuse", "smells of violets") is None
    assert KNOWLEDGE.mentioned("no such section", "fuse", "dead") is None


def test_a_part_that_a_section_does_not_list_behaves_as_the_section_does() -> None:
    unlisted = KNOWLEDGE.rail("standby converter", "loudspeaker or buzzer", "standby", "standby", "none")
    assert unlisted is not None
    assert unlisted[CONDITIONS.index("absent")] > 0.5


def test_capacitors_and_semiconductors_fail_most_as_the_surveys_say() -> None:
    """H. Wang, M. Liserre and F. Blaabjerg, IEEE Industrial Electronics Magazine 7 (2013) 17-26: capacitors about
    30 %, semiconductors 21 % (from memory). Power supply failure survey, Power Systems Design 2014:
    semiconductors first, capacitors second (read in a public copy). The bounds hold both.
    """
    assert 0.22 < share_of(CAPACITORS) < 0.40
    assert 0.21 < share_of(SEMICONDUCTORS) < 0.50
    assert share_of(SEMICONDUCTORS) > share_of(CAPACITORS)


def test_field_effect_transistors_fail_shorted_rather_than_open() -> None:
    """MIL-HDBK-338B (1998), failure mode distributions: FET short 51 %, open 5 % (from memory)."""
    modes = {
        failure: math.fsum(
            one.share for one in KNOWLEDGE.faults() if one.part_class == "MOSFET" and one.failure == failure
        )
        for failure in ("shorted", "open")
    }
    assert modes["shorted"] > 3 * modes["open"]


def test_a_charged_bulk_speaks_for_fuse_rectifier_and_thermistor() -> None:
    for part in ("fuse", "varistor", "inrush limiter", "bridge rectifier"):
        section = "inrush and rectifier" if part in ("inrush limiter", "bridge rectifier") else "mains input"
        chances = KNOWLEDGE.rail(section, part, "bulk", "standby", "none")
        dead = KNOWLEDGE.rail("standby converter", "start-up resistor", "bulk", "standby", "none")
        assert chances is not None
        assert dead is not None
        charged = [CONDITIONS.index(one) for one in ("low", "in tolerance", "high")]
        assert sum(dead[one] for one in charged) > 10 * sum(chances[one] for one in charged)


def test_bulk_at_rectified_mains_in_standby_is_right() -> None:
    chances = KNOWLEDGE.rail_in_order("bulk", "standby", "none")
    assert chances[CONDITIONS.index("low")] + chances[RIGHT] > 0.95


def test_a_cycling_controller_supply_is_a_converter_that_restarts() -> None:
    pulsing = CONDITIONS.index("pulsing")
    restarting = KNOWLEDGE.rail(
        "main converter", "electrolytic capacitor", "controller supply", "running", "none"
    )
    silent = KNOWLEDGE.rail("mains input", "fuse", "controller supply", "running", "none")
    assert restarting is not None
    assert silent is not None
    assert restarting[pulsing] > 0.5 > 40 * silent[pulsing]


def test_only_its_own_output_falls_when_one_output_is_worn() -> None:
    own = KNOWLEDGE.rail(
        "intermediate output", "electrolytic capacitor", "intermediate", "running", "in the set"
    )
    neighbour = KNOWLEDGE.rail(
        "intermediate output", "electrolytic capacitor", "backlight", "running", "in the set"
    )
    assert own is not None
    assert neighbour is not None
    assert own[RIGHT] < 0.25 < 0.75 < neighbour[RIGHT]


def test_a_charged_bulk_excludes_what_lies_before_it_and_answers_the_fuse() -> None:
    evidence = Evidence(rails=(rail("bulk", "standby", "in tolerance"),))
    assert [one.section for one in excluded(evidence)] == ["mains input", "inrush and rectifier"]
    assert excluded(evidence)[0].why == "bulk is charged: fuse, inrush limiter and rectifier carry"
    assert "fuse blown" in answered(evidence)
    assert "output rail shorted to ground" not in answered(evidence)


def test_a_standby_rail_in_its_window_excludes_its_converter_but_not_yet_its_output() -> None:
    unloaded = excluded(Evidence(rails=(rail("standby", "standby", "in tolerance"),)))
    loaded = excluded(Evidence(rails=(rail("standby", "standby", "in tolerance", "test load"),)))
    assert "standby converter" in {one.section for one in unloaded}
    assert "standby output" not in {one.section for one in unloaded}
    assert "standby output" in {one.section for one in loaded}


def test_a_rail_in_its_window_excludes_its_output_under_load_only() -> None:
    unloaded = excluded(Evidence(rails=(rail("intermediate", "running", "in tolerance"),)))
    loaded = excluded(Evidence(rails=(rail("intermediate", "running", "in tolerance", "in the set"),)))
    assert "intermediate output" not in {one.section for one in unloaded}
    assert {"intermediate output", "main converter"} <= {one.section for one in loaded}


def test_a_rail_that_left_its_window_for_a_while_excludes_nothing_of_what_makes_it() -> None:
    """5 V read as 4.9 V with a lowest of 4.1 V is in its window by its steady value, and its output is not in order."""
    loaded = rail("standby", "standby", "in tolerance", "test load")
    # That it is there at all still says that the mains comes through.
    through = {"mains input", "inrush and rectifier"}
    for fact in (replace(loaded, marginal=True), replace(loaded, condition="low")):
        assert {one.section for one in excluded(Evidence(rails=(fact,)))} == through
    assert {one.section for one in excluded(Evidence(rails=(loaded,)))} > through
    assert excluded(Evidence(rails=(replace(loaded, condition="absent"),))) == ()


def test_nothing_is_excluded_on_a_board_that_fails_now_and_then() -> None:
    evidence = Evidence(symptoms=(("intermittent", True),), rails=(rail("bulk", "standby", "in tolerance"),))
    assert excluded(evidence) == ()
    assert answered(evidence) == frozenset()
    assert excluded(replace(evidence, symptoms=(("intermittent", False),))) != ()


def test_nothing_measured_excludes_nothing() -> None:
    assert excluded(Evidence()) == ()
    assert not every_section_excluded(excluded(Evidence()))


def test_readings_that_cannot_all_be_right_are_named() -> None:
    both = Evidence(rails=(rail("standby", "standby", "absent"), rail("standby", "standby", "in tolerance")))
    assert "measure it again" in disagreements(both)[0]
    empty_bulk = Evidence(
        rails=(rail("bulk", "standby", "absent"), rail("standby", "standby", "in tolerance"))
    )
    assert "measure bulk again" in disagreements(empty_bulk)[0]
    assert disagreements(Evidence(rails=(rail("bulk", "standby", "absent"),))) == ()


def test_a_board_that_measures_right_everywhere_is_likelier_to_be_in_order() -> None:
    loaded = tuple(
        rail(role, "running", "in tolerance", "in the set")
        for role in ("standby", "intermediate", "backlight")
    )
    nothing = in_order(Evidence()).probability
    assert nothing == pytest.approx(0.1)
    assert in_order(Evidence(rails=loaded)).probability > 3 * nothing
    assert in_order(Evidence(rails=(rail("standby", "standby", "absent"),))).probability < 0.02
    assert in_order(Evidence(symptoms=(("fuse blown", True), ("dead", True)))).probability < 0.01
    assert in_order(Evidence(rails=loaded), part_found_bad=True).probability == 0.0


def test_what_would_settle_it_is_what_was_not_measured_yet() -> None:
    before = in_order(Evidence()).settles
    after = in_order(
        Evidence(
            rails=tuple(
                rail(role, "running", "in tolerance", "in the set") for role in ("standby", "intermediate")
            )
        )
    ).settles
    assert before[0] == "the standby rail under load"
    assert not set(before[:2]) & set(after)
    assert after


def test_the_share_of_boards_in_order_moves_the_answer_and_must_be_a_probability() -> None:
    assert in_order(Evidence(), 0.5).probability == pytest.approx(0.5)
    assert in_order(Evidence(), 0.0).probability == 0.0
    with pytest.raises(ValueError, match="from 0 to 1"):
        in_order(Evidence(), 1.5)


def test_what_was_noted_is_weighed_together_and_not_only_line_by_line() -> None:
    """Held against the sum over the ways in which a fault behaves, written out by hand."""
    general = general_knowledge("power supply").joint
    knowledge = general.knowledge
    symptoms = (("fuse blown", True), ("dead", True), ("high ripple", False))
    rails = (rail("bulk", "standby", "absent"), rail("standby", "standby", "absent"))
    whole, apart = general.log_likelihood(symptoms, rails)
    for place, (section, part_class) in enumerate(general.faults):
        by_hand = 0.0
        for weight, line, behaviour in knowledge.ways(section, part_class):
            term = weight
            for name, present in symptoms:
                chance = knowledge.shown(section, part_class, line, name, behaviour)
                term *= chance if present else 1.0 - chance
            for fact in rails:
                term *= knowledge.behaves(section, behaviour, *fact.key)[CONDITIONS.index(fact.condition)]
            by_hand += term
        assert whole[place] == pytest.approx(math.log(by_hand))
        lines = [knowledge.mentioned(section, part_class, name) for name, _ in symptoms]
        assert apart[place] == pytest.approx(
            math.fsum(
                math.log(chance if present else 1.0 - chance)
                for chance, (_, present) in zip(lines, symptoms, strict=True)
                if chance is not None
            )
            + math.fsum(
                math.log(chances[CONDITIONS.index(fact.condition)])
                for fact in rails
                if (chances := knowledge.rail(section, part_class, *fact.key)) is not None
            ),
            abs=0.01,
        )


def test_one_rail_absent_among_right_ones_does_not_fit_a_bulk_capacitor() -> None:
    """Dry it leaves all low, shorted it leaves all absent: for each line alone it seems to fit."""
    lines = (
        rail("standby", "standby", "in tolerance"),
        rail("backlight", "running", "in tolerance"),
        rail("logic", "running", "absent"),
    )
    gain = general_knowledge("power supply").together((), lines)
    assert gain["bulk and power factor stage", "bulk capacitor"] < -1.0
    assert gain["logic output", "linear regulator"] > -0.5
    assert all(
        value == pytest.approx(0.0, abs=1e-9) for value in general_knowledge().together((), ()).values()
    )


def test_a_light_excludes_nothing_whose_own_rail_measures_wrong() -> None:
    light = (("standby light on but will not start", True),)
    lit = {one.section for one in excluded(Evidence(symptoms=light))}
    low = {
        one.section for one in excluded(Evidence(symptoms=light, rails=(rail("standby", "standby", "low"),)))
    }
    assert "standby converter" in lit
    assert "standby converter" not in low
    assert "mains input" in low


def test_what_a_reading_shows_is_not_asked_again() -> None:
    low = answered(Evidence(rails=(rail("standby", "standby", "low"),)))
    assert {"standby voltage low", "no standby voltage"} <= low
    # Volts that are too low came through the fuse all the same.
    assert "fuse blown" in low
    assert "fuse blown" not in answered(Evidence(rails=(rail("standby", "standby", "absent"),)))
    assert "bulk voltage missing" in answered(Evidence(rails=(rail("bulk", "standby", "absent"),)))
    assert not answered(Evidence(rails=(rail("standby", "unpowered", "absent"),)))
