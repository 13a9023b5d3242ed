"""`kb check` finds what does not agree, mends what is derived, and never calls a damaged store sound."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from factories import TODAY, a_case, a_family, bring, settings_in, shop_in

from kb.model import LoadRecord
from kb.service import Shop
from kb.service.bench import loads
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.history import merges
from kb.service.operate import backup_files, backups, integrity
from kb.service.shop.translate import facts_of


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    """A shop in which everything has happened once: added, changed, binned, taken back."""
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), *(a_case(f"c{number}") for number in range(4))).saved
    cases.save(made, a_case("c0", notes="again"), expected_version=1)
    cases.put_in_bin(made, "c1")
    cases.put_in_bin(made, "c2")
    cases.take_from_bin(made, "c2")
    families.save(made, a_family(notes="changed"))
    loads.save(made, LoadRecord(name="resistor 10 Ω", kind="resistor", ohm=10.0, max_w=50.0))
    yield made
    made.close()


def meddle(shop: Shop, statement: str) -> None:
    """Changes a table behind the program's back."""
    with shop.store.overwriting() as connection:
        connection.exec_driver_sql(statement)


def reopened(shop: Shop) -> Shop:
    shop.close()
    return Shop.open(settings_in(shop.settings.data), today=lambda: TODAY)


def test_a_store_in_which_everything_has_happened_is_in_order(shop: Shop) -> None:
    found = integrity.check(shop)
    assert (found.faults, found.mended) == ([], [])
    assert "3 cases" in found.proved
    assert "2 earlier versions" in found.proved


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM change WHERE key = 'c3'", "No change is on record for the case c3."),
        ("DELETE FROM change WHERE entity = 'family'", "No change is on record for the family GL-31."),
        (
            "UPDATE board_case SET version = 7 WHERE uid = 'c0'",
            "made version 2 of the case c0, which is at 7",
        ),
        ("UPDATE board_case SET binned_at = NULL WHERE uid = 'c1'", "the bin says otherwise"),
        ("UPDATE change SET nonce = ''", "does not carry a mark of its own"),
        ("UPDATE change SET nonce = 'same'", "does not carry a mark of its own"),
        ("UPDATE change SET operation = 'removed' WHERE key = 'c3'", "which is there all the same"),
        (
            "UPDATE symptom SET version = 3 WHERE name = 'fuse blown'",
            "No change is on record for the symptom",
        ),
        ("""UPDATE history SET record = '{"record": "case"}' WHERE entity = 'case'""", "is not a record"),
        ("UPDATE history SET version = 9 WHERE entity = 'family'", "is not earlier than the present one"),
        ("UPDATE board_case SET verdict = 'fine' WHERE uid = 'c3'", "The case c3 is not a whole record"),
        ("UPDATE case_attempt SET section = 'attic'", "attempts.0.section"),
        pytest.param(
            "UPDATE family SET kind = 'x'||char(0)",
            "The family GL-31 is not a whole record",
            marks=pytest.mark.once("PostgreSQL can hold no NUL"),
        ),
        ("UPDATE bench_load SET ohm = -4", "The load resistor 10 Ω is not a whole record"),
    ],
)
def test_what_was_changed_behind_its_back_is_found_and_has_a_remedy(
    shop: Shop, statement: str, told: str
) -> None:
    meddle(shop, statement)
    found = integrity.check(shop)
    assert any(told in fault.what for fault in found.faults), found.faults
    assert all(fault.remedy for fault in found.faults)


@pytest.mark.once("about the file that SQLite keeps")
def test_a_row_whose_owner_is_gone_is_found(shop: Shop) -> None:
    with closing(sqlite3.connect(shop.settings.store_file)) as connection:
        connection.execute("DELETE FROM board_case WHERE uid = 'c3'")  # without foreign keys, as others do
        connection.commit()
    found = integrity.check(shop)
    assert any("belongs to a board_case that is not there" in fault.what for fault in found.faults)


def test_a_record_that_vanished_is_missed(shop: Shop) -> None:
    meddle(shop, "DELETE FROM board_case WHERE uid = 'c3'")
    found = integrity.check(shop)
    assert [fault.what for fault in found.faults] == ["Change 5 added the case c3, which is not there."]


@pytest.mark.same("index and counts are files")
def test_an_index_that_holds_other_words_than_the_store_is_built_again(shop: Shop) -> None:
    """The count is right and the change number is right: only the content tells."""
    assert shop.derived.index.search("zorbles", limit=1).total == 0
    meddle(shop, "UPDATE board_case SET complaint = 'zorbles' WHERE uid = 'c3'")
    shop = reopened(shop)
    assert shop.derived.index.search("zorbles", limit=1).total == 0
    found = integrity.check(shop)
    assert [fault.what for fault in found.faults] == [
        "The case c3 is not what was saved: its checksum differs."
    ]
    assert found.mended == [
        "the search index did not agree with the store (1 cases held otherwise than the store) and was built again"
    ]
    assert shop.derived.index.search("zorbles", limit=1).total == 1
    assert integrity.check(shop).mended == []
    shop.close()


@pytest.mark.same("index and counts are files")
def test_counts_that_differ_in_one_case_are_made_again(shop: Shop) -> None:
    with shop.derived.counts() as (ledger, _):
        ledger.replace(facts_of(a_case("c3", verdict="not economical", attempts=[]), a_family()))
        assert ledger.withdraw("c2")
    found = integrity.check(shop)
    assert found.faults == []
    assert len(found.mended) == 1
    assert "the counts did not agree with the store" in found.mended[0]
    assert "1 cases lacked, 1 cases held otherwise" in found.mended[0]
    assert integrity.check(shop).mended == []


@pytest.mark.same("index and counts are files")
def test_an_index_with_a_case_too_many_is_built_again(shop: Shop) -> None:
    seen = shop.derived.index.seen
    copy: Any = shop.derived._index
    document = next(iter(copy.index.documents()))
    copy.index.apply([replace(document, uid="ghost")], [], seen)
    found = integrity.check(shop)
    assert "1 cases held without need" in found.mended[0]
    assert integrity.check(shop).mended == []


def test_backups_are_read_through_when_asked(shop: Shop) -> None:
    made = backups.make(shop)
    assert "1 backup" in integrity.check(shop, backups_too=True).proved
    path = backups.path_of(shop, made.name)
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2] ^= 1
    path.write_bytes(bytes(whole))
    assert integrity.check(shop).faults == []
    (fault,) = integrity.check(shop, backups_too=True).faults
    assert made.name in fault.what
    assert "kb backup" in fault.remedy


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE board_case SET notes = 'agaim' WHERE uid = 'c0'", "The case c0 is not what was saved"),
        ("UPDATE case_reading SET value = 4.8 WHERE id = (SELECT min(id) FROM case_reading)", "The case c"),
        ("UPDATE family SET notes = 'change' WHERE code = 'GL-31'", "The family GL-31 is not what was saved"),
        (
            "UPDATE bench_load SET max_w = 51 WHERE kind = 'resistor'",
            "The load resistor 10 Ω is not what was saved",
        ),
        (
            "UPDATE history SET record = replace(CAST(record AS TEXT), 'stays', 'strays') WHERE entity = 'case'",
            "Version 1 of the case c0 in the history is not what was saved",
        ),
    ],
)
@pytest.mark.once("the second kind of database keeps JSON as another type")
def test_a_changed_byte_is_found(shop: Shop, statement: str, told: str) -> None:
    meddle(shop, statement)
    found = integrity.check(shop)
    assert any(fault.what.startswith(told) for fault in found.faults), found.faults


def test_a_merge_of_lists_and_a_new_spelling_leave_the_checksums_right(shop: Shop) -> None:
    families.save(shop, a_family("gl 31", notes="changed"))
    record = a_case("c9", family="WB-9")
    assert bring(shop, a_family("WB-9"), record).saved
    merges.join(shop, "family", "WB-9", "GL 31", {"kind": "theirs"})
    assert integrity.check(shop).faults == []


@pytest.mark.once("the write-ahead log of a file")
def test_a_lost_write_ahead_log_is_not_called_in_order(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family(), a_case("kept")).saved
    shop.store.forget_deleted()
    copy = shop.settings.store_file.read_bytes()
    for number in range(60):
        cases.save(shop, a_case(f"lost{number}"))
    shop.close()
    for file in shop.settings.data.glob("store.sqlite3-*"):
        file.unlink()
    shop.settings.store_file.write_bytes(copy)
    again = Shop.open(settings_in(shop.settings.data), today=lambda: TODAY)
    found = integrity.check(again)
    again.close()
    assert any("lacks the last 60 changes" in fault.what for fault in found.faults), found.faults


@pytest.mark.once("a store in one file")
def test_a_store_that_was_put_back_on_purpose_lacks_nothing(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family(), a_case("kept")).saved
    backup = backups.make(shop)
    cases.save(shop, a_case("later"))
    settings = shop.settings
    shop.close()
    backup_files.restore(settings, settings.backups / backup.name)
    again = Shop.open(settings, today=lambda: TODAY)
    found = integrity.check(again)
    again.close()
    assert found.faults == []


def test_a_backup_whose_records_are_not_what_was_saved_is_called_damaged(shop: Shop) -> None:
    meddle(shop, "UPDATE board_case SET notes = 'agaim' WHERE uid = 'c0'")
    made = backups.prove(shop, backups.make(shop).name)
    assert made.state == "damaged"
    assert "The case c0 is not what was saved" in made.trouble
