"""A store moved to PostgreSQL and back is the same store, row for row and byte for byte."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from databases import Server
from factories import TODAY, a_case, a_family, bring, demo_lines, exported

from kb.config import Settings
from kb.errors import BadInput, StoreTrouble, Taken
from kb.service import Shop, cases, moving, relocating

pytestmark = pytest.mark.once("it makes its own databases on both")


def settings(folder: Path, address: str = "") -> Settings:
    return Settings(data=folder, database_url=address)


def opened(folder: Path, address: str = "") -> Shop:
    return Shop.open(settings(folder, address), today=lambda: TODAY)


def kb(folder: Path, *arguments: str, address: str = "") -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    return subprocess.run(
        [sys.executable, "-m", "kb", *arguments],
        env={**environment, "KB_DATA": str(folder), "KB_DATABASE_URL": address},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def test_there_and_back_again_every_row_and_number_is_the_same(server: Server, tmp_path: Path) -> None:
    first = opened(tmp_path / "here")
    assert moving.bring_in(first, demo_lines()).saved
    some = first.derived.index.search("relay", limit=3).hits
    cases.put_in_bin(first, some[0].uid)
    cases.save(first, a_case(some[1].uid, family=some[1].family, readings=[]), expected_version=1)
    before, change = exported(first), moving.newest_change(first)
    history = cases.history(first, some[1].uid)
    first.close()

    there = server.empty_database()
    told: list[tuple[int, int]] = []
    moved = relocating.move(
        settings(tmp_path / "here"), to=there, progress=lambda done, total: told.append((done, total))
    )
    assert told[-1][0] == told[-1][1] == sum(moved.rows.values()) > 1000
    assert moved.rows["history"] == 1

    shop = opened(tmp_path / "there", there)
    assert exported(shop) == before
    assert moving.newest_change(shop) == change
    assert [old["record"] for old in cases.history(shop, some[1].uid)] == [old["record"] for old in history]
    # Numbers go on after those that were copied.
    assert bring(shop, a_family("ZZ-9"), a_case("after the move".replace(" ", "-"), family="ZZ-9")).saved
    assert moving.newest_change(shop) == change + 2
    later = exported(shop)
    shop.close()

    back = relocating.move(settings(tmp_path / "again"), origin=there)
    assert sum(back.rows.values()) > sum(moved.rows.values())
    shop = opened(tmp_path / "again")
    assert exported(shop) == later
    assert moving.newest_change(shop) == change + 2
    shop.close()


def test_a_target_that_holds_anything_is_refused_and_stays_as_it_was(server: Server, tmp_path: Path) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one")).saved
    source.close()
    there = server.empty_database()
    target = opened(tmp_path / "there", there)
    assert bring(target, a_family("WB-7")).saved
    before = exported(target)
    with pytest.raises(Taken, match="holds records"):
        relocating.move(settings(tmp_path / "here"), to=there)
    assert exported(target) == before
    target.close()


def test_a_store_is_not_moved_onto_itself(server: Server, tmp_path: Path) -> None:
    there = server.empty_database()
    with pytest.raises(BadInput, match="the same store"):
        relocating.move(settings(tmp_path, there), to=there)
    opened(tmp_path, there).close()
    other_form = there.replace("postgresql://", "postgres://")
    with pytest.raises(BadInput, match="the same store"):
        relocating.move(settings(tmp_path, there), to=other_form)


def test_a_copy_that_reads_differently_is_refused(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one")).saved
    source.close()
    answers = iter(["one", "another"])
    monkeypatch.setattr(relocating, "_checksum", lambda _store: next(answers))
    with pytest.raises(StoreTrouble, match="came out differently"):
        relocating.move(settings(tmp_path / "here"), to=server.empty_database())


def test_the_command_counts_what_it_moved_and_says_what_to_set(server: Server, tmp_path: Path) -> None:
    source = opened(tmp_path / "here")
    assert bring(source, a_family(), a_case("one"), a_case("two")).saved
    source.close()
    there = server.empty_database()
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
