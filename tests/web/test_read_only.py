"""A disk or folder that is write-protected when the program starts: everything can be read, nothing is lost."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from factories import TODAY, a_case, a_family, bring, exported, settings_in, shop_in
from web_client import Client, Page, error_of

from kb.errors import StoreReadOnly, StoreTrouble
from kb.service import Shop
from kb.service.operate import backup_files
from kb.store import Store
from kb.store.engine import schema, sqlite_files
from kb.store.portable import backup_file

pytestmark = pytest.mark.once("disk and file are SQLite's own")


def content_of(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def protect(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Write-protects a folder. Root may write all the same, so for root SQLite and the system say what they would."""
    for path in [*folder.rglob("*"), folder]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    if os.access(folder, os.W_OK):
        real, connect = os.access, sqlite3.connect
        monkeypatch.setattr(
            os, "access", lambda path, mode: Path(path).is_relative_to(folder) is False and real(path, mode)
        )

        class Refusing:
            """As SQLite is where it finds no place for the list of the write-ahead log."""

            def execute(self, _: str) -> None:
                raise sqlite3.OperationalError("unable to open database file")

            def close(self) -> None:
                pass

        def looked(address: str, *given: Any, **options: Any) -> Any:
            if str(address).startswith(folder.as_uri()) and "immutable" not in str(address):
                return Refusing()
            return connect(address, *given, **options)

        monkeypatch.setattr(sqlite_files.sqlite3, "connect", looked)


@pytest.fixture
def protected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Client, dict[str, str]]]:
    data = tmp_path / "data"
    made = shop_in(data)
    assert bring(made, a_family(), a_case("one"), a_case("two", notes="smells burnt")).saved
    made.refresh()
    made.close()
    before = content_of(data)
    protect(data, monkeypatch)
    client = Client(Shop.open(settings_in(data), today=lambda: TODAY))
    yield client, before
    client.close()
    monkeypatch.undo()
    assert content_of(data) == before
    for path in [data, *data.rglob("*")]:
        path.chmod(0o700 if path.is_dir() else 0o600)


Protected = tuple[Client, dict[str, str]]


def test_every_page_says_so_and_what_to_do(protected: Protected) -> None:
    client, _ = protected
    for path in ("/", "/cases", "/cases/one", "/families/GL-31", "/diagnose?text=relay+clicks", "/data"):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "is write-protected" in answer.text
        assert "mounted for writing" in answer.text
        assert 'href="/cases/new"' not in answer.text.partition("<main")[0]
    assert "smells burnt" in client.get("/cases/two").text
    assert client.get("/api/search", params={"q": "burnt"}).json()["hits"][0]["case"] == "two"
    health = client.get("/api/health")
    assert health.status_code == 200
    assert "write-protected" in health.json()["trouble"]


def test_what_is_typed_is_kept_and_nothing_is_saved(protected: Protected) -> None:
    client, _ = protected
    typed = {"family": "GL-31", "complaint": "no standby after lightning", "verdict": ""}
    answer = client.post("/cases", data=typed)
    assert answer.status_code == 503
    assert "Nothing can be saved" in answer.text
    assert Page(answer.text).form("/cases")["complaint"] == typed["complaint"]
    error = error_of(client.post("/api/cases", json={"family": "GL-31", "complaint": "dead"}))
    assert "write-protected" in error["message"]
    assert "start the program again" in error["remedy"]
    assert len(client.get("/api/search", params={"q": "lightning"}).json()["hits"]) == 0


def test_the_records_can_be_carried_away(protected: Protected, tmp_path: Path) -> None:
    client, _ = protected
    assert len(exported(client.shop).splitlines()) > 2
    backup_files.back_up(client.shop.settings, tmp_path / "carried.zip")
    assert backup_file.manifest_of(tmp_path / "carried.zip").counts["case"] == 2


def test_a_store_of_an_earlier_program_is_not_opened_half_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = shop_in(tmp_path / "data")
    file = made.settings.store_file
    made.close()
    monkeypatch.setattr(schema, "head", lambda: "9999")
    with pytest.raises(StoreReadOnly, match="write-protected"):
        Store(f"sqlite:///{file}", read_only=True)


def test_a_disk_that_becomes_read_only_later_keeps_what_is_typed_too(tmp_path: Path) -> None:
    client = Client(shop_in(tmp_path / "data"))
    assert bring(client.shop, a_family()).saved
    with client.shop.store._engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    answer = client.post("/cases", data={"family": "GL-31", "complaint": "hums", "verdict": ""})
    assert answer.status_code == 503
    assert Page(answer.text).form("/cases")["complaint"] == "hums"
    client.close()


def test_without_a_store_the_start_says_what_is_wrong(tmp_path: Path) -> None:
    blocked = tmp_path / "a file"
    blocked.write_bytes(b"")
    with pytest.raises(StoreTrouble, match="cannot be made") as caught:
        Shop.open(settings_in(blocked / "data"))
    assert "KB_DATA" in (caught.value.remedy or "")
