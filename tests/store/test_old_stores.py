"""A store of any earlier schema opens with nothing lost, and is copied before it is touched."""

from __future__ import annotations

import hashlib
import json
import logging
import sqlite3
from contextlib import closing
from pathlib import Path

import commands
import pytest
from earlier_stores import OLD, kept, without_added
from factories import TODAY, exported, settings_in
from processes import bare_environment

from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.cases import cases
from kb.service.operate import backup_files, integrity
from kb.store import Store
from kb.store.engine import schema, sqlite_files
from kb.store.records import bench_runs, changes, files, totals

pytestmark = pytest.mark.once("about the file that SQLite keeps")
PHOTO = b"not really a photograph"
PHOTO_NAME = hashlib.sha256(PHOTO).hexdigest()
REVISIONS = sorted(file.stem for file in OLD.glob("*.sql"))


def laid_down(revision: str, data: Path) -> Path:
    """The store of that schema as a file in a data folder."""
    data.mkdir()
    file = data / "store.sqlite3"
    file.touch(mode=0o600)
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript((OLD / f"{revision}.sql").read_text(encoding="utf-8"))
    # The photograph that the store refers to from the schema on that knows files.
    kept = data / "files" / PHOTO_NAME[:2] / PHOTO_NAME
    kept.parent.mkdir(parents=True)
    (data / "files").chmod(0o700)
    kept.write_bytes(PHOTO)
    return file


def dump(file: Path) -> list[str]:
    with closing(sqlite3.connect(file)) as connection:
        return list(connection.iterdump())


def opened(data: Path) -> Shop:
    return Shop.open(settings_in(data), today=lambda: TODAY)


def rows(file: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(file)) as connection:
        return connection.execute(query).fetchall()


# The quick tier copies and restores the first, one of the middle and the last; it opens them all.
SOME = {REVISIONS[0], REVISIONS[len(REVISIONS) // 2], REVISIONS[-1]}
IN_PART = [
    revision if revision in SOME else pytest.param(revision, marks=pytest.mark.long) for revision in REVISIONS
]


def test_there_is_a_store_of_every_schema_from_the_first_on() -> None:
    """A new migration fails here until the schema before it has its store (README beside the dumps)."""
    *earlier, present = sorted(schema.known())
    assert earlier == [revision for revision in REVISIONS if revision != present]


@pytest.mark.parametrize("revision", REVISIONS)
def test_each_old_store_holds_rows_in_every_table_of_its_time(revision: str, tmp_path: Path) -> None:
    file = laid_down(revision, tmp_path / "data")
    assert rows(file, "SELECT version_num FROM alembic_version") == [(revision,)]
    names = [name for (name,) in rows(file, "SELECT name FROM sqlite_master WHERE type = 'table'")]
    assert len(names) > 15
    empty = [name for name in names if not rows(file, f'SELECT 1 FROM "{name}"')]
    assert empty == []


@pytest.mark.parametrize("revision", REVISIONS)
def test_an_old_store_opens_and_every_record_is_what_it_was(revision: str, tmp_path: Path) -> None:
    file = laid_down(revision, tmp_path / "data")
    feed = rows(file, "SELECT seq, nonce, entity, key, operation, at FROM change ORDER BY seq")
    history = rows(file, "SELECT entity, key, version, record FROM history ORDER BY id")
    identity = json.loads(str(rows(file, "SELECT value FROM setting WHERE name = 'identity'")[0][0]))
    shop = opened(tmp_path / "data")
    assert without_added(exported(shop)) == kept(revision)
    assert shop.store.identity == identity
    assert cases.stored(shop, "old-3").binned_at is not None
    assert [entry["version"] for entry in cases.history(shop, "old-2")] == [1]
    with shop.read() as session:
        assert totals.faults(session) == []
    assert integrity.check(shop).faults == []
    with shop.read() as session:
        assert changes.latest(session) == feed[-1][:2]
        if revision >= "0002":
            (run,) = bench_runs.of_case(session, "old-1")
            assert [entry.value for entry in run.entries] == [0.3]
            assert run.left_out == {"2": "no fuse"}
            _draft, (report,) = bench_runs.reports_of(session, "old-1")
            assert report.content == {"asked": "Stays dark."}
        if revision >= "0008":
            (photo,) = files.of_case(session, "old-1")
            assert (photo.content.content, photo.caption) == (PHOTO_NAME, "as it came in")
    shop.close()
    assert rows(file, "SELECT seq, nonce, entity, key, operation, at FROM change ORDER BY seq") == feed
    assert rows(file, "SELECT entity, key, version, record FROM history ORDER BY id") == history


@pytest.mark.parametrize("revision", IN_PART)
def test_it_is_copied_as_it_was_before_it_is_brought_up(
    revision: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    before = dump(laid_down(revision, tmp_path / "data"))
    with caplog.at_level(logging.WARNING):
        opened(tmp_path / "data").close()
    kept = list((tmp_path / "data" / "backups").glob("*"))
    if revision == schema.head():
        assert kept == []
        return
    (copy,) = kept
    assert copy.name.startswith(f"before-upgrade-{revision}-")
    assert copy.suffix == ".sqlite3"
    assert sqlite_files.faults(copy) == []
    assert dump(copy) == before
    assert str(copy) in caplog.text
    opened(tmp_path / "data").close()
    assert list((tmp_path / "data" / "backups").iterdir()) == [copy]


def test_a_store_that_cannot_be_copied_is_left_at_its_old_schema(tmp_path: Path) -> None:
    file = laid_down(REVISIONS[0], tmp_path / "data")
    before = dump(file)
    (tmp_path / "data" / "backups").write_text("in the way")
    with pytest.raises(StoreTrouble, match="no copy of it could be made") as caught:
        opened(tmp_path / "data")
    assert "KB_BACKUP_FOLDER" in (caught.value.remedy or "")
    assert dump(file) == before


def test_the_command_line_says_where_the_copy_is(tmp_path: Path) -> None:
    laid_down(REVISIONS[0], tmp_path / "data")
    done = commands.run(["export"], bare_environment(KB_DATA=str(tmp_path / "data")))
    told = done.stderr.decode()
    assert done.returncode == 0, told
    assert without_added(done.stdout.decode()) == kept(REVISIONS[0])
    (copy,) = (tmp_path / "data" / "backups").iterdir()
    assert str(copy) in told
    assert len(told.splitlines()) == 1


def test_an_empty_old_store_needs_no_copy(tmp_path: Path) -> None:
    file = laid_down(REVISIONS[0], tmp_path / "data")
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("DELETE FROM change")
        connection.commit()
    opened(tmp_path / "data").close()
    assert not (tmp_path / "data" / "backups").exists()


def test_a_store_of_a_newer_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    file = laid_down(REVISIONS[-1], tmp_path / "data")
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    before = dump(file)
    with pytest.raises(StoreTrouble, match="newer version") as caught:
        Store.at(file)
    assert "Install" in (caught.value.remedy or "")
    assert dump(file) == before


@pytest.mark.parametrize("revision", IN_PART)
def test_a_backup_of_an_old_store_is_restored_into_the_present_one(revision: str, tmp_path: Path) -> None:
    laid_down(revision, tmp_path / "data")
    manifest = backup_files.back_up(settings_in(tmp_path / "data"), tmp_path / "old.zip")
    assert manifest.schema == revision
    done = backup_files.restore(settings_in(tmp_path / "new"), tmp_path / "old.zip")
    assert (done.schema, done.brought_up) == (revision, revision != schema.head())
    shop = opened(tmp_path / "new")
    assert without_added(exported(shop)) == kept(revision)
    assert integrity.check(shop).faults == []
    shop.close()
