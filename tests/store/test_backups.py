"""One portable file that can be trusted, made while the store is in use and put back without a loss."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import zipfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from factories import a_case, a_family, bring, exported, settings_in, shop_in
from processes import until

from kb.errors import BadInput, KbError, NotFound, StoreTrouble
from kb.service import Shop
from kb.service.cases import cases
from kb.service.operate import backup_files, backups
from kb.service.operate.daily import DailyBackups
from kb.store.engine import schema, sqlite_files
from kb.store.portable import backup_file

PHOTO = b"not really a photograph" * 1000


def keep_file(shop: Shop, content: bytes = PHOTO) -> Path:
    """Content in the folder of files, as the store keeps it."""
    name = hashlib.sha256(content).hexdigest()
    path = shop.settings.files_folder / name[:2] / name
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    return path


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), a_case("one"), a_case("two", notes="café ☕")).saved
    return made


def test_a_backup_says_what_it_holds_and_other_programs_can_read_it(shop: Shop, tmp_path: Path) -> None:
    photo = keep_file(shop)
    target = tmp_path / "all.zip"
    backup_files.back_up(shop.settings, target)
    with zipfile.ZipFile(target) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        members = {entry["name"]: entry for entry in manifest["members"]}
        assert set(archive.namelist()) == {"manifest.json", *members}
        for name, entry in members.items():
            content = archive.read(name)
            assert (len(content), hashlib.sha256(content).hexdigest()) == (entry["bytes"], entry["sha256"])
        (tmp_path / "taken.sqlite3").write_bytes(archive.read("store.sqlite3"))
        assert archive.read(f"files/{photo.parent.name}/{photo.name}") == PHOTO
    with closing(sqlite3.connect(tmp_path / "taken.sqlite3")) as connection:
        newest = connection.execute("SELECT seq, nonce FROM change ORDER BY seq DESC").fetchone()
        assert connection.execute("SELECT count(*) FROM board_case").fetchone() == (2,)
    assert manifest["change"] == list(newest)
    assert manifest["counts"] | {"case": 2, "family": 1, "file": 1} == manifest["counts"]
    assert (manifest["format"], manifest["schema"]) == (1, schema.head())
    assert manifest["identity"] == shop.store.identity
    assert [
        path.name for path in tmp_path.iterdir() if path.name.startswith(".") or "part" in path.name
    ] == []
    assert target.stat().st_mode & 0o077 == 0


def test_a_restored_store_is_the_store_that_was_backed_up(shop: Shop, tmp_path: Path) -> None:
    photo = keep_file(shop)
    before = exported(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    cases.save(shop, a_case("three"))
    shop.close()
    photo.unlink()
    done = backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert (done.files, done.brought_up, done.kept_is_damaged, done.restart) == (1, False, False, False)
    assert photo.read_bytes() == PHOTO
    again = Shop.open(shop.settings)
    assert exported(again) == before
    again.close()
    assert done.kept is not None
    assert sqlite_files.faults(done.kept) == []
    back = backup_files.restore(shop.settings, done.kept)
    third = Shop.open(shop.settings)
    assert cases.exists(third, "three")
    assert back.kept != done.kept
    third.close()


def test_a_running_program_sees_the_restored_records(shop: Shop, tmp_path: Path) -> None:
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    cases.save(shop, a_case("three", complaint="zorbles"))
    assert shop.derived.index.search("zorbles", limit=1).total == 1
    backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert not cases.exists(shop, "three")
    assert shop.derived.index.search("zorbles", limit=1).total == 0
    cases.save(shop, a_case("four"))
    assert shop.store.faults() == []


def test_a_store_is_made_from_a_backup_where_there_is_none(shop: Shop, tmp_path: Path) -> None:
    keep_file(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    elsewhere = settings_in(tmp_path / "elsewhere")
    done = backup_files.restore(elsewhere, tmp_path / "all.zip")
    assert (done.kept, done.files) == (None, 1)
    other = Shop.open(elsewhere)
    assert exported(other) == exported(shop)
    other.close()


@pytest.mark.once("about the file that SQLite keeps")
def test_a_bare_database_of_earlier_backups_is_still_restored(shop: Shop, tmp_path: Path) -> None:
    sqlite_files.copy_file(shop.settings.store_file, tmp_path / "old.sqlite3")
    before = exported(shop)
    cases.save(shop, a_case("three"))
    shop.close()
    backup_files.restore(shop.settings, tmp_path / "old.sqlite3")
    again = Shop.open(shop.settings)
    assert exported(again) == before
    again.close()


def damaged(file: Path, how: str) -> None:
    """Spoils a backup in one way."""
    whole = bytearray(file.read_bytes())
    if how == "a flipped bit":
        whole[len(whole) // 2] ^= 1
    elif how == "cut short":
        del whole[-100:]
    elif how == "empty":
        whole.clear()
    elif how == "a letter":
        whole[:] = b"this is a letter, not a backup. " * 100
    file.write_bytes(bytes(whole))


@pytest.mark.same("how the file of a backup is read, and when one is made")
@pytest.mark.parametrize("how", ["a flipped bit", "cut short", "empty", "a letter"])
def test_a_damaged_backup_is_refused_and_nothing_is_touched(shop: Shop, tmp_path: Path, how: str) -> None:
    keep_file(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    damaged(tmp_path / "all.zip", how)
    before = exported(shop)
    with pytest.raises(BadInput) as caught:
        backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert "all.zip" in caught.value.message
    assert exported(shop) == before
    assert list((tmp_path / "data").glob(".restore-*")) == []


def rewritten(file: Path, change) -> None:  # type: ignore[no-untyped-def]
    """The backup with its members changed by a function of {name: content}."""
    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    with zipfile.ZipFile(file, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_no_bit_of_a_backup_flips_unnoticed(shop: Shop, tmp_path: Path) -> None:
    """But for what says nothing of the content: times, flags of hosts, and the bits that fill up the last byte
    of a packed member (RFC 1951 ends a stream anywhere in a byte), so that all that is held is as it was."""
    keep_file(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    whole = (tmp_path / "all.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        places = [
            entry.header_offset
            + 30
            + int.from_bytes(whole[at + 26 : at + 28], "little")
            + int.from_bytes(whole[at + 28 : at + 30], "little")
            + step
            for entry in archive.infolist()
            for at in [entry.header_offset]
            for step in range(0, entry.compress_size, max(1, entry.compress_size // 12))
        ]
        held = {name: archive.read(name) for name in archive.namelist()}
    assert len(places) > 30
    unnoticed = 0
    for place in places:
        spoilt = bytearray(whole)
        spoilt[place] ^= 0x10
        (tmp_path / "spoilt.zip").write_bytes(bytes(spoilt))
        if not backup_file.faults(tmp_path / "spoilt.zip"):
            unnoticed += 1
            with zipfile.ZipFile(tmp_path / "spoilt.zip") as archive:
                assert {name: archive.read(name) for name in archive.namelist()} == held, place
    assert unnoticed <= 2  # the last bytes of the two packed members: the database and the manifest


@pytest.mark.same("how the file of a backup is read, and when one is made")
@pytest.mark.parametrize(
    ("told", "change"),
    [
        ("does not list extra", lambda members: members.update({"extra": b"x"})),
        ("lacks store.sqlite3", lambda members: members.pop("store.sqlite3")),
        ("no manifest", lambda members: members.pop("manifest.json")),
        ("not what was backed up", lambda members: members.update({"store.sqlite3": b"x"})),
        ("cannot be read", lambda members: members.update({"manifest.json": b"[]"})),
        ("cannot be read", lambda members: members.update({"manifest.json": b'{"format": "one"}'})),
    ],
)
def test_a_backup_that_was_meddled_with_is_refused(shop: Shop, tmp_path: Path, told: str, change) -> None:  # type: ignore[no-untyped-def]
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    rewritten(tmp_path / "all.zip", change)
    with pytest.raises(BadInput, match=told):
        backup_files.restore(shop.settings, tmp_path / "all.zip")


def listed_as(name: str, content: bytes):  # type: ignore[no-untyped-def]
    def change(members: dict[str, bytes]) -> None:
        manifest = json.loads(members["manifest.json"])
        entry = {"name": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        manifest["members"].append(entry)
        members["manifest.json"] = json.dumps(manifest).encode()
        members[name] = content

    return change


@pytest.mark.same("how the file of a backup is read, and when one is made")
@pytest.mark.parametrize("name", ["../../escaped", "/escaped", "files/../../escaped", "files/ab/escaped"])
def test_no_member_of_a_backup_is_written_outside_its_place(shop: Shop, tmp_path: Path, name: str) -> None:
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    rewritten(tmp_path / "all.zip", listed_as(name, b"x"))
    with pytest.raises(BadInput, match="damaged"):
        backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert list(tmp_path.rglob("escaped")) == []


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_a_file_under_the_hash_of_another_is_refused(shop: Shop, tmp_path: Path) -> None:
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    rewritten(tmp_path / "all.zip", listed_as("files/ab/ab" + "0" * 62, b"x"))
    with pytest.raises(BadInput, match="not what its name says"):
        backup_files.restore(shop.settings, tmp_path / "all.zip")


@pytest.mark.same("how the file of a backup is read, and when one is made")
@pytest.mark.parametrize("field", ["format", "schema"])
def test_a_backup_of_a_newer_program_is_refused_in_a_sentence(shop: Shop, tmp_path: Path, field: str) -> None:
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        database = archive.read("store.sqlite3")
    if field == "schema":
        (tmp_path / "newer.sqlite3").write_bytes(database)
        with closing(sqlite3.connect(tmp_path / "newer.sqlite3")) as connection:
            connection.execute("UPDATE alembic_version SET version_num = '9999'")
            connection.commit()
        newer = tmp_path / "newer.sqlite3"
    else:
        newer = tmp_path / "all.zip"

        def change(members: dict[str, bytes]) -> None:
            manifest = json.loads(members["manifest.json"])
            members["manifest.json"] = json.dumps({**manifest, "format": 2}).encode()

        rewritten(newer, change)
    before = exported(shop)
    with pytest.raises(BadInput, match="newer version") as caught:
        backup_files.restore(shop.settings, newer)
    assert "Install" in (caught.value.remedy or "")
    assert exported(shop) == before


@pytest.mark.once("about the file that SQLite keeps")
@pytest.mark.parametrize("how", ["pages", "all of it"])
def test_a_damaged_store_is_replaced_and_kept_byte_for_byte(shop: Shop, tmp_path: Path, how: str) -> None:
    before = exported(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    shop.close()
    live = shop.settings.store_file
    whole = bytearray(live.read_bytes())
    whole[0 if how == "all of it" else 4096 * 2 :] = b"\xa5" * (
        len(whole) - (0 if how == "all of it" else 4096 * 2)
    )
    live.write_bytes(bytes(whole))
    done = backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert done.kept_is_damaged
    assert done.kept is not None
    assert done.kept.read_bytes() == bytes(whole)
    again = Shop.open(shop.settings)
    assert exported(again) == before
    assert again.store.faults() == []
    again.close()


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_a_photograph_that_is_damaged_already_does_not_stop_backups(shop: Shop, tmp_path: Path) -> None:
    photo = keep_file(shop)
    photo.write_bytes(b"spoilt")
    manifest = backup_files.back_up(shop.settings, tmp_path / "all.zip")
    assert manifest.damaged == (f"files/{photo.parent.name}/{photo.name}",)
    assert backup_file.faults(tmp_path / "all.zip") == []
    photo.write_bytes(PHOTO)
    backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert photo.read_bytes() == PHOTO


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_a_photograph_that_was_damaged_since_is_made_whole(shop: Shop, tmp_path: Path) -> None:
    photo = keep_file(shop)
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    photo.write_bytes(b"spoilt")
    backup_files.restore(shop.settings, tmp_path / "all.zip")
    assert photo.read_bytes() == PHOTO


@pytest.mark.once("about the file that SQLite keeps")
def test_there_is_nothing_to_back_up_before_there_is_a_store(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="no store yet"):
        backup_files.back_up(settings_in(tmp_path / "data"), tmp_path / "all.zip")
    assert list(tmp_path.iterdir()) == []


def test_a_backup_that_fails_leaves_the_older_one_of_its_name(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup_files.back_up(shop.settings, tmp_path / "all.zip")
    before = (tmp_path / "all.zip").read_bytes()
    monkeypatch.setattr(backup_file, "faults", lambda _file: ["a sector went bad."])
    with pytest.raises(StoreTrouble, match="a sector went bad"):
        backup_files.back_up(shop.settings, tmp_path / "all.zip")
    assert (tmp_path / "all.zip").read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["all.zip", "data"]


# The folder of backups


NOON = datetime(2026, 11, 2, 12, tzinfo=UTC)


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_the_list_knows_what_was_read_through_and_forgets_it_when_the_file_changes(shop: Shop) -> None:
    made = backups.make(shop)
    assert (made.kind, made.state) == ("by hand", "proved")
    path = backups.path_of(shop, made.name)
    damaged(path, "a flipped bit")
    (listed,) = backups.listing(shop).backups
    assert listed.state == "not proved yet"
    assert backups.prove(shop, made.name).state == "damaged"
    (listed,) = backups.listing(shop).backups
    assert listed.state == "damaged"
    assert listed.trouble


@pytest.mark.same("how the file of a backup is read, and when one is made")
@pytest.mark.parametrize(
    "name", ["..", "../store.sqlite3", "proved.json", "no.zip", "", "a/b.zip", "\x00.zip"]
)
def test_no_name_reaches_anything_but_a_backup_in_the_folder(shop: Shop, name: str) -> None:
    backups.make(shop)
    with pytest.raises(NotFound):
        backups.path_of(shop, name)


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_two_backups_in_one_second_are_two(shop: Shop) -> None:
    assert backups.make(shop).name != backups.make(shop).name
    assert len(backups.listing(shop).backups) == 2


def test_a_backup_is_due_when_the_last_is_a_day_old_and_something_changed(shop: Shop) -> None:
    first = backups.daily_if_due(shop, datetime.now(UTC))
    assert first is not None
    assert first.kind == "daily"
    assert first.manifest is not None
    made = first.manifest.moment  # however long it took
    assert backups.daily_if_due(shop, made + timedelta(hours=23)) is None
    cases.save(shop, a_case("three"))
    assert not backups.is_due(shop, made + timedelta(hours=23, minutes=59))
    assert backups.is_due(shop, made + timedelta(days=1))


def test_a_store_in_which_nothing_changed_is_not_backed_up_again(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = backups.daily_if_due(shop, datetime.now(UTC))
    assert made is not None
    manifest = made.manifest
    assert manifest is not None
    monkeypatch.setattr(
        backups.activity, "newest_moment", lambda _session: manifest.moment - timedelta(seconds=5)
    )
    assert not backups.is_due(shop, manifest.moment + timedelta(days=30))
    monkeypatch.setattr(backups.activity, "newest_moment", lambda _session: manifest.moment)
    assert backups.is_due(shop, manifest.moment + timedelta(days=30))


def test_an_empty_store_needs_no_backup(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    assert not backups.is_due(shop, NOON)
    shop.close()


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_the_daily_backup_gives_up_old_ones_by_the_rule_and_leaves_the_rest(shop: Shop) -> None:
    folder = shop.settings.backups
    folder.mkdir()
    old = [f"kb-daily-2020{month:02d}{day:02d}-120000.zip" for month in range(1, 13) for day in (1, 2)]
    for name in [*old, "mine.zip", "kb-by-hand-20200101-120000.zip"]:
        (folder / name).write_bytes(b"x")
    assert backups.daily_if_due(shop, datetime.now(UTC))
    left = {path.name for path in folder.iterdir()}
    assert {"mine.zip", "kb-by-hand-20200101-120000.zip"} <= left
    assert "kb-daily-20200101-120000.zip" not in left
    assert len([name for name in left if name.startswith("kb-daily-2020")]) < len(old)


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_what_a_killed_backup_left_behind_goes_after_a_day_and_nothing_else_does(shop: Shop) -> None:
    folder, long_ago = shop.settings.backups, (NOON - timedelta(days=2)).timestamp()
    left = [
        folder / ".backup-k1" / "store.sqlite3",
        folder / ".prove-k2" / "store.sqlite3",
        folder / "kb.zip.part",
    ]
    kept = [folder / "mine.zip", folder / "notes.txt", folder / ".backup-now" / "store.sqlite3"]
    for path in [*left, *kept]:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    for path in [*left, left[0].parent, left[1].parent, *kept[:2]]:
        os.utime(path, (long_ago, long_ago))
    os.utime(kept[2].parent, (NOON.timestamp(), NOON.timestamp()))
    backups.daily_if_due(shop, NOON)
    assert not any(
        path.exists() or (path.parent.name.startswith((".backup-k", ".prove")) and path.parent.exists())
        for path in left
    )
    assert all(path.exists() for path in kept)


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_what_goes_wrong_with_the_daily_backup_is_kept_for_the_pages(
    shop: Shop, caplog: pytest.LogCaptureFixture
) -> None:
    shop.settings.backups.write_text("in the way")
    DailyBackups(shop).look()
    assert "No backup can be made" in shop.upkeep.trouble
    assert "KB_BACKUP_FOLDER" in shop.upkeep.remedy
    assert "No backup can be made" in caplog.text
    shop.settings.backups.unlink()
    DailyBackups(shop).look()
    assert shop.upkeep.trouble == ""
    assert len(backups.listing(shop).backups) == 1


@pytest.mark.same("how the file of a backup is read, and when one is made")
def test_the_daily_thread_makes_a_backup_and_stops_when_told(shop: Shop) -> None:
    daily = DailyBackups(shop, first_look_s=0.0)
    daily.start()
    assert backups.listing(shop).daily
    until(lambda: backups.listing(shop).backups)
    daily.stop()
    (made,) = backups.listing(shop).backups
    assert (made.kind, made.state) == ("daily", "proved")


def test_a_shop_in_memory_says_that_it_cannot_be_backed_up(tmp_path: Path) -> None:
    shop = Shop.in_memory(settings_in(tmp_path / "data"))
    with pytest.raises(KbError, match="memory only"):
        backups.make(shop)
    shop.close()
