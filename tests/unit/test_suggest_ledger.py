"""The ledger: what counts, and that everything counted can be taken back."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from known_world import World, cases_of
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, counts_of, fix, ledger_of, low_standby

from kb.errors import BadInput
from kb.suggest import Evidence, Ledger, Settings, fix_records, rank
from kb.suggest.snapshot import contents, from_bytes, pack, to_bytes


def cured_of_tried(ledger: Ledger, fault: tuple[str, str]) -> tuple[int, int]:
    return next(
        (one.cured, one.tried) for one in fix_records(ledger) if (one.section, one.part_class) == fault
    )


def test_the_last_cured_try_is_the_fault() -> None:
    ledger = ledger_of(case("a", tries=(fix(SWITCH), fix(CAP), fix(SCHOTTKY, "no change"))))
    assert counts_of(ledger)["faults"] == {CAP: 1}
    assert cured_of_tried(ledger, SWITCH) == (1, 1)
    assert cured_of_tried(ledger, SCHOTTKY) == (0, 1)


def test_a_case_without_a_cure_counts_its_tries_but_is_no_evidence() -> None:
    ledger = ledger_of(
        case("a", tries=(fix(CAP, "improved"), fix(SWITCH, "worse"), fix(SCHOTTKY, "not known yet")))
    )
    counts = counts_of(ledger)
    assert counts["faults"] == {}
    assert counts["items"] == {}
    assert cured_of_tried(ledger, CAP) == (0, 1)
    assert cured_of_tried(ledger, SWITCH) == (0, 1)
    assert cured_of_tried(ledger, SCHOTTKY) == (0, 0)


def test_several_parts_of_one_fault_on_one_board_are_one_try() -> None:
    ledger = ledger_of(
        case("a", tries=(fix(CAP, part="C9"), fix(CAP, part="C10"), fix(CAP, "no change", part="C11")))
    )
    assert cured_of_tried(ledger, CAP) == (1, 1)
    (record,) = fix_records(ledger, "HX-210")
    assert record.parts == (("C10", 1), ("C9", 1))


def test_a_board_that_came_back_within_the_warranty_was_not_cured() -> None:
    kept, returned = case("a", same_fault_return_days=366), case("b", same_fault_return_days=365)
    ledger = ledger_of(kept, returned)
    assert cured_of_tried(ledger, CAP) == (1, 2)
    assert counts_of(ledger)["faults"] == {CAP: 1}
    shorter = ledger_of(kept, returned, warranty_days=90)
    assert cured_of_tried(shorter, CAP) == (2, 2)
    assert shorter.known == 2


def test_settings_for_another_warranty_are_refused() -> None:
    with pytest.raises(ValueError, match="warranty of 90 days"):
        rank(ledger_of(case("a"), warranty_days=90), Evidence(), Settings())


def test_a_symptom_noted_both_ways_in_a_case_says_nothing() -> None:
    ledger = ledger_of(case("a", symptoms=(("hum", True), ("hum", False), ("dead", True)), rails=()))
    assert list(counts_of(ledger)["items"]) == [("dead", CAP)]


def test_the_same_noting_twice_counts_once_but_two_rails_of_a_role_count_both() -> None:
    ledger = ledger_of(
        case("a", symptoms=(("dead", True),) * 3, rails=(low_standby(), low_standby("high"), low_standby()))
    )
    counts = counts_of(ledger)
    assert sorted(counts["items"].values()) == [1, 1, 1]
    assert counts["features"][(("rail", "standby", "standby", "none"), CAP)] == 2


def test_withdrawing_restores_every_count() -> None:
    world = World(3)
    cases = cases_of(world, world.sample(120, seed=1))
    ledger = ledger_of(*cases[:80])
    before = counts_of(ledger)
    for one in cases[80:]:
        ledger.add(replace(one, tries=(fix(SWITCH, "no change", cost=0.1), *one.tries, fix(CAP, cost=0.3))))
    for one in reversed(cases[80:]):
        assert ledger.withdraw(one.uid)
    assert counts_of(ledger) == before
    assert not ledger.withdraw("never there")


def test_a_store_emptied_again_is_empty() -> None:
    ledger = ledger_of(case("a"), case("b", SWITCH))
    ledger.withdraw("a")
    ledger.withdraw("b")
    assert len(ledger) == 0
    assert counts_of(ledger) == {**counts_of(Ledger()), "cases": []}
    assert rank(ledger, Evidence(family="HX-210")).unseen_probability == 1.0


def test_replacing_a_case_is_withdrawing_and_adding() -> None:
    ledger = ledger_of(case("a"), case("b"))
    ledger.replace(case("a", SWITCH, symptoms=()))
    assert counts_of(ledger) == counts_of(ledger_of(case("b"), case("a", SWITCH, symptoms=())))


def test_a_uid_is_counted_only_once() -> None:
    ledger = ledger_of(case("a"))
    with pytest.raises(BadInput, match="already counted") as caught:
        ledger.add(case("a"))
    assert caught.value.field == "uid"
    assert len(ledger) == 1


def test_an_unknown_result_is_refused_by_name_and_nothing_is_counted() -> None:
    ledger = Ledger()
    with pytest.raises(BadInput, match="“fine” of a try") as caught:
        ledger.add(case("a", tries=(fix(CAP, "fine"),)))
    assert caught.value.field == "result"
    assert len(ledger) == 0


def test_many_withdrawn_cases_leave_no_trace_in_memory_or_counts() -> None:
    ledger = ledger_of(case("stays", SWITCH), case("also", CAP))
    for number in range(4_000):
        ledger.add(case(f"n{number}", closed=date(2020, 1, 1) + timedelta(days=number % 900)))
        ledger.withdraw(f"n{number}")
    assert counts_of(ledger) == counts_of(ledger_of(case("stays", SWITCH), case("also", CAP)))
    assert len(ledger.rows.uids) < 1_200


@pytest.mark.long
def test_adding_costs_the_same_in_a_large_store() -> None:
    world = World(3)
    cases = cases_of(world, world.sample(12_000, seed=2))

    def seconds_for(ledger: Ledger) -> float:
        fresh = [replace(one, uid=f"x{one.uid}") for one in cases[:300]]
        best = float("inf")
        for _ in range(3):
            start = time.process_time()
            for one in fresh:
                ledger.add(one)
            for one in fresh:
                ledger.withdraw(one.uid)
            best = min(best, time.process_time() - start)
        return best

    small, large = ledger_of(*cases[:100]), ledger_of(*cases)
    assert seconds_for(large) < 3.0 * seconds_for(small)


# Snapshots


def full_ledger() -> Ledger:
    world = World(3)
    ledger = ledger_of(*cases_of(world, world.sample(200, seed=4)))
    ledger.add(
        case("odd \n\0 “uid”", family="Fähre 3\t", same_fault_return_days=12, followed_days=90, closed=None)
    )
    ledger.withdraw("case-000007")
    ledger.seen = (41, "n0nce")
    return ledger


def test_a_snapshot_gives_back_the_same_ledger() -> None:
    ledger = full_ledger()
    again = from_bytes(to_bytes(ledger))
    assert counts_of(again) == counts_of(ledger)
    assert again.seen == (41, "n0nce")
    assert to_bytes(again) == to_bytes(ledger)
    evidence = Evidence("HX-210", None, (("dead", True),))
    assert rank(again, evidence) == rank(ledger, evidence)


def test_a_ledger_from_a_snapshot_goes_on_as_before() -> None:
    ledger = full_ledger()
    again = from_bytes(to_bytes(ledger))
    for one in (ledger, again):
        one.add(case("later", SWITCH, family="HX-999", kind="charger", symptoms=(("new symptom", False),)))
        one.withdraw("case-000011")
        one.replace(case("case-000012", SWITCH))
    assert counts_of(again) == counts_of(ledger)


def test_an_empty_ledger_has_a_snapshot_too() -> None:
    again = from_bytes(to_bytes(Ledger(90)))
    assert (len(again), again.warranty_days) == (0, 90)
    again.add(case("a"))
    assert again.known == 1


@pytest.mark.parametrize("cut", [0, 1, 100, 5_000, -200, -1])
def test_a_truncated_snapshot_is_refused(cut: int) -> None:
    data = to_bytes(full_ledger())
    with pytest.raises(ValueError, match="snapshot"):
        from_bytes(data[:cut])


def test_a_snapshot_of_another_format_is_refused_by_its_number() -> None:
    header, arrays = contents(full_ledger_without_gaps())
    with pytest.raises(ValueError, match="format 99"):
        from_bytes(pack({**header, "format": 99}, arrays))
    with pytest.raises(ValueError, match="not a snapshot"):
        from_bytes(pack({**header, "kind": "something else"}, arrays))


def test_a_snapshot_with_a_part_missing_is_refused() -> None:
    header, arrays = contents(full_ledger_without_gaps())
    for name in arrays:
        fewer = {key: array for key, array in arrays.items() if key != name}
        with pytest.raises(ValueError, match=r"snapshot|column"):
            from_bytes(pack(header, fewer))


def test_a_pickled_array_is_never_loaded() -> None:
    target = io.BytesIO()
    np.savez(target, header=np.array([{"kind": "counts of board faults"}], dtype=object))
    with pytest.raises(ValueError, match="not a snapshot"):
        from_bytes(target.getvalue())


def full_ledger_without_gaps() -> Ledger:
    return from_bytes(to_bytes(full_ledger()))


def test_the_usual_kind_among_equals_does_not_depend_on_which_case_came_first() -> None:
    one, other = case("a", kind="power supply"), case("b", kind="battery charger")
    for ledger in (ledger_of(one, other), ledger_of(other, one)):
        family = ledger.families.find("HX-210")
        assert ledger.kinds.values[ledger.usual_kind(family)] == "battery charger"
