"""A store moved to PostgreSQL and back is the same store, row for row and byte for byte."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
from collections.abc import Iterable
from pathlib import Path

import commands
import pictures_made as made
import pytest
from databases import Server
from factories import TODAY, a_case, a_family, bring, demo_lines, exported

from kb.config import Settings
from kb.errors import BadInput, StoreTrouble, Taken
from kb.service import Shop
from kb.service.cases import cases, files
from kb.service.operate import health, integrity
from kb.service.transfer import json_lines, relocate

pytestmark = pytest.mark.once("it makes its own databases on both")


def settings(folder: Path, address: str = "") -> Settings:
    return Settings(data=folder, database_url=address)


def opened(folder: Path, address: str = "") -> Shop:
    return Shop.open(settings(folder, address), today=lambda: TODAY)


def kb(folder: Path, *arguments: str, address: str = "") -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    done = commands.run(list(arguments), {**kept, "KB_DATA": str(folder), "KB_DATABASE_URL": address})
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.long)])  # of the demo's cases
def test_there_and_back_again_every_row_and_number_is_the_same(
    shared_server: Server, tmp_path: Path, every: int
) -> None:
    first = opened(tmp_path / "here")
    assert json_lines.bring_in(first, demo_lines(every)).saved
    some = first.derived.index.search("relay", limit=3).hits
    cases.put_in_bin(first, some[0].uid)
    cases.save(first, a_case(some[1].uid, family=some[1].family, readings=[]), expected_version=1)
    before, change = exported(first), json_lines.newest_change(first)
    history = cases.history(first, some[1].uid)
    first.close()

    there = shared_server.empty_database()
    told: list[tuple[int, int]] = []
    moved = relocate.move(
        settings(tmp_path / "here"), to=there, progress=lambda done, total: told.append((done, total))
    )
    assert told[-1][0] == told[-1][1] == sum(moved.rows.values()) > 1000
    assert moved.rows["history"] == 1

    shop = opened(tmp_path / "there", there)
    assert exported(shop) == before
    assert json_lines.newest_change(shop) == change
    assert [old["record"] for old in cases.history(shop, some[1].uid)] == [old["record"] for old in history]
    # Numbers go on after those that were copied.
    assert bring(shop, a_family("ZZ-9"), a_case("after the move".replace(" ", "-"), family="ZZ-9")).saved
    assert json_lines.newest_change(shop) == change + 2
    later = exported(shop)
    shop.close()

    back = relocate.move(settings(tmp_path / "again"), origin=there)
    assert sum(back.rows.values()) > sum(moved.rows.values())
    shop = opened(tmp_path / "again")
    assert exported(shop) == later
    assert json_lines.newest_change(shop) == change + 2
    shop.close()


def with_photographs(shop: Shop, *, case: str = "one") -> dict[str, bytes]:
    """Adds two photographs, one of them in the bin; answers the bytes that are kept, by their hash."""
    sent = [("a.jpg", io.BytesIO(made.jpeg())), ("b.png", io.BytesIO(made.png()))]
    kept = files.add(shop, case, sent).kept
    assert len(kept) == 2
    files.put_in_bin(shop, case, kept[1].uid)
    return bytes_in(shop, [one.content.content for one in kept])


def bytes_in(shop: Shop, contents: Iterable[str]) -> dict[str, bytes]:
    found = {}
    for content in contents:
        with shop.files.open(content) as file:
            found[content] = file.read()
    return found


def test_photographs_are_there_and_whole_wherever_the_store_is_moved(
    shared_server: Server, tmp_path: Path
) -> None:
    """Hashes by hashlib, which is not ours; the same photographs after each of three moves."""
    first = opened(tmp_path / "here")
    assert bring(first, a_family(), a_case("one")).saved
    kept = with_photographs(first)
    assert all(hashlib.sha256(content).hexdigest() == name for name, content in kept.items())
    first.close()

    # To PostgreSQL: the folder of the shop stays the folder of the shop, and nothing is copied.
    address = shared_server.empty_database()
    moved = relocate.move(settings(tmp_path / "here"), to=address).files
    assert (moved.folder, moved.referred, moved.copied, moved.faults) == (
        tmp_path / "here" / "files", 2, 0, (),
    )  # fmt: skip
    shop = opened(tmp_path / "here", address)
    assert bytes_in(shop, kept) == kept
    assert len(files.of_case(shop, "one").kept) == len(files.of_case(shop, "one").binned) == 1
    (third,) = files.add(shop, "one", [("c.webp", io.BytesIO(made.webp()))]).kept
    kept |= bytes_in(shop, [third.content.content])
    shop.close()

    # Back into a file that lies elsewhere: its photographs lie beside it.
    file = tmp_path / "again" / "store.sqlite3"
    moved = relocate.move(settings(tmp_path / "here", address), to=str(file)).files
    assert (moved.folder, moved.referred, moved.copied, moved.faults) == (
        tmp_path / "again" / "files", 3, 3, (),
    )  # fmt: skip
    shop = opened(tmp_path / "again")
    assert bytes_in(shop, kept) == kept
    assert integrity.check(shop).faults == []
    shop.close()

    # From there into another data folder; one that is damaged on the way is replaced, the rest is kept.
    target = tmp_path / "other" / "files"
    damaged, sound = sorted(kept)[:2]
    for content, body in ((damaged, b"half"), (sound, kept[sound])):
        (target / content[:2]).mkdir(parents=True, exist_ok=True)
        (target / content[:2] / content).write_bytes(body)
    moved = relocate.move(settings(tmp_path / "other"), origin=str(file)).files
    assert (moved.folder, moved.referred, moved.copied, moved.faults) == (target, 3, 2, ())
    shop = opened(tmp_path / "other")
    assert bytes_in(shop, kept) == kept
    shop.close()


def test_a_folder_that_somebody_named_is_that_of_both_stores(shared_server: Server, tmp_path: Path) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    named = settings(tmp_path / "here").model_copy(update={"files": str(shared)})
    shop = Shop.open(named, today=lambda: TODAY)
    assert bring(shop, a_family(), a_case("one")).saved
    with_photographs(shop)
    shop.close()
    for moved in (
        relocate.move(named, to=shared_server.empty_database()).files,
        relocate.move(named, to=str(tmp_path / "there" / "store.sqlite3")).files,
    ):
        assert (moved.folder, moved.referred, moved.copied, moved.missing) == (shared, 2, 0, 0)


def test_the_command_names_photographs_that_are_in_no_folder(shared_server: Server, tmp_path: Path) -> None:
    shop = opened(tmp_path / "here")
    assert bring(shop, a_family(), a_case("one")).saved
    gone, damaged = with_photographs(shop)
    shop.files.path(gone).unlink()
    shop.files.path(damaged).write_bytes(b"half")
    shop.close()
    address = shared_server.empty_database()
    done = kb(tmp_path / "here", "move", "--to", address)
    assert done.returncode == 1
    assert f"0 of 2 photographs and files are whole in {tmp_path / 'here' / 'files'}" in done.stdout
    assert f"File {gone} is missing." in done.stdout
    assert f"File {damaged} is damaged" in done.stdout
    assert done.stderr.startswith("kb: 2 photographs and files are missing or damaged. Copy them into")
    # The records were moved all the same.
    shop = opened(tmp_path / "there", address)
    assert cases.view(shop, "one").record.family == "GL-31"
    shop.close()


def test_a_target_folder_that_cannot_be_written_is_told_and_the_records_are_moved(tmp_path: Path) -> None:
    shop = opened(tmp_path / "here")
    assert bring(shop, a_family(), a_case("one")).saved
    with_photographs(shop)
    shop.close()
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "files").write_text("a file in the place of the folder")
    moved = relocate.move(settings(tmp_path / "here"), to=str(tmp_path / "there" / "store.sqlite3"))
    assert (moved.files.copied, moved.files.missing) == (0, 2)
    assert "cannot be used" in moved.files.faults[0]
    assert moved.rows["board_case"] == 1


def test_a_machine_without_the_others_photographs_says_so(shared_server: Server, tmp_path: Path) -> None:
    address = shared_server.empty_database()
    first, second = opened(tmp_path / "first", address), opened(tmp_path / "second", address)
    assert bring(first, a_family(), a_case("one")).saved
    kept = with_photographs(first)
    assert health.health(first).files_trouble is None
    told = health.health(second).files_trouble
    assert told is not None
    assert f"2 are not in {tmp_path / 'second' / 'files'}" in told
    assert "KB_FILES" in told
    second.close()
    # With one folder of both it is seen on either, whoever sent it.
    shared = settings(tmp_path / "second", address).model_copy(
        update={"files": str(tmp_path / "first" / "files")}
    )
    second = Shop.open(shared, today=lambda: TODAY)
    assert health.health(second).files_trouble is None
    assert bytes_in(second, kept) == kept
    (sent,) = files.add(second, "one", [("c.webp", io.BytesIO(made.webp()))]).kept
    content = sent.content.content
    assert hashlib.sha256(bytes_in(first, [content])[content]).hexdigest() == content
    first.close()
    second.close()


def test_a_target_that_holds_anything_is_refused_and_stays_as_it_was(
    shared_server: Server, tmp_path: Path
) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one")).saved
    source.close()
    there = shared_server.empty_database()
    target = opened(tmp_path / "there", there)
    assert bring(target, a_family("WB-7")).saved
    before = exported(target)
    with pytest.raises(Taken, match="holds records"):
        relocate.move(settings(tmp_path / "here"), to=there)
    assert exported(target) == before
    target.close()


def test_a_store_is_not_moved_onto_itself(shared_server: Server, tmp_path: Path) -> None:
    there = shared_server.empty_database()
    with pytest.raises(BadInput, match="the same store"):
        relocate.move(settings(tmp_path, there), to=there)
    opened(tmp_path, there).close()
    other_form = there.replace("postgresql://", "postgres://")
    with pytest.raises(BadInput, match="the same store"):
        relocate.move(settings(tmp_path, there), to=other_form)


def test_a_copy_that_reads_differently_is_refused(
    shared_server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one")).saved
    source.close()
    answers = iter(["one", "another"])
    monkeypatch.setattr(relocate, "_checksum", lambda _store: next(answers))
    with pytest.raises(StoreTrouble, match="came out differently"):
        relocate.move(settings(tmp_path / "here"), to=shared_server.empty_database())


def test_the_command_counts_what_it_moved_and_says_what_to_set(shared_server: Server, tmp_path: Path) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one"), a_case("two")).saved
    source.close()
    there = shared_server.empty_database()
    done = kb(tmp_path / "here", "move", "--to", there)
    assert done.returncode == 0, done.stderr
    assert "KB_DATABASE_URL" in done.stdout
    assert [line.split() for line in done.stdout.splitlines() if line.startswith("board_case ")] == [
        ["board_case", "2"]
    ]
    file = tmp_path / "copy" / "store.sqlite3"
    back = kb(tmp_path / "there", "move", "--to", str(file), address=there)
    assert back.returncode == 0, back.stderr
    assert file.is_file()
    assert kb(tmp_path / "here", "export").stdout == kb(tmp_path / "copy", "export").stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--from", "nowhere.sqlite3"), "There is no store at"),
        (("--to", "mysql://host/x"), "does not know databases of the kind mysql"),
        (("--to", "postgresql://kb@127.0.0.1:1/x"), "does not answer"),
    ],
)
def test_a_place_that_cannot_be_used_is_told_in_one_line(
    tmp_path: Path, arguments: tuple[str, str], told: str
) -> None:
    opened(tmp_path).close()
    done = kb(tmp_path, "move", *arguments)
    assert done.returncode == 1
    assert done.stderr.startswith("kb: ")
    assert told in done.stderr
    assert "Traceback" not in done.stderr
