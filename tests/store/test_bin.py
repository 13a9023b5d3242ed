"""The bin for every kind of record, and what deleting for good leaves behind: nothing of the customer."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from factories import a_case, a_family, bring, exported, shop_in

from kb.errors import BadInput, InUse, NotFound
from kb.model import LoadRecord, NotedSymptom, PartClassRecord, SymptomRecord
from kb.service import Shop
from kb.service.boards import families, vocabulary
from kb.service.cases import cases
from kb.service.history import bin as binning
from kb.service.history import undo_batch, versions

HUM = SymptomRecord(name="hums")
_SECRET = "Quartermaster-of-the-Grey-Ferry"


@pytest.mark.parametrize(
    ("entity", "record"),
    [
        ("symptom", HUM),
        ("part_class", PartClassRecord(name="porthole")),
        ("load", LoadRecord(name="harbour coil", kind="resistor", ohm=8.0)),
    ],
)
def test_list_entries_go_to_the_bin_and_come_back_as_they_were(
    shop: Shop, entity: str, record: SymptomRecord | PartClassRecord | LoadRecord
) -> None:
    vocabulary.save(shop, record)
    before = exported(shop)
    binning.put(shop.acting_as("front desk"), entity, record.name)
    assert record.name not in exported(shop)
    ((line,), total) = binning.listed(shop, limit=5, offset=0)[::-1]
    assert (total, line.record.name, line.who, line.days_left) == (1, record.name, "front desk", 90)
    binning.take_out(shop, entity, record.name)
    assert exported(shop) == before


def test_a_family_goes_with_its_cases_as_one_batch(stocked: Shop) -> None:
    bring(stocked, a_case("one"), a_case("two"))
    cases.put_in_bin(stocked, "two")
    before = exported(stocked)
    with pytest.raises(InUse, match="1 case names the board family GL-31"):
        binning.put(stocked, "family", "GL-31")
    assert binning.put_family_with_cases(stocked, "GL-31") == 1
    assert families.find(stocked, "GL-31") is None
    (batch, *_) = versions.what_changed(stocked).batches
    assert (batch.kind, batch.title) == ("bin", "GL-31")
    undo_batch.undo_batch(stocked, batch.id)
    assert exported(stocked) == before
    assert cases.stored(stocked, "two").binned_at is not None


def test_only_what_lies_in_the_bin_can_be_deleted_and_what_cases_name_not_before_them(stocked: Shop) -> None:
    bring(stocked, HUM, a_case("one", symptoms=[NotedSymptom(name="hums")]))
    with pytest.raises(BadInput, match="is not in the bin"):
        binning.delete_for_good(stocked, "case", "one")
    binning.put_family_with_cases(stocked, "GL-31")
    binning.put(stocked, "symptom", "hums")
    for entity, name in (("family", "GL-31"), ("symptom", "hums")):
        with pytest.raises(InUse, match="Cases in the bin still name"):
            binning.delete_for_good(stocked, entity, name)
    for entity, name in (("case", "one"), ("family", "GL-31"), ("symptom", "hums")):
        binning.delete_for_good(stocked, entity, name)
        with pytest.raises(NotFound):
            versions.history(stocked, entity, name)
    assert cases.save(stocked, a_case("x", family="GL-31"), create_missing=True).version == 1


def test_a_record_added_again_under_a_deleted_name_goes_on_counting(stocked: Shop) -> None:
    """A program that still holds the old version must not overwrite the new record with it."""
    cases.save(stocked, a_case("one"))
    cases.put_in_bin(stocked, "one")
    binning.delete_for_good(stocked, "case", "one")
    assert cases.save(stocked, a_case("one")).version == 4


def test_nothing_of_a_customer_is_left_in_the_database_file(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    bring(shop, a_family(), a_case("one", customer=_SECRET, notes=_SECRET * 200), a_case("two"))
    cases.save(shop, a_case("one", complaint=f"{_SECRET} says it hums"), expected_version=1)
    cases.save(shop, a_case("one"), expected_version=2)
    cases.put_in_bin(shop, "one")
    binning.delete_for_good(shop, "case", "one")
    folder = tmp_path / "data"
    holding = [
        file.name for file in folder.rglob("*") if file.is_file() and _SECRET.encode() in file.read_bytes()
    ]
    assert holding == []
    with shop.store.snapshot() as connection:
        for table in ("history", "board_case", "case_reading", "customer_report"):
            rows = connection.exec_driver_sql(f"select * from {table}").fetchall()
            assert _SECRET not in str(rows)
    assert cases.stored(shop, "two").binned_at is None
    shop.close()


def test_the_bin_empties_itself_after_its_days_cases_first(stocked: Shop) -> None:
    bring(stocked, HUM, a_case("one", symptoms=[NotedSymptom(name="hums")]), a_case("two", "GL-31"))
    binning.put_family_with_cases(stocked, "GL-31")
    binning.put(stocked, "symptom", "hums")
    start = datetime.now(UTC)
    stocked.clock = lambda: (start + timedelta(days=89)).timestamp()
    assert binning.empty(stocked) == 0
    stocked.clock = lambda: (start + timedelta(days=91)).timestamp()
    assert binning.listed(stocked, limit=5, offset=0)[1][0].days_left == 0
    assert binning.empty(stocked) == 4
    assert binning.listed(stocked, limit=5, offset=0) == (0, [])
    assert binning.empty(stocked) == 0


def test_undoing_names_what_was_deleted_for_good_since(shop: Shop) -> None:
    report = bring(shop, a_family(), a_case("one"))
    cases.put_in_bin(shop, "one")
    binning.delete_for_good(shop, "case", "one")
    done = undo_batch.undo_batch(shop, report.batch)
    assert [one.reason for one in done.left] == ["It was deleted for good since."]
    assert families.find(shop, "GL-31") is None
