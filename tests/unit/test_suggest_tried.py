"""What was tried on this board, which of several parts was the cause, and two faults at once."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from dependent_world import DependentWorld
from known_world import cases_of
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, fix, ledger_of, low_standby

from kb.suggest import Evidence, FixTry, Ledger, Tried, choose_strength, fix_records, rank
from kb.suggest.place_in_chain import consequences, presumed_cause
from kb.suggest.snapshot import from_bytes, to_bytes
from kb.suggest.two_faults import share_of_doubles

HX = Evidence("HX-210", "power supply")
FUSE = ("mains input", "fuse")
BRIDGE = ("inrush and rectifier", "bridge rectifier")


def two_causes() -> Ledger:
    return ledger_of(
        *(case(f"c{n}", CAP, rails=()) for n in range(8)),
        *(case(f"s{n}", SWITCH, rails=()) for n in range(6)),
    )


def test_a_failed_fix_takes_the_log_of_one_minus_its_chance_from_its_cause() -> None:
    ledger = two_causes()
    before = {(one.section, one.part_class): one for one in rank(ledger, HX).causes}
    ranking = rank(ledger, replace(HX, tried=(Tried(*CAP, "C9"),)))
    after = {(one.section, one.part_class): one for one in ranking.causes}
    q = (8 + 3.6) / (8 + 4)
    odds = after[CAP].probability / after[SWITCH].probability
    assert math.log(odds) == pytest.approx(
        math.log(before[CAP].probability / before[SWITCH].probability) + math.log(1 - q), abs=1e-9
    )
    (line,) = after[CAP].evidence
    assert line.label == "C9 electrolytic capacitor (standby output) already tried, no change"
    assert line.weight < 0
    assert ranking.causes[0].part_class == SWITCH[1]


def test_a_failed_fix_says_more_where_right_fixes_hardly_ever_fail() -> None:
    """From thirty cases on the general rate is the store's own, of what happened at the bench."""
    sure = [case(f"c{n}", CAP, rails=()) for n in range(30)] + [
        case(f"s{n}", SWITCH, rails=()) for n in range(6)
    ]
    twice = [replace(one, tries=(replace(one.tries[0], result="no change"), *one.tries)) for one in sure]
    back = [replace(one, same_fault_return_days=60) if one.uid in ("c0", "c1") else one for one in sure]
    rates = {}
    for name, cases in (("at once", sure), ("second go", twice), ("came back", back)):
        ledger = ledger_of(*cases)
        rates[name] = choose_strength(ledger, patterns=False).settings.general_fix
    assert rates["at once"] == pytest.approx((36 + 18) / (36 + 20))
    assert rates["second go"] == pytest.approx((36 + 18) / (72 + 20))
    # A board that came back months later was cured at the bench.
    assert rates["came back"] == rates["at once"]
    assert choose_strength(two_causes()).settings.general_fix == 0.9


def test_a_cause_that_seemed_all_but_certain_moves_back_visibly_when_its_fix_failed() -> None:
    symptoms = (("relay clicks repeatedly", True), ("no picture", True))
    ledger = ledger_of(
        *(case(f"c{n}", CAP, symptoms=symptoms) for n in range(30)),
        *(
            case(f"s{n}", SWITCH, symptoms=(("dead", True),), rails=(low_standby("in tolerance"),))
            for n in range(30)
        ),
    )
    settings = choose_strength(ledger, patterns=False).settings
    asked = replace(HX, symptoms=symptoms, rails=(low_standby(),))
    before = rank(ledger, asked, settings).causes[0]
    assert (before.section, before.part_class) == CAP
    assert before.probability > 0.98
    after = rank(ledger, replace(asked, tried=(Tried(*CAP, "C9"),)), settings)
    (again,) = [one for one in after.causes if (one.section, one.part_class) == CAP]
    assert again.probability < 0.7
    assert sum(one.probability for one in after.causes) + after.unseen_probability == pytest.approx(
        1.0, abs=1e-9
    )


def test_a_fix_that_changed_something_or_is_not_judged_yet_says_nothing() -> None:
    ledger = two_causes()
    for result in ("improved", "not known yet", "cured"):
        assert rank(ledger, replace(HX, tried=(Tried(*CAP, "", result),))).causes == rank(ledger, HX).causes
    worse = rank(ledger, replace(HX, tried=(Tried(*CAP, "", "worse"),)))
    assert worse.causes[0].part_class == SWITCH[1]


def test_a_part_alone_names_the_fix_where_the_family_knows_it_and_is_told_of_where_not() -> None:
    ledger = two_causes()
    by_part = rank(ledger, replace(HX, tried=(Tried(part="C9"),)))
    assert all("already tried" in one.evidence[0].label for one in by_part.causes)  # C9 stands for both here
    unknown = rank(ledger, replace(HX, tried=(Tried("mains input", "varistor", "RV1"), Tried(part="Q77"))))
    assert unknown.ignored == ("tried: RV1 varistor (mains input)", "tried: Q77")
    assert [one.probability for one in unknown.causes] == [one.probability for one in rank(ledger, HX).causes]


def test_every_fix_tried_in_vain_still_gives_an_answer() -> None:
    ledger = two_causes()
    ranking = rank(ledger, replace(HX, tried=(Tried(*CAP), Tried(*SWITCH)) * 4))
    total = sum(one.probability for one in ranking.causes) + ranking.unseen_probability
    assert total == pytest.approx(1.0, abs=1e-9)
    assert all(math.isfinite(line.weight) for one in ranking.causes for line in one.evidence)


# Cause and consequence


def test_the_fuse_is_the_consequence_of_the_bridge_however_they_are_listed() -> None:
    for tries in ((fix(FUSE), fix(BRIDGE)), (fix(BRIDGE), fix(FUSE))):
        ledger = ledger_of(case("a", tries=tries))
        assert [one.part_class for one in rank(ledger, HX).causes] == ["bridge rectifier"]
        records = {one.part_class: (one.cured, one.tried) for one in fix_records(ledger)}
        assert records == {"bridge rectifier": (1, 1), "fuse": (0, 0)}
        assert ledger.doubles == 0


def test_what_a_person_said_of_the_cause_counts_before_the_place_in_the_chain() -> None:
    fuse, bridge = replace(fix(FUSE), cause=True), replace(fix(BRIDGE), cause=False)
    ledger = ledger_of(case("a", tries=(fuse, bridge)))
    assert [one.part_class for one in rank(ledger, HX).causes] == ["fuse"]
    assert presumed_cause([fix(FUSE), fix(BRIDGE), fix(CAP)]) == 2
    assert presumed_cause([fix(FUSE), replace(fix(BRIDGE), cause=True), fix(CAP)]) == 1
    assert presumed_cause([]) is None


def test_at_least_one_part_is_the_cause() -> None:
    every = [replace(fix(FUSE), cause=False), replace(fix(BRIDGE), cause=False)]
    assert consequences(every) == (True, False)
    assert consequences([fix(FUSE)]) == (False,)
    assert consequences([fix(FUSE), fix(FUSE)]) == (False, False)


def test_a_cause_replaced_twice_is_one_cause() -> None:
    ledger = ledger_of(
        case("a", tries=(replace(fix(CAP), cause=True), replace(fix(CAP, part="C10"), cause=True)))
    )
    assert ledger.known == 1
    assert ledger.doubles == 0
    assert rank(ledger, HX).causes[0].cure_rate == pytest.approx((1 + 3.6) / (1 + 4))


def test_cause_and_second_fault_come_back_from_a_snapshot_and_can_be_withdrawn() -> None:
    ledger = ledger_of(case("a", tries=(fix(FUSE), fix(BRIDGE))), case("b", tries=(fix(CAP), fix(SCHOTTKY))))
    assert ledger.doubles == 1
    again = from_bytes(to_bytes(ledger))
    for one in (ledger, again):
        one.withdraw("b")
        assert one.doubles == 0
        one.withdraw("a")
        assert fix_records(one) == ()


# Two faults


@pytest.fixture(scope="module")
def shop() -> Ledger:
    world = DependentWorld(22)
    ledger = ledger_of(*cases_of(world, world.sample(900, 5)))  # type: ignore[arg-type]
    boards, second = world.with_two_faults(100, 7)
    for one, fault in zip(cases_of(world, boards, "two"), second.tolist(), strict=True):  # type: ignore[arg-type]
        section, part_class = world.faults[fault]
        ledger.add(
            replace(one, tries=(*one.tries, FixTry(section, part_class, "C2", "", "replace", "cured")))
        )
    return ledger


def test_two_faults_are_told_apart_from_one(shop: Ledger) -> None:
    """Area under the curve of boards with two against boards with one, by ranks."""
    world = DependentWorld(22)
    settings = choose_strength(shop, max_cases=600, patterns=False).settings
    one = cases_of(world, world.sample(150, 11), "one")  # type: ignore[arg-type]
    two = cases_of(world, world.with_two_faults(150, 13)[0], "both")  # type: ignore[arg-type]
    said = [
        [
            rank(shop, Evidence(board.family, board.kind, board.symptoms, board.rails), settings, limit=1)
            for board in boards
        ]
        for boards in (one, two)
    ]
    single, double = ([found.two_faults_probability for found in many] for many in said)
    above = sum((b > a) + 0.5 * (b == a) for a in single for b in double) / len(single) / len(double)
    assert above > 0.85
    for found in (*said[0], *said[1]):
        assert 0.0 <= found.two_faults_probability <= 1.0
        assert (found.two_faults is not None) == (found.two_faults_probability > 0.3)
    assert 0.05 < share_of_doubles(shop) < 0.12


def test_without_evidence_nobody_speaks_of_two_faults() -> None:
    assert rank(two_causes(), HX).two_faults is None
    assert rank(two_causes(), HX).two_faults_probability == 0.0
    assert rank(Ledger(), replace(HX, rails=(low_standby(),))).two_faults is None
