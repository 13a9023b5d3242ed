"""The parts shelf: what is taken is counted once, whoever takes it, and nothing of it is lost."""

from __future__ import annotations

import threading

import pytest
from factories import a_case, a_family, bring, exported, fresh_shop

from kb.errors import BadInput, Conflict, NotFound, OthersCase
from kb.model import Attempt, Instead, ShelfPartRecord, UsedAt
from kb.service import Shop
from kb.service.cases import cases
from kb.service.history import bin, versions
from kb.service.operate import integrity
from kb.service.parts import shelf

C9 = "C9|electrolytic capacitor|standby output"


def a_part(name: str = "1000 µF 25 V", **more: object) -> ShelfPartRecord:
    given: dict[str, object] = {
        "part_class": "electrolytic capacitor",
        "kind": "low ESR",
        "value": 1000e-6,
        "unit": "F",
        "max_v": 25.0,
        "max_c": 105.0,
        "count": 3,
        "least": 2,
        "place": "drawer 3",
        "price": 0.35,
        "used_at": [UsedAt(family="GL-31", part="C9")],
        **more,
    }
    return ShelfPartRecord.model_validate({"name": name, **given})


def tried(part: str = "C9", **more: object) -> Attempt:
    given = {"part_class": "electrolytic capacitor", "section": "standby output", **more}
    return Attempt.model_validate({"part": part, **given})


@pytest.fixture
def stocked_shelf(shop: Shop) -> Shop:
    bring(shop, a_family(), a_case("board", verdict=None, closed=None, attempts=[tried()]), a_part())
    return shop


def count_of(shop: Shop, name: str = "1000 µF 25 V") -> int:
    return shelf.find(shop, name)[0].count


def test_a_part_is_taken_with_its_price_and_put_back(stocked_shelf: Shop) -> None:
    shelf.take(stocked_shelf, "board", "1000 µF 25 V", attempt=C9)
    (one,) = cases.stored(stocked_shelf, "board").record.attempts
    assert (one.shelf_part, one.shelf_count, one.cost) == ("1000 µF 25 V", None, 0.35)
    assert count_of(stocked_shelf) == 2
    shelf.put_back(stocked_shelf, "board", C9)
    (one,) = cases.stored(stocked_shelf, "board").record.attempts
    assert (one.shelf_part, one.cost, count_of(stocked_shelf)) == ("", None, 3)
    with pytest.raises(BadInput, match="no such fix"):
        shelf.put_back(stocked_shelf, "board", C9)
    assert integrity.check(stocked_shelf).faults == []


def test_several_are_taken_for_one_fix_and_a_cost_that_was_noted_stays(stocked_shelf: Shop) -> None:
    new = tried("C10", cost=4.0)
    shelf.take(stocked_shelf, "board", "1000 µF 25 V", new=new, count=3)
    last = cases.stored(stocked_shelf, "board").record.attempts[-1]
    assert (last.part, last.shelf_count, last.cost, count_of(stocked_shelf)) == ("C10", 3, 4.0, 0)
    shelf.put_back(stocked_shelf, "board", "C10|electrolytic capacitor|standby output")
    assert count_of(stocked_shelf) == 3
    assert cases.stored(stocked_shelf, "board").record.attempts[-1].cost == 4.0


@pytest.mark.parametrize("count", [0, -1, 4, 100_000])
def test_more_than_there_are_and_less_than_one_are_refused_and_nothing_is_kept(
    stocked_shelf: Shop, count: int
) -> None:
    with pytest.raises(BadInput):
        shelf.take(stocked_shelf, "board", "1000 µF 25 V", attempt=C9, count=count)
    assert count_of(stocked_shelf) == 3
    assert not cases.stored(stocked_shelf, "board").record.attempts[0].shelf_part


def test_of_many_people_who_take_the_last_ones_at_once_only_as_many_get_one(disk_shop: Shop) -> None:
    boards = [f"board-{number}" for number in range(8)]
    open_cases = (a_case(uid, verdict=None, closed=None, attempts=[tried()]) for uid in boards)
    bring(disk_shop, a_family(), *open_cases, a_part())
    refused: list[BaseException] = []

    def work(uid: str) -> None:
        try:
            shelf.take(disk_shop.acting_as(uid), uid, "1000 µF 25 V", attempt=C9)
        except BadInput as error:
            refused.append(error)

    threads = [threading.Thread(target=work, args=(uid,)) for uid in boards]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    taken = [uid for uid in boards if cases.stored(disk_shop, uid).record.attempts[0].shelf_part]
    assert (len(taken), len(refused), count_of(disk_shop)) == (3, 5, 0)
    assert all("None of 1000 µF 25 V is left" in str(error) for error in refused)


def test_a_change_of_the_part_meanwhile_is_no_reason_to_lose_either(stocked_shelf: Shop) -> None:
    record, version = shelf.find(stocked_shelf, "1000 µF 25 V")
    shelf.take(stocked_shelf, "board", "1000 µF 25 V", attempt=C9)
    with pytest.raises(Conflict):
        shelf.save(stocked_shelf, record.model_copy(update={"place": "drawer 4"}), expected_version=version)
    assert count_of(stocked_shelf) == 2


def test_another_shops_case_takes_nothing(stocked_shelf: Shop) -> None:
    origin = "0" * 31 + "1"
    bring(
        stocked_shelf,
        {"record": "origin", "id": origin, "name": "other shop", "date": "2026-03-01"},
        a_case("theirs", origin=origin, attempts=[tried()]),
    )
    with pytest.raises(OthersCase):
        shelf.take(stocked_shelf, "theirs", "1000 µF 25 V", attempt=C9)
    assert count_of(stocked_shelf) == 3


def test_a_part_fits_by_its_place_and_a_stand_in_is_offered_only_when_it_is_gone(stocked_shelf: Shop) -> None:
    better = a_part("1000 µF 35 V", max_v=35.0, used_at=[], place="drawer 4")
    worse = a_part("1000 µF 16 V", max_v=16.0, used_at=[])
    bring(stocked_shelf, better, worse)
    view = cases.view(stocked_shelf, "board")
    (offers,) = shelf.for_case(stocked_shelf, view.record, view.family).offers
    assert [(one.line.record.name, one.say) for one in offers] == [("1000 µF 25 V", "yes")]
    shelf.take(stocked_shelf, "board", "1000 µF 25 V", new=tried("C11"), count=3)
    (offers, none) = shelf.for_case(
        stocked_shelf, cases.stored(stocked_shelf, "board").record, view.family
    ).offers
    assert [one.line.record.name for one in offers] == ["1000 µF 25 V", "1000 µF 35 V"]
    assert none == ()


def test_what_a_rule_forbids_is_never_accepted_and_what_nothing_decides_needs_a_reason(shop: Shop) -> None:
    fuse = ShelfPartRecord(name="T3.15A", part_class="fuse", kind="T H", value=3.15, unit="A", max_v=250.0)
    larger = ShelfPartRecord(name="T5A", part_class="fuse", kind="T H", value=5.0, unit="A", max_v=250.0)
    unknown = ShelfPartRecord(name="fuse from the box", part_class="fuse", value=3.15, unit="A")
    bring(shop, fuse, larger, unknown)
    with pytest.raises(BadInput, match="never takes the place of T3"):
        shelf.accept(shop, "T5A", instead_of="T3.15A", rule="it was all there was")
    with pytest.raises(BadInput, match="Nothing on record decides"):
        shelf.accept(shop, "fuse from the box", instead_of="T3.15A")
    shelf.accept(shop, "fuse from the box", instead_of="T3.15A", rule="T, 250 V and H read on the cap")
    found = shelf.find(shop, "fuse from the box")[0]
    assert found.instead_of == [Instead(part="T3.15A", rule="T, 250 V and H read on the cap")]


def test_a_place_is_learned_from_what_was_taken_where_none_was_noted(stocked_shelf: Shop) -> None:
    bring(stocked_shelf, a_part("470 µF 35 V", value=470e-6, used_at=[]))
    shelf.take(stocked_shelf, "board", "470 µF 35 V", new=tried("C12"))
    shelf.take(stocked_shelf, "board", "470 µF 35 V", attempt=C9)
    places = shelf.find(stocked_shelf, "470 µF 35 V")[0].used_at
    assert places == [UsedAt(family="GL-31", part="C12")]


def test_an_unknown_class_or_board_is_refused_at_its_field(shop: Shop) -> None:
    bring(shop, a_family())
    with pytest.raises(BadInput) as refused:
        shelf.save(shop, a_part(part_class="flux capacitor"))
    assert refused.value.field == "part_class"
    with pytest.raises(BadInput) as refused:
        shelf.save(shop, a_part(used_at=[UsedAt(family="NO-SUCH", part="C9")]))
    assert refused.value.field == "used_at"
    with pytest.raises(NotFound):
        shelf.find(shop, "1000 µF 25 V")


def test_a_synonym_of_a_class_and_another_number_of_a_board_are_kept_under_their_own_names(
    shop: Shop,
) -> None:
    bring(shop, a_family(aliases=["GL31-B"]))
    shelf.save(shop, a_part(part_class="elco", used_at=[UsedAt(family="gl31b", part="C9")]))
    record = shelf.find(shop, "1000 µF 25 V")[0]
    assert (record.part_class, record.used_at[0].family) == ("electrolytic capacitor", "GL-31")


def test_the_shelf_comes_back_from_an_export_the_bin_and_its_history(stocked_shelf: Shop) -> None:
    shelf.accept(stocked_shelf, "1000 µF 25 V", instead_of="820 µF 25 V", rule="more is allowed there")
    lines = exported(stocked_shelf)
    other = fresh_shop()
    try:
        assert bring(other, *lines.encode().splitlines()).saved
        assert exported(other) == lines
    finally:
        other.close()
    shelf.remove(stocked_shelf, "1000 µF 25 V")
    with pytest.raises(NotFound):
        shelf.find(stocked_shelf, "1000 µF 25 V")
    assert '"shelf_part"' not in exported(stocked_shelf)
    bin.take_out(stocked_shelf, "shelf_part", "1000 µF 25 V")
    record, version = shelf.find(stocked_shelf, "1000 µF 25 V")
    assert record.instead_of[0].part == "820 µF 25 V"
    versions.restore(stocked_shelf, "shelf_part", record.name, 1, expected_version=version)
    assert shelf.find(stocked_shelf, record.name)[0].instead_of == []
    assert integrity.check(stocked_shelf).faults == []


def test_the_sheet_holds_each_part_and_no_formula(stocked_shelf: Shop) -> None:
    bring(stocked_shelf, a_part("=cmd()", used_at=[]))
    rows = shelf.as_csv(stocked_shelf).splitlines()
    assert rows[0].startswith("name,part_class,kind,type_number,value,unit")
    assert any(row.startswith("1000 µF 25 V,electrolytic capacitor,low ESR,,0.001,F") for row in rows)
    assert any(row.startswith("'=cmd()") for row in rows)
