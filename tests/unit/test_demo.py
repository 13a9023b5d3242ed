"""The demo store: repeatable, within the contract's words, and shaped like a real bench's ten years."""

from __future__ import annotations

import itertools
import json
import re
import tracemalloc
from collections import Counter, defaultdict
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from demo_town import generator
from demo_town.complaints import MISSPELLINGS, PHRASES
from demo_town.fault_kind import FaultKind
from demo_town.generator import CASES, LAST_DAY, SEED, START, generate, lines
from demo_town.weak_points import WEAK_POINTS
from demo_town.world import FAMILIES

from kb.exchange.lines import read_record, write
from kb.facts import parts, symptoms, vocabulary
from kb.facts.values import parse_quantity
from kb.model import ShelfPartRecord

DEMO_FILE = Path(__file__).parents[2] / "seed_data" / "demo.jsonl"
QUANTITIES = set(vocabulary.values(vocabulary.QUANTITIES))
SUPPLIES = set(vocabulary.values(vocabulary.SUPPLY_STATES))
LOADS = set(vocabulary.values(vocabulary.LOADS))
SYMPTOMS = {symptom.name for symptom in symptoms.SYMPTOMS}
PART_CLASSES = {part.name for part in parts.PART_CLASSES}
FIELDS = {
    "family": "record code kind aliases mains_v bulk_v bulk_uf fuse isolated switch rails connectors enable tips "
    "revisions used_in pin_values notes",
    "case": "record uid family revision received closed verdict complaint customer worker waiting_for "
    "waiting_since symptoms readings attempts follow_ups quote notes",
    "shelf_part": " ".join(ShelfPartRecord.model_fields),
    "load": "record name kind points ohm tolerance_pct max_w max_v max_a count",
    "rail": "name role nominal_v tolerance_pct rated_a ripple_mv always_on connector pins ground_pins",
    "reading": "rail point quantity supply load value min max written",
    "attempt": "part part_class section failure action result cost minutes",
}


@cache
def records() -> tuple[dict[str, Any], ...]:
    return tuple(json.loads(line) for line in DEMO_FILE.read_text("utf-8").splitlines())


def of_kind(kind: str) -> list[dict[str, Any]]:
    return [record for record in records() if record["record"] == kind]


def cases() -> list[dict[str, Any]]:
    return of_kind("case")


def repaired() -> list[dict[str, Any]]:
    return [case for case in cases() if case.get("verdict") == "repaired"]


def known(kind: str) -> set[str]:
    return set(FIELDS[kind].split())


def test_the_same_seed_gives_the_same_bytes() -> None:
    assert "".join(lines(generate(5, 300, 40))) == "".join(lines(generate(5, 300, 40)))


def test_another_seed_gives_other_cases() -> None:
    assert "".join(lines(generate(5, 50))) != "".join(lines(generate(6, 50)))


def test_the_committed_file_is_what_the_generator_makes() -> None:
    made = "".join(lines(generate(SEED, CASES)))
    assert DEMO_FILE.read_bytes() == made.encode(), "remake it as seed_data/README.md says"


def test_families_come_first_then_loads_then_the_shelf_then_cases() -> None:
    order = [kind for kind, _ in itertools.groupby(record["record"] for record in records())]
    assert order == ["family", "load", "shelf_part", "case"]


def test_there_is_enough_of_everything() -> None:
    assert len(of_kind("family")) >= 14
    assert len({family["kind"] for family in of_kind("family")}) >= 7
    assert len(of_kind("load")) == 6
    assert len(cases()) >= 400
    days = sorted(case["received"] for case in cases())
    assert (date.fromisoformat(days[-1]) - date.fromisoformat(days[0])).days > 9 * 365
    assert min(Counter(day[:4] for day in days if "2016" < day[:4] < "2026").values()) >= 25


def test_no_field_is_outside_the_contract_and_none_is_empty() -> None:
    for record in records():
        assert set(record) <= known(record["record"])
        for rail in record.get("rails", ()):
            assert set(rail) <= known("rail")
        for reading in record.get("readings", ()):
            assert set(reading) <= known("reading")
        for attempt in record.get("attempts", ()):
            assert set(attempt) <= known("attempt")
        assert all(
            value not in (None, "", [], {}, False) for name, value in record.items() if name != "isolated"
        )


def test_every_value_is_in_the_vocabulary() -> None:
    for family in of_kind("family"):
        assert family["kind"] in vocabulary.BOARD_KINDS
        assert {rail["role"] for rail in family["rails"]} <= set(vocabulary.values(vocabulary.RAIL_ROLES))
    for case in cases():
        assert case.get("verdict") in (None, *vocabulary.values(vocabulary.VERDICTS))
        assert {symptom["name"] for symptom in case["symptoms"]} <= SYMPTOMS
        for reading in case.get("readings", ()):
            assert reading["quantity"] in QUANTITIES
            assert reading["supply"] in SUPPLIES
            assert reading["load"] in LOADS
        for attempt in case.get("attempts", ()):
            assert attempt["part_class"] in PART_CLASSES
            assert attempt["section"] in vocabulary.values(vocabulary.SECTIONS)
            assert attempt["result"] in vocabulary.values(vocabulary.RESULTS)
            assert attempt["action"] in vocabulary.ACTIONS
            assert attempt.get("failure") in (None, *vocabulary.FAILURE_MODES)
        for follow_up in case.get("follow_ups", ()):
            assert follow_up["state"] in vocabulary.values(vocabulary.FOLLOW_UP_STATES)


def test_the_phrases_are_filed_under_symptoms_that_exist() -> None:
    assert set(PHRASES) <= SYMPTOMS
    assert {name for family in FAMILIES for name, _ in family.says} <= SYMPTOMS
    assert {name for family in FAMILIES for name in (family.missing, family.unsteady)} <= SYMPTOMS


def test_dates_are_in_order_and_none_is_in_the_future() -> None:
    for case in cases():
        days = [case["received"], case.get("closed", case["received"])]
        assert days == sorted(days)
        news = [follow_up["date"] for follow_up in case.get("follow_ups", ())]
        assert news == sorted(news)
        assert not news or news[0] >= case["closed"]
        assert START.isoformat() <= days[0]
        assert max(days + news) <= LAST_DAY.isoformat()


def test_a_case_is_open_exactly_while_it_has_neither_day_nor_verdict() -> None:
    assert all(("closed" in case) == ("verdict" in case) for case in cases())
    still_open = [case for case in cases() if "closed" not in case]
    assert 3 <= len(still_open) <= 15
    assert not any(a["result"] == "cured" for case in still_open for a in case.get("attempts", ()))


def test_verdicts_come_in_believable_shares() -> None:
    shares = {
        verdict: count / len(cases()) for verdict, count in Counter(c.get("verdict") for c in cases()).items()
    }
    assert 0.09 <= shares["no fault found"] <= 0.15
    assert 0.03 <= shares["not economical"] + shares["not repairable"] <= 0.09
    assert 0.72 <= shares["repaired"] <= 0.86


def test_follow_ups_come_in_believable_shares() -> None:
    first = Counter(case["follow_ups"][0]["state"] if "follow_ups" in case else "" for case in repaired())
    shares = {state: count / len(repaired()) for state, count in first.items()}
    assert 0.40 <= shares["still working"] <= 0.60
    assert 0.03 <= shares["came back with the same fault"] <= 0.08
    assert 0.01 <= shares["came back with another fault"] <= 0.05


def test_a_repaired_board_ends_with_its_cure_and_only_it_has_one() -> None:
    for case in cases():
        results = [attempt["result"] for attempt in case.get("attempts", ())]
        assert results.count("cured") == (case.get("verdict") == "repaired")
        if "cured" in results:
            assert results[-1] == "cured"


def test_a_good_many_boards_were_first_treated_in_vain() -> None:
    assert 0.10 <= sum(len(case["attempts"]) > 1 for case in repaired()) / len(repaired()) <= 0.35


def test_every_family_has_a_weak_point_that_stands_out() -> None:
    assert set(WEAK_POINTS) == {family.code for family in FAMILIES}
    for points in WEAK_POINTS.values():
        weights = sorted((point.weight for point in points), reverse=True)
        assert 5 <= len(weights) <= 9
        assert weights[0] >= 1.4 * weights[1]
    cures: dict[str, Counter[str]] = defaultdict(Counter)
    for case in repaired():
        cures[case["family"]][case["attempts"][-1]["part"]] += 1
    for code, counted in cures.items():
        weakest = max(WEAK_POINTS[code], key=lambda point: point.weight).part
        assert counted.total() >= 8, code
        assert counted[weakest] == max(counted.values()), (code, counted)
        assert counted[weakest] >= 0.22 * counted.total(), (code, counted)


def test_the_timetable_display_supply_ticks_for_its_standby_capacitor() -> None:
    family = next(family for family in of_kind("family") if family["code"] == "HX-210")
    assert family["aliases"] == ["HX210-R2", "LP-77 display"]
    assert family["kind"] == "power supply"
    ticking = Counter(
        case["attempts"][-1]["part"]
        for case in repaired()
        if case["family"] == "HX-210" and {"name": "relay clicks repeatedly"} in case["symptoms"]
    )
    assert ticking["C9"] >= 5
    assert ticking["C9"] >= 0.8 * ticking.total()


def test_pins_exist_on_their_connector_and_serve_one_purpose() -> None:
    for family in of_kind("family"):
        sizes = {connector["name"]: connector["pins"] for connector in family.get("connectors", ())}
        used: set[tuple[str, int]] = set()
        for rail in family["rails"]:
            for pin in rail.get("pins", ()):
                assert 1 <= pin <= sizes[rail["connector"]], (family["code"], rail["name"])
                assert (rail["connector"], pin) not in used, (family["code"], rail["name"])
                used.add((rail["connector"], pin))
        for rail in family["rails"]:
            for pin in rail.get("ground_pins", ()):
                assert 1 <= pin <= sizes[rail["connector"]], (family["code"], rail["name"])
                assert (rail["connector"], pin) not in used, (family["code"], rail["name"])
        if "enable" in family:
            enable = family["enable"]
            assert enable["from_rail"] in {rail["name"] for rail in family["rails"] if rail.get("always_on")}
            assert (enable["connector"], enable["pin"]) not in used


def test_readings_name_a_rail_of_their_family_or_a_point() -> None:
    rails = {family["code"]: {rail["name"] for rail in family["rails"]} for family in of_kind("family")}
    for case in cases():
        for reading in case.get("readings", ()):
            assert ("rail" in reading) != ("point" in reading)
            assert reading.get("rail", next(iter(rails[case["family"]]))) in rails[case["family"]]
            assert ("min" in reading) == ("max" in reading)
            assert (
                reading.get("min", reading["value"])
                <= reading["value"]
                <= reading.get("max", reading["value"])
            )
            assert reading["supply"] != "unpowered" or reading["load"] == "none"


def test_a_board_in_order_reads_within_its_tolerance() -> None:
    rails = {(f["code"], rail["name"]): rail for f in of_kind("family") for rail in f["rails"]}
    hunts = {(family.code, rail) for family in FAMILIES for rail in family.hunts}
    seen = 0
    for case in cases():
        for reading in case.get("readings", ()):
            key = (case["family"], reading.get("rail", ""))
            plain = key in rails and reading["quantity"] == "dc_v" and reading["supply"] == "running"
            if (
                case.get("verdict") == "no fault found"
                and plain
                and (key not in hunts or reading["load"] != "none")
            ):
                rail = rails[key]
                window = rail.get("tolerance_pct", 5) / 100 * abs(rail["nominal_v"])
                assert abs(reading["value"] - rail["nominal_v"]) <= window + 1e-9, (case["uid"], reading)
                seen += 1
    assert seen >= 50


PREFIXES = {"": 0, "M": 6, "k": 3, "m": -3, "µ": -6, "n": -9}


def meaning(text: str) -> Decimal:
    """The number meant by what a person wrote, in SI units; read here independently of the product."""
    infix = re.fullmatch(r"(-?\d+)([VRkM])(\d+)", text)
    if infix:
        return Decimal(f"{infix[1]}.{infix[3]}").scaleb(PREFIXES.get(infix[2], 0))
    found = re.fullmatch(r"(-?[\d.,]+) ?([Mkmµn]?)(Vpp|V|Ω|F|A|Hz|°C)", text)
    assert found, text
    return Decimal(found[1].replace(",", ".")).scaleb(PREFIXES[found[2]])


def test_what_the_person_wrote_means_the_stored_value() -> None:
    wrote = [reading for case in cases() for reading in case.get("readings", ()) if "written" in reading]
    assert len(wrote) >= 100
    for reading in wrote:
        assert float(meaning(reading["written"])) == pytest.approx(reading["value"], rel=1e-9, abs=1e-15), (
            reading
        )
        assert not re.search(r"\d[.,]\d{3}(?!\d).*,|,\d{3}(?!\d)", reading["written"]), "ambiguous comma"
    styles = " ".join(reading["written"] for reading in wrote)
    assert re.search(r"\dV\d", styles)
    assert re.search(r"\d,\d", styles)
    assert re.search(r"\d ?mVpp", styles)


PARSED_AS = {"ohm": "ohm", "esr_ohm": "ohm", "farad": "F", "amp": "A", "hz": "Hz", "celsius": "degC"}


def test_the_product_reads_what_the_person_wrote_as_the_stored_value() -> None:
    for case in cases():
        for reading in case.get("readings", ()):
            if "written" in reading:
                unit = PARSED_AS.get(reading["quantity"], "V")
                assert float(parse_quantity(reading["written"], unit)) == reading["value"], reading


def test_the_product_reads_every_line_of_the_demo_and_writes_the_same() -> None:
    for line in DEMO_FILE.read_text("utf-8").splitlines():
        record = json.loads(line)
        again = json.loads(write(read_record(record)))
        for rail in again.get("rails", ()):
            rail["always_on"] = rail.get("always_on", False)
        for rail in record.get("rails", ()):
            rail.setdefault("always_on", False)
        assert again == record


def test_costs_have_two_decimals_and_minutes_are_whole() -> None:
    for case in cases():
        for attempt in case.get("attempts", ()):
            assert round(attempt.get("cost", 0), 2) == attempt.get("cost", 0)
            assert isinstance(attempt["minutes"], int)
            assert attempt["minutes"] > 0


def test_complaints_differ_and_are_misspelt_as_people_do() -> None:
    said = [case["complaint"] for case in cases()]
    assert len(set(said)) >= 0.97 * len(said)
    slips = {slip for slips in MISSPELLINGS.values() for slip in slips}
    misspelt = sum(any(slip in re.split(r"[\s,.;:?()]+", text) for slip in slips) for text in said)
    assert misspelt >= 30


def test_identifiers_are_unique_also_in_a_large_store() -> None:
    seen = {record["uid"] for record in generate(2, 3000, 30) if record["record"] == "case"}
    assert len(seen) == 3000
    assert len({case["uid"] for case in cases()}) == len(cases())


def test_more_families_than_written_are_varied_and_have_codes_of_their_own() -> None:
    made = [json.loads(line) for line in itertools.islice(lines(generate(3, 0, 400)), 400)]
    assert {record["record"] for record in made} == {"family"}
    assert len(made) == 400
    assert len({record["code"] for record in made}) == 400
    names = [name for record in made for name in (record["code"], *record.get("aliases", ()))]
    assert len(names) == len(set(names))


def test_a_shorter_span_of_years_ends_on_the_day_asked_for() -> None:
    last = date(2020, 6, 30)
    made = list(generate(4, 200, None, last))
    assert max(record["received"] for record in made if record["record"] == "case") > "2020-05"
    for record in made:
        days = [record.get("received", ""), record.get("closed", "")]
        days += re.findall(r'"date": "([\d-]+)"', json.dumps(record.get("follow_ups", [])))
        assert max(str(day) for day in days) <= last.isoformat()


def test_a_fault_kind_with_an_unknown_symptom_is_refused() -> None:
    with pytest.raises(ValueError, match="not on the symptom list"):
        FaultKind("x", "relay", "enable and relay", "open", symptoms="sings at night 50")
    with pytest.raises(ValueError, match="cannot read"):
        FaultKind("x", "relay", "enable and relay", "open", symptoms="dead 50", rails="standby strange 5-6")


def test_cases_are_made_one_by_one_in_bounded_memory() -> None:
    tracemalloc.start()
    peaks = []
    for size in (500, 3_000):
        tracemalloc.reset_peak()
        before = tracemalloc.get_traced_memory()[0]
        for _ in generator.generate(1, size, 30):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1] - before)
    tracemalloc.stop()
    assert peaks[1] < peaks[0] + 600_000
