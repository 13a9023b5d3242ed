"""The bench over HTTP: a whole test, its stops and resumptions, its ends, and what is refused."""

from __future__ import annotations

import html
import re
from collections.abc import AsyncIterator
from pathlib import Path

import anyio
import bench_people as people
import httpx
import pytest

from kb.facts.cautions import cautions_for
from kb.model import Attempt, CaseRecord, FamilyRecord, Rail, as_dict
from kb.service import Shop
from kb.service.bench import outcome, reports, runs
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.transfer import json_lines

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return people.new_shop(tmp_path)


@pytest.fixture
async def person(shop: Shop) -> AsyncIterator[httpx.AsyncClient]:
    async with people.client(shop) as one:
        yield one


def case_of(shop: Shop, uid: str) -> CaseRecord:
    return cases.stored(shop, uid).record


async def test_a_board_that_cycles_unloaded_and_passes_under_load_ends_as_no_fault_found_with_its_report(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="12V unloaded")
    await people.measure(person, shop, uid, "12V unloaded", value="0", high="11.48")
    page = await person.get(f"/bench/{uid}/steps/{people.number_of(shop, uid, '12V unloaded')}")
    assert "test under load" in page.text
    assert runs.view(shop, uid).verdict.state == "not finished"
    await people.walk(person, shop, uid)
    verdict = runs.view(shop, uid).verdict
    assert verdict.state == "passed"
    assert dict(verdict.fractions) == {"5VSB": 0.5, "12V": 0.5}

    closed = await person.post(f"/bench/{uid}/close-case", data={"verdict": "no fault found"})
    assert closed.headers["location"] == f"/cases/{case}/report"
    record = case_of(shop, case)
    assert (record.verdict, record.closed) == ("no fault found", people.TODAY)
    assert "12V at 50 % of its rating" in record.notes
    assert [one for one in record.readings if one.rail == "12V" and one.max == 11.48]

    draft = await person.get(f"/cases/{case}/report")
    assert "elsewhere in the set" in draft.text
    texts = {name: reports.propose(shop, case)[name] for name, _ in reports.PARAGRAPHS}
    issued = await person.post(f"/cases/{case}/report", data={**texts, "action": "issue"})
    report = await person.get(issued.headers["location"])
    assert report.status_code == 200
    for words in ("50 % of what it is made for", "Harbour bench", "no electrical safety test", "11.9 V"):
        assert words in report.text
    assert "safe to use" not in report.text


async def test_a_low_standby_rail_ends_in_suggestions_and_a_repaired_case(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    for number in range(3):
        solved = CaseRecord.model_validate(
            {
                "uid": f"old-{number}",
                "family": "HX-210",
                "received": "2026-03-02",
                "closed": "2026-03-05",
                "verdict": "repaired",
                "readings": [{"rail": "5VSB", "supply": "standby", "value": 4.2}],
                "attempts": [
                    {
                        "part": "C9",
                        "part_class": "electrolytic capacitor",
                        "section": "standby output",
                        "failure": "high ESR",
                        "result": "cured",
                    }
                ],
            }
        )
        cases.save(shop, solved)
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="5VSB in standby")
    await people.measure(person, shop, uid, "5VSB in standby", value="4V2")
    page = await person.get(f"/bench/{uid}/steps/{people.number_of(shop, uid, '5VSB in standby')}")
    assert "electrolytic capacitor" in page.text
    assert re.search(r'href="/diagnose\?[^"]*family=HX-210', page.text)
    assert "reading=5VSB+4.2V+standby" in page.text
    board = await person.get(f"/bench/{uid}")
    assert "Failed on 5VSB" in board.text

    fix = {
        "part": "C9",
        "part_class": "electrolytic capacitor",
        "section": "standby output",
        "failure": "high ESR",
        "action": "replace",
    }
    again = await person.post(f"/bench/{uid}/fix", data=fix)
    after = again.headers["location"].removeprefix("/bench/")
    assert after != uid
    assert runs.view(shop, after).step(1).outcome == ""  # the dead checks come first again
    assert case_of(shop, case).attempts[0].result == "not known yet"
    await people.walk(person, shop, after)
    closed = await person.post(f"/bench/{after}/close-case", data={"verdict": "repaired"})
    assert closed.status_code == 303
    record = case_of(shop, case)
    assert record.verdict == "repaired"
    assert record.attempts[0].result == "cured"
    standby = [one for one in record.readings if one.rail == "5VSB" and one.supply == "standby"]
    assert [(one.value, one.after_repair) for one in standby] == [(4.2, False), (5.05, True)]
    report = reports.propose(shop, case)
    assert "was replaced" in report["found"]
    assert all(not line["off"] for line in report["readings"])


async def test_the_cautions_come_first_and_only_once_for_a_board(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    answer = await person.post("/bench", data={"family": "HX-210", "soak": "30"})
    where = answer.headers["location"]
    page = await person.get(where)
    assert "a variable autotransformer alone does not isolate" in page.text
    assert (await person.get(f"{where}/steps/1")).headers["location"] == where
    assert (await person.post(f"{where}/steps/1", data={"value": "0"})).status_code == 422
    await person.post(f"{where}/cautions")
    assert "I have read them" not in (await person.get(where)).text


async def test_no_mains_while_a_dead_check_is_missing_or_wrong(shop: Shop, person: httpx.AsyncClient) -> None:
    uid = await people.begin(person)
    early = await people.measure(person, shop, uid, "5VSB in standby", value="5.0")
    assert early.status_code == 422
    assert "Mains stays off" in early.text
    await people.walk(person, shop, uid, until="12V to ground")
    await people.measure(person, shop, uid, "12V to ground", value="0.4")
    early = await people.measure(person, shop, uid, "5VSB in standby", value="5.0")
    assert early.status_code == 422
    assert runs.view(shop, uid).blocked
    assert "output rail shorted to ground" in (await person.get(f"/bench/{uid}")).text.replace("+", " ")


async def test_the_primary_is_measured_with_mains_on_only_where_isolation_is_stated(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    plain = await people.begin(person)
    isolated = await people.begin(person, isolated="yes")
    titles = [{one.step.title for one in runs.view(shop, uid).steps} for uid in (plain, isolated)]
    assert not any("BULK" in title for title in titles[0])
    assert "BULK in standby" in titles[1]
    assert "until an isolating transformer is stated" in (await person.get(f"/bench/{plain}")).text


async def test_two_boards_are_under_test_at_once_and_each_goes_on_where_it_stopped(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    left = await people.begin(person, label="left")
    right = await people.begin(person, label="right")
    await people.measure(person, shop, left, "Bulk capacitor discharged", value="0.1")
    await people.measure(person, shop, right, "Bulk capacitor discharged", value="0.2")
    await people.measure(person, shop, left, "Fuse T3.15A", value="0.2")
    assert runs.view(shop, left).next_number == 3
    assert runs.view(shop, right).next_number == 2
    page = await person.get(f"/bench/{left}/steps/3")
    assert f'href="/bench/{right}/steps/2"' in page.text
    start = await person.get("/bench")
    assert "HX-210, left" in start.text
    assert "HX-210, right" in start.text


async def test_a_reading_in_millivolts_typed_as_volts_is_asked_about_and_not_kept(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="5VSB in standby")
    asked = await people.measure(person, shop, uid, "5VSB in standby", value="5020")
    assert asked.status_code == 422
    assert "5.02 V" in asked.text
    assert not [one for one in case_of(shop, case).readings if one.supply == "standby"]
    meant = await people.measure(
        person, shop, uid, "5VSB in standby", value="5020", meant="5.02 V", answer="meant"
    )
    assert meant.status_code == 303
    assert case_of(shop, case).readings[-1].value == 5.02


@pytest.mark.parametrize(
    ("title", "fields", "words"),
    [
        ("Bulk capacitor discharged", {"value": ""}, "Nothing was entered"),
        ("Bulk capacitor discharged", {"value": "much"}, "is not a number"),
        ("Fuse T3.15A", {"value": "-3"}, "below 0"),
        ("Mains rectifier, forward", {"low": "0.6", "high": "0.5"}, "Swap the two"),
        ("Mains rectifier, forward", {"value": "520"}, "0.52 V"),
    ],
)
async def test_what_cannot_be_meant_is_refused_beside_the_field_and_kept_as_typed(
    shop: Shop, person: httpx.AsyncClient, title: str, fields: dict[str, str], words: str
) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until=title)
    answer = await people.measure(person, shop, uid, title, **fields)
    assert answer.status_code == 422
    assert words in answer.text
    assert all(f'value="{typed}"' in answer.text for typed in fields.values())
    assert not runs.view(shop, uid).step(people.number_of(shop, uid, title)).entries


async def test_a_load_of_nothing_is_refused(shop: Shop, person: httpx.AsyncClient) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until="5VSB under test load")
    answer = await people.measure(person, shop, uid, "5VSB under test load", value="5", load="0")
    assert answer.status_code == 422
    assert "leave this test under load out" in answer.text
    setup = await person.post(
        "/bench", data={"family": "HX-210", "loads.0.rail": "12V", "loads.0.amps": "-1"}
    )
    assert setup.status_code == 422
    assert "must be more than 0" in setup.text


async def test_millivolts_as_a_recorded_extreme_are_refused_with_the_unit_that_was_forgotten(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until="12V unloaded")
    answer = await people.measure(person, shop, uid, "12V unloaded", value="0", high="11480")
    assert answer.status_code == 422
    assert "11.48 V" in answer.text
    assert not runs.view(shop, uid).step(people.number_of(shop, uid, "12V unloaded")).entries


async def test_the_case_shows_its_tests_with_their_verdicts_and_the_issued_reports(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    assert "None yet." in (await person.get(f"/cases/{case}")).text
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="Fuse T3.15A")
    await people.measure(person, shop, uid, "Fuse T3.15A", answer="OL")
    step = await person.get(f"/bench/{uid}/steps/{people.number_of(shop, uid, 'Fuse T3.15A')}")
    assert "Noted in the case: fuse blown." in step.text
    issued = await person.post(f"/cases/{case}/report", data={"asked": "A board.", "action": "issue"})
    page = (await person.get(f"/cases/{case}")).text
    assert f'href="/bench/{uid}"' in page
    assert "Failed on Fuse T3.15A" in page
    assert "under way" in page
    assert f'href="{issued.headers["location"]}"' in page
    assert "fuse blown" in page


async def test_a_failed_ripple_is_on_the_report_though_every_drawn_voltage_is_in_order(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, **{"12V_ripple": {"value": "400 mV"}})
    assert runs.view(shop, uid).verdict.state == "failed"
    report = reports.propose(shop, case)
    assert all(not line["off"] for line in report["readings"])
    assert "Failed: how smooth the voltages are." in report["found"]
    assert "Every supply" not in report["found"]


async def test_a_repair_without_a_test_after_it_is_not_said_to_have_passed(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid)
    fix = Attempt(
        part="C9",
        part_class="electrolytic capacitor",
        section="standby output",
        failure="high ESR",
        action="replace",
        result="cured",
    )
    update = {"attempts": [fix], "verdict": "repaired", "closed": people.TODAY}
    cases.save(shop, case_of(shop, case).model_copy(update=update))
    report = reports.propose(shop, case)
    assert "passed" not in report["means"]
    assert "worn out" in report["found"]
    assert all("before the repair" in line["how"] for line in report["readings"])


async def test_the_printed_sheet_names_the_enable_resistor_and_carries_the_cautions(
    person: httpx.AsyncClient,
) -> None:
    sheet = (await person.get("/bench/sheet?family=HX-210")).text
    assert "Connect 1 kΩ from 5VSB to CN2 pin 3" in sheet
    for caution in cautions_for("energise"):
        assert caution.text in html.unescape(sheet)


async def test_overload_on_a_voltage_range_is_no_absent_rail(shop: Shop, person: httpx.AsyncClient) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until="5VSB in standby")
    answer = await people.measure(person, shop, uid, "5VSB in standby", value="OL")
    assert answer.status_code == 422
    assert "higher range" in answer.text


async def test_a_second_press_of_the_same_button_adds_nothing(shop: Shop, person: httpx.AsyncClient) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    for _ in range(2):
        answer = await person.post(f"/bench/{uid}/steps/1", data={"value": "0.3", "seen": "0"})
        assert answer.status_code == 303
    late = await person.post(f"/bench/{uid}/steps/1", data={"value": "0.4", "seen": "0"})
    assert late.status_code == 412
    assert len(case_of(shop, case).readings) == 1


async def test_an_entry_taken_back_leaves_the_case_as_it_was(shop: Shop, person: httpx.AsyncClient) -> None:
    case = people.add_case(shop)
    before = as_dict(case_of(shop, case))
    uid = await people.begin(person, case=case)
    await people.measure(person, shop, uid, "Bulk capacitor discharged", value="0.3")
    assert as_dict(case_of(shop, case)) != before
    await person.post(f"/bench/{uid}/steps/1/take-back")
    assert as_dict(case_of(shop, case)) == before
    assert runs.view(shop, uid).next_number == 1


async def test_a_pass_names_what_was_left_out_and_is_none_when_nothing_was_loaded(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    discharge = await person.post(f"/bench/{uid}/steps/1/leave-out", data={"reason": "no time"})
    assert discharge.status_code == 422
    for title in ("5VSB ripple", "12V ripple"):
        number = people.number_of(shop, uid, title)
        await person.post(f"/bench/{uid}/steps/{number}/leave-out", data={"reason": "no oscilloscope"})
    await people.walk(person, shop, uid)
    verdict = runs.view(shop, uid).verdict
    assert verdict.state == "passed"
    assert "Left out: 5VSB ripple, 12V ripple." in verdict.sentence
    for title in ("5VSB under test load", "12V under test load"):
        number = people.number_of(shop, uid, title)
        await person.post(f"/bench/{uid}/steps/{number}/leave-out", data={"reason": "no load"})
    verdict = runs.view(shop, uid).verdict
    assert verdict.state == "not finished"
    refused = await person.post(f"/bench/{uid}/close-case", data={"verdict": "no fault found"})
    assert refused.status_code == 422


async def test_a_board_that_was_not_repaired_is_not_closed_as_repaired(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid)
    answer = await person.post(f"/bench/{uid}/close-case", data={"verdict": "repaired"})
    assert answer.status_code == 422
    assert "Add the fix" in answer.text
    assert case_of(shop, case).verdict is None


async def test_a_test_without_a_case_becomes_one_with_all_its_readings(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until="Enable through a resistor")
    answer = await person.post(f"/bench/{uid}/case")
    record = case_of(shop, answer.headers["location"].removeprefix("/cases/"))
    assert [one.value for one in record.readings if one.rail == "5VSB" and one.supply == "standby"] == [5.05]
    assert runs.view(shop, uid).run.case_uid == record.uid


async def test_a_change_of_the_family_does_not_move_the_steps_of_a_test_under_way(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.measure(person, shop, uid, "Bulk capacitor discharged", value="0.3")
    titles = [one.step.title for one in runs.view(shop, uid).steps]
    families.save(
        shop, people.FAMILY.model_copy(update={"rails": people.FAMILY.rails[:1]}), expected_version=1
    )
    assert [one.step.title for one in runs.view(shop, uid).steps] == titles


async def test_the_sheet_carries_cautions_connectors_and_what_was_measured(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.walk(person, shop, uid, until="Enable through a resistor")
    page = await person.get(f"/bench/{uid}/sheet")
    for words in ("autotransformer", "5.05 V", "CN2", "does not call the board safe", "Mains on:"):
        assert words in page.text
    blank = await person.get("/bench/sheet", params={"family": "HX-210"})
    assert "_______" in blank.text


async def test_a_negative_rail_is_tested_by_its_magnitude(shop: Shop, person: httpx.AsyncClient) -> None:
    family = FamilyRecord(
        code="NEG-1",
        isolated=True,
        switch="MOSFET",
        rails=[Rail(name="-12V", role="audio", nominal_v=-12.0, rated_a=0.5, always_on=True)],
    )
    families.save(shop, family)
    uid = await people.begin(person, family="NEG-1")
    for place in runs.view(shop, uid).steps:
        if place.step.stops:
            fields = {**people.GOOD, "Fuse": {"value": "0.2"}, "-12V to ground": {"value": "900"}}
            await people.measure(person, shop, uid, place.step.title, **fields[place.step.title])
    answer = await people.measure(person, shop, uid, "-12V in standby", value="-12.1")
    assert answer.status_code == 303
    assert runs.view(shop, uid).step(people.number_of(shop, uid, "-12V in standby")).outcome == "right"


async def test_bench_tests_and_reports_leave_the_exchange_as_it_was(
    shop: Shop, person: httpx.AsyncClient, tmp_path: Path
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid)
    await person.post(f"/bench/{uid}/close-case", data={"verdict": "no fault found"})
    await person.post(f"/cases/{case}/report", data={"asked": "a test", "action": "issue"})
    lines = list(json_lines.export_lines(shop))
    other = people.new_shop(tmp_path / "other")
    report = json_lines.bring_in(other, iter(line.encode() for line in lines))
    assert report.saved
    assert list(json_lines.export_lines(other)) == lines


async def test_another_version_of_a_report_takes_over_price_and_warranty_and_no_sentence(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    first = {"asked": "First words.", "price": "45.00", "warranty": "three months", "action": "issue"}
    assert (await person.post(f"/cases/{case}/report", data=first)).status_code == 303
    page = await person.get(f"/cases/{case}/report")
    assert 'value="45.00"' in page.text
    assert 'value="three months"' in page.text
    assert "First words." not in page.text
    assert "Version 1, issued" in page.text


async def test_passed_starts_and_soak_speak_for_a_board_in_order(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="5 cold starts")
    before = outcome.in_order(shop, runs.view(shop, uid))
    await people.walk(person, shop, uid)
    after = outcome.in_order(shop, runs.view(shop, uid))
    assert before.probability < after.probability < 0.95
    page = await person.get(f"/bench/{uid}")
    assert "(5 made)" in page.text
    assert "(30 min so far)" in page.text
    assert "may still have been missed" in page.text


async def test_an_issued_report_stays_as_it_was_when_another_is_written(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    first = await person.post(f"/cases/{case}/report", data={"asked": "the first words", "action": "issue"})
    await person.post(f"/cases/{case}/report", data={"asked": "half a thought", "action": "draft"})
    second = await person.post(f"/cases/{case}/report", data={"asked": "other words", "action": "issue"})
    assert first.headers["location"] != second.headers["location"]
    assert "the first words" in (await person.get(first.headers["location"])).text
    assert "half a thought" not in (await person.get(f"/cases/{case}/report")).text
    empty = await person.post(f"/cases/{case}/report", data={"action": "issue"})
    assert empty.status_code == 422
    long = await person.post(f"/cases/{case}/report", data={"asked": "x" * 3001, "action": "issue"})
    assert long.status_code == 422
    assert "x" * 3001 in long.text


async def test_the_label_holds_the_address_of_its_case(shop: Shop, person: httpx.AsyncClient) -> None:
    case = people.add_case(shop)
    page = await person.get(f"/cases/{case}/label")
    assert "http://127.0.0.1/cases/case-1" in page.text
    code = await person.get(f"/cases/{case}/label.svg")
    assert code.headers["content-type"].startswith("image/svg+xml")
    assert code.content == reports.label_code("http://127.0.0.1/cases/case-1")
    assert b"style" not in code.content
    assert (await person.get("/cases/none/label.svg")).status_code == 404


async def test_loads_are_added_changed_and_taken_off_the_shelf(shop: Shop, person: httpx.AsyncClient) -> None:
    sent = {
        "name": "lamp 5 W",
        "kind": "lamp",
        "count": "6",
        "points": "6 V 0.29 A\n12; 0,42",
        "max_w": "6 W",
    }
    assert (await person.post("/loads", data=sent)).status_code == 303
    page = await person.get("/loads", params={"name": "lamp 5 W"})
    assert "12 V 0.42 A" in page.text
    assert (await person.post("/loads", data={"remove": "lamp 5 W"})).status_code == 303
    assert (await person.get("/loads", params={"name": "lamp 5 W"})).status_code == 404


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "resistor", "ohm": "0 Ω"}, "not above 0"),
        ({"kind": "resistor"}, "missing for a resistor"),
        ({"kind": "lamp", "points": ""}, "missing for a lamp"),
        ({"kind": "lamp", "points": "12 V"}, "one voltage and one current"),
        ({"kind": "lamp", "points": "12 V 2 A\n6 V 3 A"}, "do not rise"),
        ({"kind": "electronic"}, "missing for an electronic load"),
        ({"kind": "resistor", "ohm": "10", "count": "none"}, "is no count"),
        ({"kind": "resistor", "ohm": "10", "max_w": "hot"}, "is no power"),
    ],
)
async def test_an_impossible_load_is_refused_with_its_field(
    shop: Shop, person: httpx.AsyncClient, fields: dict[str, str], words: str
) -> None:
    answer = await person.post("/loads", data={"name": "odd one", "count": "1", **fields})
    assert answer.status_code == 422
    assert words in answer.text
    assert "odd one" in answer.text


async def test_the_load_plan_of_a_family_warns_of_cold_filaments(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    await person.post("/loads", data={"remove": people.RESISTOR.name})
    page = await person.get("/loads/plan", params={"family": "HX-210", "share": "60"})
    assert page.status_code == 200
    assert "Cold filaments draw about" in page.text
    assert "put more filaments in series" in page.text
    assert "of its rating" in page.text
    unknown = await person.get("/loads/plan", params={"family": "nothing"})
    assert unknown.status_code == 422


async def test_loads_are_planned_again_from_the_shelf_inside_a_running_test(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person, **{"loads.0.rail": "12V", "loads.0.amps": "1 A"})
    page = await person.get("/loads/plan", params={"run": uid})
    assert 'value="1 A"' in page.text
    wanted = {
        "run": uid,
        "rail": ["5VSB", "12V"],
        "volts": ["5 V", "12 V"],
        "amps": ["", "1.2 A"],
        "pinned": ["", people.RESISTOR.name.upper()],
    }
    page = await person.get("/loads/plan", params=wanted)
    assert "Use these loads in the test of" in page.text
    sent = {
        name: html.unescape(value)
        for name, value in re.findall(r'name="(loads\.[^"]+)" value="([^"]*)"', page.text)
    }
    assert (await person.post(f"/bench/{uid}/loads", data=sent)).status_code == 303
    kept = runs.view(shop, uid).run.loads
    assert kept == {"12V": {"amps": 1.2, "what": people.RESISTOR.name, "kind": "resistor"}}
    await people.walk(person, shop, uid, until="12V under test load")
    await people.measure(person, shop, uid, "12V under test load", value="11.9", connected="two of 22 ohm")
    assert "with two of 22 ohm" in (await person.get(f"/bench/{uid}/sheet")).text


async def test_a_plan_becomes_the_loads_of_a_new_test(shop: Shop, person: httpx.AsyncClient) -> None:
    page = await person.get("/loads/plan", params={"family": "HX-210", "share": "40"})
    assert "Begin a test with these loads" in page.text
    sent = {
        name: html.unescape(value)
        for name, value in re.findall(r'name="(loads\.[^"]+)" value="([^"]*)"', page.text)
    }
    page = await person.get("/bench/new", params={"family": "HX-210", **sent})
    assert f'value="{people.RESISTOR.name}"' in page.text
    assert 'value="1.2 A"' in page.text


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"first": "99V"}, "99V is none of the rails that are planned"),
        ({"without": "no such"}, "There is no load named no such on the shelf"),
        ({"pinned": ["no such", ""]}, "There is no load named no such on the shelf"),
        ({"pinned": ["lamp 21 W", "lamp 21 W"]}, "lamp 21 W is pinned to two rails"),
        ({"pinned": ["lamp 21 W", ""], "without": "lamp 21 W"}, "pinned to a rail and left on the shelf"),
    ],
)
async def test_a_wish_that_cannot_be_is_refused_and_never_passed_over(
    shop: Shop, person: httpx.AsyncClient, asked: dict[str, str | list[str]], words: str
) -> None:
    rails = {"rail": ["5VSB", "12V"], "volts": ["", ""], "amps": ["0.5 A", "1.2 A"], "pinned": ["", ""]}
    page = await person.get("/loads/plan", params={"family": "HX-210", **rails, **asked})
    assert page.status_code == 422
    assert words in page.text


async def test_the_helpers_answer_on_the_values_of_the_family(shop: Shop, person: httpx.AsyncClient) -> None:
    page = await person.get("/helpers/discharge", params={"family": "hx210"})
    assert "120 µF at 385 V" in page.text
    assert "measure before touching" in page.text
    page = await person.get(
        "/helpers/capacitor", params={"rated_f": "1000 µF", "rated_v": "25 V", "measured_esr_ohm": "0.19"}
    )
    assert "Typical, makers differ" in page.text
    refused = await person.get("/helpers/discharge", params={"farads": "2,200 µF", "volts": "25"})
    assert refused.status_code == 422
    zero = await person.get("/helpers/discharge", params={"farads": "1 µF", "volts": "25", "ohms": "0"})
    assert zero.status_code == 422
    assert "never short a capacitor" in zero.text


async def test_a_meter_log_becomes_a_reading_of_a_case(shop: Shop, person: httpx.AsyncClient) -> None:
    case = people.add_case(shop)
    rows = "".join(f"{second};{'11,9' if second % 4 < 2 else '0,1'}\n" for second in range(40))
    sent = {
        "text": f"Zeit;Spannung\n{rows}",
        "case": case,
        "rail": "12v",
        "supply": "running",
        "load": "none",
    }
    page = await person.post("/helpers/log", data=sent)
    assert page.status_code == 200
    assert "40 readings" in page.text
    assert "comes up every" in page.text
    kept = httpx.Response(200, text=page.text).text.split('name="take" value="')[1].split('"')[0]
    taken = await person.post("/helpers/log/take", data={"case": case, "take": kept.replace("&#34;", '"')})
    assert taken.status_code == 303
    reading = case_of(shop, case).readings[-1]
    assert (reading.rail, reading.min, reading.max, reading.value) == ("12V", 0.1, 11.9, None)


async def test_the_picture_of_a_steady_log_shows_its_drift_and_that_of_a_cycling_one_its_zero(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    steady = "".join(f"{second};{12.1 - second * 0.01:.2f}\n" for second in range(11))
    page = await person.post("/helpers/log", data={"text": steady})
    assert "11.85 V to 12.25 V, bottom to top" in page.text
    assert "Comes up every" not in page.text
    cycling = "".join(f"{second};{12 if second % 4 < 2 else 0}\n" for second in range(40))
    page = await person.post("/helpers/log", data={"text": cycling})
    assert "0 V to 12 V, bottom to top" in page.text
    assert "Comes up every" in page.text


async def test_a_meter_log_is_entered_at_a_step_of_a_test(shop: Shop, person: httpx.AsyncClient) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case, **{"loads.0.rail": "12V", "loads.0.amps": "1.5 A"})
    await people.walk(person, shop, uid, until="12V under test load")
    where = {"run": uid, "step": str(people.number_of(shop, uid, "12V under test load"))}
    page = await person.get("/helpers/log", params=where)
    assert "12V under test load, HX-210" in page.text
    page = await person.post("/helpers/log", data={**where, "text": "0;11.9\n1;12.0\n2;11.8"})
    kept = page.text.split('name="take" value="')[1].split('"')[0].replace("&#34;", '"')
    taken = await person.post("/helpers/log/take", data={**where, "take": kept})
    assert taken.headers["location"] == f"/bench/{uid}/steps/{where['step']}"
    place = runs.view(shop, uid).step(int(where["step"]))
    assert (place.outcome, place.entries[-1].load_a) == ("right", 1.5)
    assert case_of(shop, case).readings[-1].min == 11.8


async def test_a_family_that_is_not_known_is_asked_for_again(person: httpx.AsyncClient) -> None:
    page = await person.get("/bench/new", params={"family": "XX-99"})
    assert page.status_code == 404
    assert 'value="XX-99"' in page.text


@pytest.mark.parametrize("text", ["", "no numbers here\nat all", "0,5,4,98\n0,6,4,97"])
async def test_a_log_that_cannot_be_read_is_shown_again_as_it_was(
    shop: Shop, person: httpx.AsyncClient, text: str
) -> None:
    page = await person.post("/helpers/log", data={"text": text, "supply": "running", "load": "none"})
    assert page.status_code == 422
    assert text in page.text


async def test_a_log_of_a_million_rows_is_read_from_a_file(shop: Shop, person: httpx.AsyncClient) -> None:
    lines = "\n".join(f"{number / 10:.1f},{5 + number % 7 / 100:.2f}" for number in range(1_000_000))
    with anyio.fail_after(30):
        page = await person.post(
            "/helpers/log",
            data={"supply": "running", "load": "none"},
            files={"file": ("log.csv", lines.encode(), "text/csv")},
        )
    assert page.status_code == 200
    assert "1 000 000 readings" in page.text
    assert len(page.text) < 100_000


async def test_addresses_of_nothing_are_answered_plainly(shop: Shop, person: httpx.AsyncClient) -> None:
    uid = await people.begin(person)
    for address, status, words in (
        ("/bench/none", 404, "There is no such bench test."),
        (f"/bench/{uid}/steps/999", 422, "This test has no step 999."),
        ("/reports/none", 404, "There is no such report."),
        ("/cases/none/report", 404, "There is no case none."),
        ("/bench/new?case=none", 404, "There is no case none."),
    ):
        answer = await person.get(address)
        assert (answer.status_code, words in html.unescape(answer.text)) == (status, True), address


async def test_nothing_moves_on_from_a_charged_capacitor_but_a_deliberate_act(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.measure(person, shop, uid, "Bulk capacitor discharged", value="38")
    view = runs.view(shop, uid)
    assert view.next_number == 1
    assert view.verdict.state == "not finished"
    page = (await person.get(f"/bench/{uid}/steps/1")).text
    assert "Next:" not in page
    assert "down to 5 V, which this step wants" in page
    assert "the voltage comes back" in page
    first = page[page.index("data-focus-first") - 200 :]
    assert "Measure again" in first[:400]
    refused = await people.measure(person, shop, uid, "Fuse T3.15A", value="0.2")
    assert refused.status_code == 422
    assert "nothing moves on from it by itself" in refused.text
    assert (await person.post(f"/bench/{uid}/steps/1/go-on", data={"reason": " "})).status_code == 422
    on = await person.post(f"/bench/{uid}/steps/1/go-on", data={"reason": "meter shows a leakage"})
    assert on.status_code == 303
    assert runs.view(shop, uid).run.setup["went_on"] == {"unpowered.bulk": "meter shows a leakage"}
    assert "meter shows a leakage" in (await person.get(f"/bench/{uid}/steps/1")).text
    assert (await people.measure(person, shop, uid, "Fuse T3.15A", value="0.2")).status_code == 303
    powered = await people.measure(person, shop, uid, "First energising, current limited", answer="dark")
    assert powered.status_code == 422
    assert "Mains stays off" in powered.text


@pytest.mark.parametrize("isolated", [None, False])
async def test_a_board_that_is_not_known_to_be_isolated_gets_no_power_without_a_transformer(
    shop: Shop, person: httpx.AsyncClient, isolated: bool | None
) -> None:
    families.save(
        shop, people.FAMILY.model_copy(update={"isolated": isolated, "notes": "0 V sits on the neutral."})
    )
    setup = (await person.get("/bench/new?family=HX-210")).text
    assert ("Are the outputs of HX-210 isolated" in setup) is (isolated is None)
    answer = await person.post("/bench", data={"family": "HX-210", "soak": "30"})
    uid = answer.headers["location"].removeprefix("/bench/")
    first = (await person.get(f"/bench/{uid}")).text
    assert "0 V sits on the neutral." in first
    assert "nothing is measured on the mains side" not in first
    assert "a variable autotransformer does not isolate" in first
    await person.post(f"/bench/{uid}/cautions")
    await people.walk(person, shop, uid)
    view = runs.view(shop, uid)
    assert view.next_number is None
    assert view.verdict.state == "not finished"
    refused = await people.measure(person, shop, uid, "First energising, current limited", answer="dark")
    assert refused.status_code == 422
    assert "isolated from the mains" in refused.text
    await person.post(f"/bench/{uid}/isolation")
    stated = runs.view(shop, uid)
    assert stated.run.isolated
    number = stated.next_number
    assert number is not None
    page = (await person.get(f"/bench/{uid}/steps/{number}")).text
    assert "lies on the mains side of the board" in page
    assert "BULK in standby" in {one.step.title for one in stated.steps}


async def test_the_answer_to_whether_the_outputs_are_isolated_is_kept_with_the_family(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    families.save(shop, people.FAMILY.model_copy(update={"isolated": None}))
    await people.begin(person, outputs_isolated="yes")
    assert families.get(shop, "HX-210")[0].isolated is True


async def test_a_junction_measured_in_ohms_says_so_and_a_run_of_pins_is_read(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    case = people.add_case(shop)
    uid = await people.begin(person, case=case)
    await people.walk(person, shop, uid, until="Main switch, forward")
    await people.measure(person, shop, uid, "Main switch, forward", value="0.02 Ω")
    kept = case_of(shop, case).readings[-1]
    assert (kept.point, kept.quantity, kept.value) == ("main switch", "ohm", 0.02)
    assert runs.view(shop, uid).blocked
    typed = {
        "code": "PIN-1",
        "rails.0.name": "5V",
        "rails.0.nominal_v": "5",
        "rails.0.ripple_mv": "50",
        "rails.0.pins": "1-5, 8",
        "bulk_uf": "100",
        "isolated": "no",
        "save": "yes",
    }
    assert (await person.post("/families", data=typed)).status_code == 303
    record, _ = families.get(shop, "PIN-1")
    assert (record.rails[0].ripple_mv, record.bulk_uf, record.isolated) == (50.0, 100.0, False)
    assert record.rails[0].pins == [1, 2, 3, 4, 5, 8]
    asked = await person.post("/families", data={**typed, "code": "PIN-2", "bulk_uf": "100 F"})
    assert asked.status_code == 422
    assert "hardly meant" in asked.text


async def test_a_step_beyond_a_charged_capacitor_shows_why_nothing_may_be_entered(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    await people.measure(person, shop, uid, "Bulk capacitor discharged", value="38")
    fuse = people.number_of(shop, uid, "Fuse T3.15A")
    page = await person.get(f"/bench/{uid}/steps/{fuse}")
    assert "is wrong, and nothing moves on from it by itself" in page.text
    assert "Go to: Bulk capacitor discharged" in page.text
    assert "What the meter shows" not in page.text
    await people.measure(person, shop, uid, "Bulk capacitor discharged", value="0.4")
    page = await person.get(f"/bench/{uid}/steps/{fuse}")
    assert "What the meter shows" in page.text
    assert "Go to:" not in page.text


async def test_where_a_board_stands_says_how_likely_nothing_is_wrong_and_what_would_settle_it(
    shop: Shop, person: httpx.AsyncClient
) -> None:
    uid = await people.begin(person)
    fresh = await person.get(f"/bench/{uid}")
    assert "Is it in order?" not in fresh.text
    await people.walk(person, shop, uid)
    page = await person.get(f"/bench/{uid}")
    assert "Is it in order?" in page.text
    assert re.search(r"That nothing is wrong with it: <strong>\d+", page.text)
    assert (
        "What would settle it: ten starts (5 made); an hour under load (30 min so far); "
        "the complaint tried in the set." in page.text
    )


async def test_the_set_up_warns_of_lamps_that_a_rail_cannot_start(person: httpx.AsyncClient) -> None:
    page = await person.get("/bench/new?family=HX-210&share=100")
    assert "Cold filaments draw" in page.text
