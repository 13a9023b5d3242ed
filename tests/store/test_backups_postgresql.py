"""A backup of a store on PostgreSQL is the same portable file, and is restored into either kind of store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from databases import Server
from earlier_stores import OLD, kept, without_added
from factories import TODAY, a_case, demo_lines, exported, settings_in, shop_in
from sqlalchemy import create_engine

from kb.config import Settings
from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.cases import cases
from kb.service.operate import backup_files, backups, integrity
from kb.service.transfer import json_lines
from kb.store.engine import schema, sqlite_files
from kb.store.engine.address import read_address
from kb.store.engine.rows import copy_rows
from kb.store.portable import as_sqlite

pytestmark = pytest.mark.once("it makes its own databases on both")


@pytest.fixture
def address(shared_server: Server) -> Iterator[str]:
    """The address of a database without any table, on a server whose clock is not ours."""
    made = shared_server.empty_database()
    name = read_address(made).database
    shared_server.ask(f"ALTER DATABASE {name} SET timezone TO 'Asia/Tokyo'")
    yield made
    shared_server.drop(made)


def on_server(address: str, folder: Path) -> Settings:
    return settings_in(folder).model_copy(update={"database_url": address})


def opened(settings: Settings) -> Shop:
    return Shop.open(settings, today=lambda: TODAY)


def tables_of(file: Path) -> dict[str, list[Any]]:
    """All rows of an SQLite file by table, in the order of their keys."""
    with closing(sqlite3.connect(file)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: sorted(connection.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr)
            for name in names
            if name != "sqlite_sequence"
        }


@pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.long)])  # of the demo's cases
def test_from_a_file_to_a_server_and_back_every_row_is_what_it_was(
    address: str, tmp_path: Path, every: int
) -> None:
    first = shop_in(tmp_path / "first")
    assert json_lines.bring_in(first, demo_lines(every)).saved
    photo = first.files.put(b"not really a photograph" * 1000)
    whole = exported(first)
    first.close()
    backup_files.back_up(first.settings, tmp_path / "first.zip")

    there = on_server(address, tmp_path / "there")
    done = backup_files.restore(there, tmp_path / "first.zip")
    assert (done.kept, done.files) == (None, 1)
    shop = opened(there)
    assert exported(shop) == whole
    assert integrity.check(shop).faults == []
    made = backups.make(shop)
    shop.close()

    # Their backups are one and the same file but for the moment they were made at.
    back = tmp_path / "back"
    backup_files.restore(settings_in(back), there.backups / made.name)
    assert made.manifest is not None
    assert made.manifest.counts["file"] == 1
    again = opened(settings_in(back))
    assert exported(again) == whole
    assert again.files.verify(photo) is None
    again.close()
    assert tables_of(back / "store.sqlite3") == tables_of(tmp_path / "first" / "store.sqlite3")


@pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.long)])  # of the demo's cases
def test_a_restore_keeps_a_copy_of_what_the_server_held(address: str, tmp_path: Path, every: int) -> None:
    settings = on_server(address, tmp_path / "data")
    shop = opened(settings)
    assert json_lines.bring_in(shop, demo_lines(every)).saved
    backup_files.back_up(settings, tmp_path / "all.zip")
    before = exported(shop)
    cases.save(shop, a_case("late", family="HX-210", complaint="zorbles"))
    assert shop.derived.index.search("zorbles", limit=1).total == 1
    done = backup_files.restore(settings, tmp_path / "all.zip")
    # The program that went on running sees it at once, and its numbers go on after those restored.
    assert exported(shop) == before
    assert shop.derived.index.search("zorbles", limit=1).total == 0
    cases.save(shop, a_case("later", family="HX-210"))
    shop.close()
    assert done.kept is not None
    assert sqlite_files.faults(done.kept) == []
    backup_files.restore(settings, done.kept)
    again = opened(settings)
    assert cases.exists(again, "late")
    assert not cases.exists(again, "later")
    again.close()


def laid_down(revision: str, address: str, scratch: Path) -> None:
    """A store of an earlier schema on the server, with the rows that the code of that time wrote."""
    with closing(sqlite3.connect(scratch)) as connection:
        connection.executescript((OLD / f"{revision}.sql").read_text(encoding="utf-8"))
    old, new = create_engine(f"sqlite:///{scratch}"), create_engine(read_address(address))
    with old.connect() as source, new.begin() as target:
        schema.upgrade(target, revision)
        for table in as_sqlite._tables(source):
            copy_rows(source, target, table)
    old.dispose()
    new.dispose()


@pytest.mark.parametrize("revision", ["0001", "0002", "0004"])
def test_an_old_store_on_a_server_is_copied_before_it_is_brought_up(
    revision: str, address: str, tmp_path: Path
) -> None:
    scratch = tmp_path / "old.sqlite3"
    laid_down(revision, address, scratch)
    settings = on_server(address, tmp_path / "data")
    shop = opened(settings)
    assert without_added(exported(shop)) == kept(revision)
    shop.close()
    (copy,) = settings.backups.iterdir()
    assert copy.name.startswith(f"before-upgrade-{revision}-")
    assert tables_of(copy) == tables_of(scratch)


def test_an_old_store_on_a_server_that_cannot_be_copied_is_left_alone(address: str, tmp_path: Path) -> None:
    laid_down("0002", address, tmp_path / "old.sqlite3")
    settings = on_server(address, tmp_path / "data")
    settings.data.mkdir()
    settings.backups.write_text("in the way")
    with pytest.raises(StoreTrouble, match="no copy of it could be made"):
        opened(settings)
    engine = create_engine(read_address(address))
    with engine.connect() as connection:
        assert schema.revision_of(connection) == "0002"
    engine.dispose()
