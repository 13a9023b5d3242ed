"""What people are told when the store itself is in trouble, and whose stores tests may touch."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from factories import a_case, a_family, bring, shop_in
from sqlalchemy import text

from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.cases import cases
from kb.store import Store
from kb.store.engine.trouble import sqlite_trouble


@pytest.mark.once("a file that is no database")
def test_a_file_that_is_no_database_is_named_damaged(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite3"
    file.write_bytes(b"this is a letter, not a database. " * 200)
    with pytest.raises(StoreTrouble, match="damaged") as caught:
        Store.at(file)
    assert "kb restore" in (caught.value.remedy or "")


@pytest.mark.once("damages pages of the file")
def test_a_damaged_page_is_told_in_a_sentence(disk_shop: Shop, tmp_path: Path) -> None:
    assert bring(disk_shop, *(a_case(f"case-{number}", notes="x" * 400) for number in range(60))).saved
    disk_shop.close()
    file = tmp_path / "data" / "store.sqlite3"
    whole = bytearray(file.read_bytes())
    for start in range(4096 * 2, len(whole) - 4096, 4096):
        whole[start : start + 4096] = b"\xa5" * 4096
    file.write_bytes(bytes(whole))

    def read_all() -> None:
        with Store.at(file).read() as session:
            session.execute(text("select * from board_case order by notes")).all()

    with pytest.raises(StoreTrouble, match="damaged"):
        read_all()


@pytest.mark.once("a pragma of SQLite")
def test_a_store_that_may_only_be_read_says_so_and_keeps_what_it_has(disk_shop: Shop) -> None:
    with disk_shop.store._engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    with pytest.raises(StoreTrouble, match="read-only") as caught:
        cases.save(disk_shop, a_case("one"))
    assert "right to write" in (caught.value.remedy or "")
    assert not cases.exists(disk_shop, "one")


@pytest.mark.once("a pragma of SQLite")
def test_a_full_disk_is_told_and_nothing_is_half_written(disk_shop: Shop) -> None:
    with disk_shop.store._engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(StoreTrouble, match="disk is full"):
        bring(disk_shop, *(a_case(f"case-{number}", notes="x" * 2000) for number in range(50)))
    assert cases.listed(disk_shop, "all", limit=5, offset=0)[0] == 0


def test_a_data_folder_that_cannot_be_made_names_the_setting(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreTrouble) as caught:
        Store.at(tmp_path / "file" / "data" / "store.sqlite3")
    assert "KB_DATA" in (caught.value.remedy or "")


@pytest.mark.parametrize(
    ("cause", "told"),
    [
        ("database or disk is full", "disk is full"),
        ("attempt to write a readonly database", "read-only"),
        ("database is locked", "Another program"),
        ("database disk image is malformed", "damaged"),
        ("file is not a database", "damaged"),
        ("unable to open database file", "cannot be opened"),
        ("something nobody foresaw", "something nobody foresaw"),
    ],
)
def test_each_trouble_has_a_sentence_and_a_remedy(cause: str, told: str) -> None:
    trouble = sqlite_trouble(cause)
    assert told in trouble.message
    assert trouble.remedy


def test_tests_refuse_a_store_that_they_did_not_make(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite3"
    with sqlite3.connect(file) as connection:
        connection.execute("create table repairs (of_a_technician text)")
    connection.close()
    before = file.read_bytes()
    with pytest.raises(RuntimeError, match="left alone"):
        shop_in(tmp_path)
    assert file.read_bytes() == before


def test_test_shops_do_not_look_at_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KB_DATA", str(tmp_path / "real"))
    monkeypatch.setenv("KB_DATABASE_URL", f"sqlite:///{tmp_path}/real.sqlite3")
    shop = shop_in(tmp_path / "mine")
    assert bring(shop, a_family(), a_case("one")).saved
    shop.close()
    assert {path.name for path in tmp_path.iterdir()} == {"mine"}
