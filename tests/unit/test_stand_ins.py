"""Which part may stand in for which: common practice, no published source, but for the order of safety classes
(IEC 60384-14) and the letters on fuses (IEC 60127), both from memory."""

from dataclasses import replace

import pytest

from kb.facts.parts import PART_CLASSES
from kb.facts.stand_ins import RULES, Ratings, may_stand_in

ELCO = Ratings("electrolytic capacitor", "low ESR", "", 1000e-6, "F", 20, 25, max_c=105, esr_ohm=0.03)
FUSE = Ratings("fuse", "T H", value=3.15, unit="A", max_v=250)
Y2 = Ratings("safety capacitor", "Y2", value=2.2e-9, unit="F", max_v=250)
FUSIBLE = Ratings("fusible resistor", "fusible", value=10.0, unit="ohm", max_w=2.0)
ULTRAFAST = Ratings("fast rectifier", "ultrafast", max_v=600, max_a=8)
IC = Ratings("controller IC", type_number="PW-1290A")


@pytest.mark.parametrize("part", [ELCO, FUSE, Y2, FUSIBLE, ULTRAFAST, IC])
def test_a_part_with_all_ratings_known_stands_in_for_its_equal(part: Ratings) -> None:
    assert may_stand_in(part, part).say == "yes"


@pytest.mark.parametrize(
    ("offered", "wanted", "rule"),
    [
        (replace(ELCO, max_v=16), ELCO, "voltage"),
        (replace(ELCO, max_c=85), ELCO, "temperature"),
        (replace(ELCO, esr_ohm=0.06), ELCO, "ESR"),
        (replace(ELCO, kind="general purpose", esr_ohm=None), ELCO, "ESR"),
        (replace(ELCO, value=680e-6), ELCO, "capacitance"),
        (replace(ELCO, value=2200e-6), ELCO, "capacitance"),
        (replace(FUSE, value=5.0), FUSE, "fuse current"),
        (replace(FUSE, value=2.0), FUSE, "fuse current"),
        (replace(FUSE, kind="F H"), FUSE, "fuse characteristic"),
        (replace(FUSE, kind="T L"), FUSE, "breaking capacity"),
        (replace(FUSE, max_v=125), FUSE, "voltage"),
        (replace(Y2, kind="Y4"), Y2, "safety class"),
        (replace(Y2, kind="X1"), Y2, "safety class"),
        (replace(Y2, value=4.7e-9), Y2, "leakage"),
        (Ratings("ceramic capacitor", "X7R", value=2.2e-9, unit="F", max_v=2000), Y2, "kind of part"),
        (Ratings("film capacitor", value=2.2e-9, unit="F", max_v=630), Y2, "safety class"),
        (Ratings("resistor", "metal film", value=10.0, unit="ohm", max_w=2.0), FUSIBLE, "fusible"),
        (replace(FUSIBLE, max_w=5.0), FUSIBLE, "fusible"),
        (
            Ratings("resistor", "carbon film", value=10.0, unit="ohm", max_w=2.0),
            Ratings("resistor", "flameproof", value=10.0, unit="ohm", max_w=2.0),
            "flameproof",
        ),
        (replace(ULTRAFAST, kind="standard", part_class="diode"), ULTRAFAST, "speed"),
        (replace(ULTRAFAST, kind="fast"), ULTRAFAST, "speed"),
        (replace(ULTRAFAST, max_a=3), ULTRAFAST, "current"),
        (ULTRAFAST, Ratings("Schottky rectifier", max_v=60, max_a=8), "forward drop"),
        (replace(IC, type_number="PW-1290B"), IC, "type"),
        (
            Ratings("ceramic capacitor", "Y5V", value=1e-7, unit="F", max_v=50),
            Ratings("ceramic capacitor", "X7R", value=1e-7, unit="F", max_v=50),
            "dielectric",
        ),
        (
            Ratings("thermal cut-out", max_c=130, max_a=10),
            Ratings("thermal cut-out", max_c=115, max_a=10),
            "trip temperature",
        ),
        (Ratings("wire"), ELCO, "kind of part"),
    ],
)  # fmt: skip
def test_a_broken_rule_says_no_and_is_named(offered: Ratings, wanted: Ratings, rule: str) -> None:
    found = may_stand_in(offered, wanted)
    assert found.say == "no"
    assert rule in {one.rule for one in found.checked if one.say == "no"}
    assert found.why


@pytest.mark.parametrize(
    ("offered", "wanted"),
    [
        (replace(ELCO, max_v=50, max_c=125, value=1200e-6, esr_ohm=0.02), ELCO),
        (replace(Y2, kind="Y1", max_v=400), Y2),
        (replace(FUSE, kind="T H"), replace(FUSE, kind="T L")),
        (replace(ULTRAFAST, max_v=800, max_a=15), ULTRAFAST),
        (replace(ULTRAFAST), replace(ULTRAFAST, kind="fast")),
        (Ratings("ceramic capacitor", "C0G", value=1e-7, unit="F", max_v=50),
         Ratings("ceramic capacitor", "X7R", value=1e-7, unit="F", max_v=50)),
        (Ratings("resistor", "flameproof", value=47.0, unit="ohm", max_w=3, tolerance_pct=5),
         Ratings("resistor", value=47.0, unit="ohm", max_w=2, tolerance_pct=5)),
    ],
)  # fmt: skip
def test_what_is_rated_the_same_or_better_stands_in(offered: Ratings, wanted: Ratings) -> None:
    assert may_stand_in(offered, wanted).say == "yes"


@pytest.mark.parametrize(
    "field", ["value", "max_v", "max_c"]
)  # fmt: skip
def test_what_is_not_known_is_to_be_looked_up_and_never_taken_for_granted(field: str) -> None:
    for offered, wanted in ((replace(ELCO, **{field: None}), ELCO), (ELCO, replace(ELCO, **{field: None}))):
        assert may_stand_in(offered, wanted).say == "look"


def test_a_safety_capacitor_without_its_class_on_record_is_never_waved_through() -> None:
    assert may_stand_in(replace(Y2, kind=""), Y2).say == "no"
    assert may_stand_in(Y2, replace(Y2, kind="")).say == "look"


def test_a_polymer_capacitor_in_place_of_an_electrolytic_one_is_to_be_looked_at() -> None:
    polymer = Ratings("polymer capacitor", "polymer", value=1000e-6, unit="F", max_v=25, max_c=105)
    assert may_stand_in(polymer, ELCO).say == "look"


def test_another_package_is_to_be_looked_at() -> None:
    offered, wanted = replace(ELCO, package="radial 5 mm"), replace(ELCO, package="radial 7.5 mm")
    assert may_stand_in(offered, wanted).say == "look"
    assert "7.5 mm" in may_stand_in(offered, wanted).why


def test_every_rule_that_is_applied_has_its_sentence_and_no_class_goes_without_an_answer() -> None:
    classes = [one.name for one in PART_CLASSES]
    for one in classes:
        for other in classes:
            found = may_stand_in(Ratings(one), Ratings(other))
            assert {check.rule for check in found.checked} <= set(RULES)
            # Nothing is known of these parts but their class, so that none is waved through.
            assert found.say in (("look",) if one == other != "safety capacitor" else ("look", "no"))
