"""A copied store is the same store: every row of every table, identity and change numbers included."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from factories import a_case, a_family, bring, demo_lines, exported, settings_in, shop_in
from sqlalchemy import inspect, text

from kb.errors import StoreTrouble, Taken
from kb.service import Shop
from kb.service.cases import cases
from kb.service.transfer import json_lines
from kb.store import Store
from kb.store.backup.copy import copy_store
from kb.store.tables.core import Table


def dump(file: Path) -> list[str]:
    connection = sqlite3.connect(file)
    found = list(connection.iterdump())
    connection.close()
    return found


@pytest.mark.once("compares two files statement by statement")
def test_a_copy_holds_row_for_row_what_the_store_holds(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "one")
    assert json_lines.bring_in(shop, demo_lines()).saved
    uid = exported(shop).rsplit('"uid":"', 1)[1].split('"')[0]
    cases.put_in_bin(shop, uid)
    target = Store.at(tmp_path / "two" / "store.sqlite3")
    told: dict[str, int] = {}
    counts = copy_store(shop.store, target, lambda table, done: told.update({table: done}))
    assert target.identity == shop.store.identity
    target.close()
    shop.close()
    assert counts["board_case"] > 100
    assert told == {table: count for table, count in counts.items() if count}
    # A copy holds the rows in order of their keys, which the sums of a store in use need not be in.
    assert sorted(dump(tmp_path / "one" / "store.sqlite3")) == sorted(
        dump(tmp_path / "two" / "store.sqlite3")
    )
    with Shop.open(settings_in(tmp_path / "two")).store.read() as session:
        assert session.execute(text("select count(*) from history")).scalar() == counts["history"]


def test_a_store_that_holds_records_is_never_copied_over(tmp_path: Path) -> None:
    source, target = shop_in(tmp_path / "one"), shop_in(tmp_path / "two")
    assert bring(source, a_family(), a_case("one")).saved
    assert bring(target, a_family("WB-7")).saved
    before = exported(target)
    with pytest.raises(Taken, match="holds records"):
        copy_store(source.store, target.store)
    assert exported(target) == before
    source.close()
    target.close()


def test_a_copy_that_stops_half_way_leaves_the_target_as_it_was(tmp_path: Path) -> None:
    source = shop_in(tmp_path / "one")
    assert bring(source, a_family(), a_case("one")).saved
    target = Store.at(tmp_path / "two" / "store.sqlite3")
    before = dump(tmp_path / "two" / "store.sqlite3")

    def stop(table: str, _done: int) -> None:
        if table == "board_case":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copy_store(source.store, target, stop)
    target.close()
    source.close()
    assert dump(tmp_path / "two" / "store.sqlite3") == before


def test_a_table_that_this_program_does_not_know_is_not_left_behind_in_silence(tmp_path: Path) -> None:
    source = shop_in(tmp_path / "one")
    with source.store.overwriting() as connection:
        connection.exec_driver_sql("CREATE TABLE of_a_newer_program (id integer)")
    target = Store.at(tmp_path / "two" / "store.sqlite3")
    with pytest.raises(StoreTrouble, match="of_a_newer_program"):
        copy_store(source.store, target)
    source.close()
    target.close()


def test_every_table_that_the_migrations_make_is_copied(tmp_path: Path) -> None:
    store = Store.at(tmp_path / "store.sqlite3")
    with store.snapshot() as connection:
        made = set(inspect(connection).get_table_names())
    store.close()
    assert made - {"alembic_version"} == set(Table.metadata.tables)


def test_what_is_written_while_the_copy_is_made_is_wholly_in_or_wholly_out(tmp_path: Path) -> None:
    source = shop_in(tmp_path / "one")
    assert bring(source, a_family(), *(a_case(f"c{number}") for number in range(20))).saved
    target = Store.at(tmp_path / "two" / "store.sqlite3")

    def write_more(table: str, _done: int) -> None:
        if table == "family":
            cases.save(source, a_case("late"))

    counts = copy_store(source.store, target, write_more)
    target.close()
    assert counts["board_case"] == counts["case_attempt"] == 20
    assert cases.exists(source, "late")
    source.close()
