"""Every answered dead check of a bench test counts in the ranking of its board at once, and is not asked again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import bench_people as people
import pytest
from starlette.datastructures import ImmutableMultiDict

from kb.model import Attempt, FamilyRecord, Reading
from kb.service import Shop
from kb.service.bench import outcome, runs
from kb.service.bench.runs import NewRun, Typed
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.diagnose import diagnosis
from kb.web.pages.bench import diagnose_url
from kb.web.pages.evidence_address import read_asked

pytestmark = pytest.mark.same("what a check counts is computed from the records")

INPUT, RECTIFIER, BULK = "mains input", "inrush and rectifier", "bulk and power factor stage"
MAIN, STANDBY = "main converter", "standby converter"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    found = people.new_shop(tmp_path)
    yield found
    found.close()


@pytest.fixture(scope="module")
def one_shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """A shop for tests of which each only begins a bench test of its own, which counts in no other's ranking."""
    found = people.new_shop(tmp_path_factory.mktemp("one"))
    yield found
    found.close()


def board(shop: Shop, **other: object) -> str:
    """A test of the usual board, or of one that differs, with its bulk capacitor empty; answers the run's uid."""
    code = "HX-210"
    if other:
        code = "HX-211"
        families.save(
            shop, FamilyRecord.model_validate({**people.FAMILY.model_dump(), "code": code, **other})
        )
    uid = runs.start(shop, NewRun(code))
    runs.acknowledge(shop, uid)
    runs.enter(shop, uid, 1, Typed("0.3"))
    return uid


def enter(shop: Shop, uid: str, title: str, shown: str) -> None:
    typed = Typed(answer="OL") if shown == "OL" else Typed(shown)
    place = runs.view(shop, uid).step(people.number_of(shop, uid, title))
    runs.enter(shop, uid, place.number, typed)


def chances(shop: Shop, uid: str) -> dict[tuple[str, str], float]:
    answer = diagnosis.suggest(shop, outcome.evidence(shop, runs.view(shop, uid)))
    return {(one.section, one.part_class): one.probability for one in answer.ranking.causes}


def asked(shop: Shop, uid: str) -> set[str]:
    found = diagnosis.measure_next(shop, outcome.evidence(shop, runs.view(shop, uid)), limit=500)
    return {one.candidate.label for one in found}


# Title of the step, what the meter shows, the cause that it speaks for.
FOUND = (
    ("Mains rectifier, forward", "0.02", (RECTIFIER, "bridge rectifier")),
    ("Mains rectifier, forward", "OL", (RECTIFIER, "bridge rectifier")),
    ("Mains rectifier, reverse", "0.03", (RECTIFIER, "bridge rectifier")),
    ("Main switch, forward", "0.02", (MAIN, "MOSFET")),
    ("Main switch, forward", "0.4 ohm", (MAIN, "MOSFET")),
    ("Main switch, forward", "OL", (MAIN, "MOSFET")),
    ("Main switch, reverse", "0.01", (MAIN, "MOSFET")),
    ("5VSB to ground", "0.2", ("standby output", "Schottky rectifier")),
    ("12V to ground", "0.1", ("intermediate output", "Schottky rectifier")),
    ("Inrush limiter", "OL", (RECTIFIER, "inrush limiter")),
    ("Current sense resistor", "OL", (MAIN, "current sense resistor")),
    ("Start-up resistor", "OL", (STANDBY, "start-up resistor")),
    ("Power factor switch, forward", "0.01", (BULK, "power factor MOSFET")),
    ("Power factor switch, forward", "OL", (BULK, "power factor MOSFET")),
    ("Power factor diode, forward", "0.02", (BULK, "fast rectifier")),
    ("Rectifier of 5VSB", "0.02", ("standby output", "Schottky rectifier")),
    ("Rectifier of 12V", "OL", ("intermediate output", "Schottky rectifier")),
)


@pytest.mark.parametrize(("title", "shown", "cause"), FOUND)
def test_a_check_that_finds_something_raises_its_cause_at_once(
    one_shop: Shop, title: str, shown: str, cause: tuple[str, str]
) -> None:
    uid = board(one_shop)
    before = chances(one_shop, uid).get(cause, 0.0)
    enter(one_shop, uid, title, shown)
    assert chances(one_shop, uid)[cause] > 2 * before


# The same where the check says that it is not so; `OL` is right for what must block and for a clear output.
RIGHT = (
    ("Fuse T3.15A", "0.2", (INPUT, "fuse"), "fuse blown"),
    ("Mains rectifier, forward", "0.5", (RECTIFIER, "bridge rectifier"), "mains rectifier shorted"),
    ("Mains rectifier, reverse", "OL", (RECTIFIER, "bridge rectifier"), "mains rectifier shorted"),
    ("Main switch, forward", "0.5", (MAIN, "MOSFET"), "main switch shorted"),
    ("Main switch, reverse", "OL", (MAIN, "MOSFET"), "main switch shorted"),
    ("5VSB to ground", "OL", ("standby output", "Schottky rectifier"), ""),
    ("12V to ground", "1k2", ("intermediate output", "Schottky rectifier"), "output rail shorted to ground"),
    ("Inrush limiter", "5", (RECTIFIER, "inrush limiter"), "inrush limiter open"),
    ("Current sense resistor", "0.3", (MAIN, "current sense resistor"), "current sense resistor open"),
    ("Start-up resistor", "330k", (STANDBY, "start-up resistor"), "start-up resistor open"),
    ("Power factor switch, forward", "0.5", (BULK, "power factor MOSFET"), "power factor switch shorted"),
    ("Power factor diode, forward", "0.45", (BULK, "fast rectifier"), ""),
    ("Rectifier of 12V", "0.2", ("intermediate output", "Schottky rectifier"), ""),
)


@pytest.mark.parametrize(("title", "shown", "cause", "symptom"), RIGHT)
def test_a_check_that_says_not_so_lowers_its_cause_at_once_and_is_not_asked_again(
    one_shop: Shop, title: str, shown: str, cause: tuple[str, str], symptom: str
) -> None:
    shop = one_shop
    uid = board(shop)
    before = chances(shop, uid)[cause]
    assert not symptom or symptom in asked(shop, uid)
    enter(shop, uid, title, shown)
    after = chances(shop, uid)
    assert after[cause] < 0.5 * before
    assert not symptom or symptom not in asked(shop, uid)
    answer = diagnosis.suggest(shop, outcome.evidence(shop, runs.view(shop, uid)))
    assert not any("fuse" in one.casefold() for one in answer.first_checks) or not title.startswith("Fuse")


def test_one_output_of_two_settles_a_short_only_where_it_is_found(shop: Shop) -> None:
    families.save(
        shop,
        FamilyRecord.model_validate(
            {
                **people.FAMILY.model_dump(),
                "code": "HX-212",
                "rails": [
                    *people.FAMILY.model_dump()["rails"],
                    {"name": "24V", "role": "backlight", "nominal_v": 24.0, "rated_a": 4.0},
                ],
            }
        ),
    )
    uid = runs.start(shop, NewRun("HX-212"))
    runs.acknowledge(shop, uid)
    runs.enter(shop, uid, 1, Typed("0.3"))
    enter(shop, uid, "12V to ground", "1k2")
    assert "output rail shorted to ground" in asked(shop, uid)
    enter(shop, uid, "24V to ground", "OL")
    assert "output rail shorted to ground" not in asked(shop, uid)


def test_a_short_one_way_is_not_outweighed_by_the_other_way(shop: Shop) -> None:
    uid = board(shop)
    enter(shop, uid, "Main switch, forward", "0.02")
    short = chances(shop, uid)[MAIN, "MOSFET"]
    runs.go_on(shop, uid, people.number_of(shop, uid, "Main switch, forward"), "the other way as well")
    enter(shop, uid, "Main switch, reverse", "OL")
    assert chances(shop, uid)[MAIN, "MOSFET"] == pytest.approx(short)


def test_the_ranking_goes_by_what_the_test_made_of_the_number(shop: Shop) -> None:
    """A fusible resistor of 22 ohm in the fuse's place is whole, a switch without a diode shows nothing when good,
    and an output is shorted by its own rated load."""
    uid = board(shop, fuse="22R fusible", switch="IGBT without diode")
    start = chances(shop, uid)
    enter(shop, uid, "Fuse 22R fusible", "22")
    assert chances(shop, uid)[INPUT, "fuse"] < start[INPUT, "fuse"]
    enter(shop, uid, "Main switch, forward", "OL")
    assert chances(shop, uid)[MAIN, "IGBT"] < 0.5 * start[MAIN, "IGBT"]
    rails = [
        {**one, "rated_a": 0.25} if one["name"] == "12V" else one
        for one in people.FAMILY.model_dump()["rails"]
    ]
    families.save(
        shop, FamilyRecord.model_validate({**people.FAMILY.model_dump(), "code": "HX-213", "rails": rails})
    )
    small = runs.start(shop, NewRun("HX-213"))
    runs.acknowledge(shop, small)
    runs.enter(shop, small, 1, Typed("0.3"))
    before = chances(shop, small)["intermediate output", "Schottky rectifier"]
    enter(shop, small, "12V to ground", "2.3")  # 48 ohm of rated load
    assert runs.view(shop, small).step(people.number_of(shop, small, "12V to ground")).outcome == "wrong"
    assert chances(shop, small)["intermediate output", "Schottky rectifier"] > 2 * before


def test_a_check_taken_back_or_left_out_counts_no_more(shop: Shop) -> None:
    uid = board(shop)
    start = chances(shop, uid)
    enter(shop, uid, "Main switch, forward", "0.02")
    runs.take_back(shop, uid, people.number_of(shop, uid, "Main switch, forward"))
    assert chances(shop, uid) == start
    enter(shop, uid, "12V to ground", "0.1")
    runs.leave_out(shop, uid, people.number_of(shop, uid, "12V to ground"), "lifted")
    assert chances(shop, uid) == start


def test_checks_that_are_right_raise_the_chance_that_the_board_is_in_order(shop: Shop) -> None:
    uid = board(shop)

    def in_order() -> float:
        return diagnosis.suggest(shop, outcome.evidence(shop, runs.view(shop, uid))).in_order.probability

    chance = in_order()
    for title, shown in (
        ("Fuse T3.15A", "0.2"),
        ("Mains rectifier, forward", "0.5"),
        ("12V to ground", "OL"),
    ):
        enter(shop, uid, title, shown)
        assert in_order() > chance
        chance = in_order()
    enter(shop, uid, "5VSB to ground", "0.1")
    assert in_order() == 0.0


# What was said of the board before speaks for other sections; a short that was measured is a short all the same.
SAID = "goes dark after some minutes, the supply ticks, standby measured 4.7 V"


@pytest.mark.parametrize(
    ("title", "shown", "cause"),
    [
        ("Main switch, forward", "0.02", (MAIN, "MOSFET")),
        ("Main switch, forward", "0.02 ohm", (MAIN, "MOSFET")),
        ("Mains rectifier, reverse", "0.01", (RECTIFIER, "bridge rectifier")),
        ("Power factor switch, forward", "0.01", (BULK, "power factor MOSFET")),
        ("Current sense resistor", "OL", (MAIN, "current sense resistor")),
        ("Start-up resistor", "OL", (STANDBY, "start-up resistor")),
    ],
)
def test_a_measured_short_or_open_leads_whatever_was_said_of_the_board(
    shop: Shop, title: str, shown: str, cause: tuple[str, str]
) -> None:
    case = people.add_case(shop)
    record = cases.stored(shop, case).record
    cases.save(shop, record.model_copy(update={"complaint": SAID}))
    uid = runs.start(shop, NewRun("HX-210", case_uid=case))
    runs.acknowledge(shop, uid)
    runs.enter(shop, uid, 1, Typed("0.3"))
    enter(shop, uid, title, shown)
    found = chances(shop, uid)
    # What lies across it in the same section, or the same part of the other converter, is the same find.
    same = {one: chance for one, chance in found.items() if one[0] == cause[0] or one[1] == cause[1]}
    assert max(found, key=lambda one: found[one]) in same
    assert sum(same.values()) > 0.7


def test_a_fix_that_the_test_after_it_disproves_counts_as_no_change(shop: Shop) -> None:
    case = people.add_case(shop)
    uid = runs.start(shop, NewRun("HX-210", case_uid=case))
    runs.acknowledge(shop, uid)
    runs.enter(shop, uid, 1, Typed("0.3"))
    enter(shop, uid, "Main switch, forward", "0.02")
    fix = Attempt(part="Q1", part_class="MOSFET", section=MAIN, failure="shorted")
    again = outcome.note_fix(shop, uid, fix)
    assert outcome.evidence(shop, runs.view(shop, again)).attempts[0].result == "not known yet"
    runs.enter(shop, again, 1, Typed("0.3"))
    enter(shop, again, "12V to ground", "0.1")
    assert outcome.evidence(shop, runs.view(shop, again)).attempts[0].result == "no change"


def test_what_the_test_gives_no_weight_is_no_evidence_either(shop: Shop) -> None:
    """4.7 V with nothing connected is left to the load; once the rail stands under it, it speaks for no fault."""
    uid = board(shop)
    for title in ("Fuse T3.15A", "Mains rectifier, forward", "Mains rectifier, reverse", "Main switch, forward",
                  "Main switch, reverse", "5VSB to ground", "12V to ground"):  # fmt: skip
        place = runs.view(shop, uid).step(people.number_of(shop, uid, title))
        runs.enter(shop, uid, place.number, Typed(**people.GOOD[title]))
    first = people.number_of(shop, uid, "First energising, current limited")
    runs.enter(shop, uid, first, Typed(answer="dark"))
    enter(shop, uid, "5VSB in standby", "4.7")
    rails = [one.rail for one in outcome.evidence(shop, runs.view(shop, uid)).readings]
    assert rails.count("5VSB") == 1
    enter(shop, uid, "5VSB in standby, under test load", "4.98")
    found = outcome.evidence(shop, runs.view(shop, uid)).readings
    assert [(one.value, one.load) for one in found if one.rail == "5VSB"] == [(4.98, "test load")]
    runs.enter(shop, uid, people.number_of(shop, uid, "12V under test load"), Typed(high="12.1"))
    assert not [one for one in outcome.evidence(shop, runs.view(shop, uid)).readings if one.rail == "12V"]


def test_a_passed_test_settles_what_the_complaint_said_of_its_rails(shop: Shop) -> None:
    case = people.add_case(shop)
    record = cases.stored(shop, case).record
    cases.save(shop, record.model_copy(update={"complaint": SAID}))
    uid = runs.start(shop, NewRun("HX-210", case_uid=case, loads={"5VSB": (0.5, ""), "12V": (1.5, "")}))
    runs.acknowledge(shop, uid)
    low = {"5VSB in standby": {"value": "4.7"}, "5VSB in standby, under test load": {"value": "4.95"}}
    chances_in_order = []
    while (number := runs.view(shop, uid).next_number) is not None:
        title = runs.view(shop, uid).step(number).step.title
        runs.enter(shop, uid, number, Typed(**(low.get(title) or people.GOOD[title])))
        chances_in_order.append(outcome.in_order(shop, runs.view(shop, uid)).probability)
    assert runs.view(shop, uid).verdict.state == "passed"
    assert chances_in_order[-1] > 0.2
    assert chances_in_order[-1] > 5 * chances_in_order[0]
    answer = outcome.suggestions(shop, runs.view(shop, uid))
    assert not [one for one in answer.ranking.causes if one.section == "standby output"]


@pytest.mark.parametrize("after_repair", [False, True])
def test_what_a_test_measures_counts_after_a_repair_as_before_one(shop: Shop, *, after_repair: bool) -> None:
    case = people.add_case(shop)
    uid = runs.start(shop, NewRun("HX-210", case_uid=case, after_repair=after_repair))
    runs.acknowledge(shop, uid)
    while (number := runs.view(shop, uid).next_number) is not None:
        title = runs.view(shop, uid).step(number).step.title
        runs.enter(shop, uid, number, Typed(**people.GOOD[title]), sure=True)
    found = outcome.in_order(shop, runs.view(shop, uid))
    assert found.probability > 0.2
    assert not [one for one in found.settles if "rail under load" in one]


def test_no_section_is_ruled_out_in_which_a_check_found_a_part_bad(shop: Shop) -> None:
    """The board ran in its set before; the rectifier is shorted now."""
    case = people.add_case(shop)
    record = cases.stored(shop, case).record
    ran = Reading(rail="12V", supply="running", load="in the set", value=11.9)
    cases.save(shop, record.model_copy(update={"readings": [ran]}))
    uid = runs.start(shop, NewRun("HX-210", case_uid=case))
    runs.acknowledge(shop, uid)
    runs.enter(shop, uid, 1, Typed("0.3"))
    before = diagnosis.suggest(shop, outcome.evidence(shop, runs.view(shop, uid))).excluded
    assert RECTIFIER in {one.section for one in before}
    enter(shop, uid, "Mains rectifier, reverse", "0.02")
    after = diagnosis.suggest(shop, outcome.evidence(shop, runs.view(shop, uid)))
    assert RECTIFIER not in {one.section for one in after.excluded}
    assert after.ranking.causes[0].section == RECTIFIER


def test_the_diagnose_page_ranks_as_the_bench_test_does(shop: Shop) -> None:
    """Its address carries the checks, those of a meter without a reading as well."""
    uid = board(shop)
    enter(shop, uid, "Mains rectifier, forward", "OL")
    runs.go_on(shop, uid, people.number_of(shop, uid, "Mains rectifier, forward"), "to see what else")
    enter(shop, uid, "Main switch, reverse", "0.02")
    view = runs.view(shop, uid)
    evidence = outcome.evidence(shop, view)
    query = parse_qs(urlsplit(diagnose_url(evidence)).query)
    asked = read_asked(
        shop, ImmutableMultiDict([(name, one) for name, many in query.items() for one in many])
    )
    assert asked.record.checks == evidence.checks
    mine = diagnosis.suggest(shop, evidence).ranking
    theirs = diagnosis.suggest(shop, asked.record).ranking
    assert theirs.causes == mine.causes
    assert [one.found for one in asked.record.checks] == ["open", "shorted"]
    spoilt = read_asked(
        shop, ImmutableMultiDict([("check", "point|x|perhaps|1"), ("check", "||"), ("check", "")])
    )
    assert spoilt.record.checks == []
