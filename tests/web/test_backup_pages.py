"""Backups in the browser: made, read through and carried away, and never a path to anything else."""

from __future__ import annotations

import errno
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, shop_in
from web_client import Client, error_of

from kb.service.operate import backups
from kb.service.operate.daily import DailyBackups


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Client]:
    """A shop on disk with one case."""
    made = Client(shop_in(tmp_path / "data"))
    assert bring(made.shop, a_family(), a_case("one")).saved
    yield made
    made.close()


def finished(client: Client, answer) -> str:  # type: ignore[no-untyped-def]
    """Where a job that was begun leads once it is over."""
    assert answer.status_code == 303, answer.text
    job = answer.headers["location"]
    assert client.shop.jobs.get(job.rsplit("/", 1)[1]).wait(STUCK_S)
    return client.get(job).headers.get("location", job)


def test_a_backup_is_made_with_a_button_listed_and_carried_away(kept: Client) -> None:
    assert "No backup yet" in kept.get("/data/backups").text
    page = kept.get(finished(kept, kept.post("/data/backups"))).text
    assert "every part of it was read back and proved" in page
    assert "by hand" in page
    assert "1 case, 1 family, 0 files" in page
    assert "proved" in page
    (made,) = backups.listing(kept.shop).backups
    answer = kept.get(f"/data/backups/{made.name}")
    assert answer.headers["content-disposition"] == f'attachment; filename="{made.name}"'
    assert answer.headers["content-type"] == "application/zip"
    assert "store.sqlite3" in zipfile.ZipFile(io.BytesIO(answer.content)).namelist()


def test_a_damaged_backup_is_shown_as_damaged_once_it_is_read_through(kept: Client) -> None:
    finished(kept, kept.post("/data/backups"))
    (made,) = backups.listing(kept.shop).backups
    path = backups.path_of(kept.shop, made.name)
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2] ^= 1
    path.write_bytes(bytes(whole))
    assert "not proved yet" in kept.get("/data/backups").text
    page = kept.get(finished(kept, kept.post(f"/data/backups/{made.name}/prove"))).text
    assert "damaged" in page
    assert "Make another" in page


@pytest.mark.parametrize(
    "name", ["store.sqlite3", "..%2Fstore.sqlite3", "%2e%2e/store.sqlite3", "proved.json"]
)
def test_nothing_but_a_backup_is_carried_away(kept: Client, name: str) -> None:
    finished(kept, kept.post("/data/backups"))
    assert kept.get(f"/data/backups/{name}").status_code == 404
    assert kept.post(f"/data/backups/{name}/prove").status_code == 404


def test_trouble_with_the_daily_backup_stands_on_the_data_pages_and_in_the_health(kept: Client) -> None:
    kept.shop.settings.backups.write_text("in the way")
    DailyBackups(kept.shop).look()
    for path in ("/data", "/data/backups"):
        page = kept.get(path).text
        assert "No backup can be made" in page
        assert "KB_BACKUP_FOLDER" in page
    answer = kept.get("/api/health")
    assert answer.status_code == 200
    assert "KB_BACKUP_FOLDER" in answer.json()["backup_trouble"]


def test_a_backup_that_cannot_be_made_says_why_on_the_page_of_the_job(kept: Client) -> None:
    kept.shop.settings.backups.write_text("in the way")
    job = finished(kept, kept.post("/data/backups"))
    page = kept.get(job).text
    assert "No backup can be made" in page
    assert "KB_BACKUP_FOLDER" in page
    assert kept.get("/cases/one").status_code == 200


def test_a_backup_that_is_not_there_is_told(kept: Client) -> None:
    answer = kept.get("/data/backups/none.zip")
    assert answer.status_code == 404
    assert "no backup of that name" in answer.text
    assert error_of(kept.get("/api/nothing"))


def test_a_folder_that_cannot_be_looked_into_is_told_in_a_sentence(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.shop.settings.backups.mkdir(parents=True)

    def refuse(folder: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(folder))

    monkeypatch.setattr(Path, "iterdir", refuse)
    page = client.get("/data/backups", headers={"Accept": "text/html"})
    assert page.status_code == 503
    assert "cannot be read: Permission denied." in page.text
    assert "KB_BACKUP_FOLDER" in page.text
