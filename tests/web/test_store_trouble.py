"""What people see when the store itself is in trouble: a page that names the remedy, and nothing lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from factories import a_case, a_family, bring, settings_in, shop_in
from test_bad_input import CASE
from web_client import Client, error_of

from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.cases import cases

pytestmark = pytest.mark.once("disk, file and pages are SQLite's own")
NEW = {**CASE, "notes": "x" * 20_000}


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Client]:
    """A shop on disk with cases enough to fill pages."""
    made = Client(shop_in(tmp_path / "data"))
    assert bring(made.shop, a_family(), a_case("one"), *(a_case(f"c{n}", notes="y" * 900) for n in range(60)))
    yield made
    made.close()


def set_pragma(client: Client, pragma: str) -> None:
    with client.shop.store._engine.connect() as connection:
        connection.exec_driver_sql(f"PRAGMA {pragma}")


def refused(client: Client, told: str, remedy: str, caplog: pytest.LogCaptureFixture) -> None:
    """A save is refused on a page and in the API, in words, and is in the log; what was saved stays."""
    before = cases.listed(client.shop, "all", limit=1, offset=0)[0]
    answer = client.post("/cases", data=NEW)
    assert answer.status_code == 503
    assert told in answer.text
    assert remedy in answer.text
    error = error_of(client.post("/api/cases", json={"family": "GL-31", "notes": "x" * 19_000}))
    assert told in error["message"]
    assert remedy in error["remedy"]
    assert told in caplog.text
    assert client.get("/cases/one").status_code == 200
    assert cases.listed(client.shop, "all", limit=1, offset=0)[0] == before


def test_a_full_disk(kept: Client, caplog: pytest.LogCaptureFixture) -> None:
    with kept.shop.store._engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    set_pragma(kept, f"max_page_count = {pages + 1}")
    refused(kept, "The disk is full", "Free some space", caplog)
    set_pragma(kept, "max_page_count = 1000000")
    assert kept.post("/cases", data=NEW).status_code == 303


def test_a_store_that_may_only_be_read(kept: Client, caplog: pytest.LogCaptureFixture) -> None:
    set_pragma(kept, "query_only = ON")
    refused(kept, "read-only", "right to write", caplog)
    set_pragma(kept, "query_only = OFF")
    assert kept.post("/cases", data=NEW).status_code == 303


def test_a_store_that_another_program_holds(kept: Client, caplog: pytest.LogCaptureFixture) -> None:
    set_pragma(kept, "busy_timeout = 50")
    with closing(sqlite3.connect(kept.shop.settings.store_file)) as other:
        other.execute("BEGIN IMMEDIATE")
        refused(kept, "Another program", "Wait a moment", caplog)
        other.rollback()
    assert kept.post("/cases", data=NEW).status_code == 303


def test_damaged_pages_of_the_database(kept: Client, caplog: pytest.LogCaptureFixture) -> None:
    file = kept.shop.settings.store_file
    kept.shop.store.close()
    whole = bytearray(file.read_bytes())
    whole[8192:] = b"\xa5" * (len(whole) - 8192)
    file.write_bytes(bytes(whole))
    answer = kept.get("/cases/one")
    assert answer.status_code == 503
    assert "damaged" in answer.text
    assert "kb restore" in answer.text
    assert "damaged" in caplog.text
    assert file.read_bytes() == bytes(whole)


def test_a_photograph_that_is_missing(kept: Client) -> None:
    name = kept.shop.files.put(b"not really a photograph")
    kept.shop.files.path(name).unlink()
    with pytest.raises(StoreTrouble, match="missing") as caught:
        kept.shop.files.open(name)
    assert "backup" in (caught.value.remedy or "")


def test_a_database_file_that_is_missing_is_not_replaced_by_an_empty_one(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family(), a_case("one")).saved
    shop.close()
    shop.settings.store_file.unlink()
    with pytest.raises(StoreTrouble, match="store is gone") as caught:
        Shop.open(settings_in(tmp_path / "data"))
    assert "kb restore" in (caught.value.remedy or "")
    assert not shop.settings.store_file.exists()
