"""Whatever happens to a process or to the index files, no record is lost and search comes right by itself."""

from __future__ import annotations

import random
from pathlib import Path

import commands
import pytest
from databases import PLACES
from factories import TODAY, a_case, a_family, bring, encoded, settings_in, shop_in
from kill_writer import kill_once, prepare
from processes import bare_environment

from kb.service import Shop
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.operate import health


def opened(folder: Path) -> Shop:
    return Shop.open(settings_in(folder), today=lambda: TODAY)


@pytest.mark.parametrize("rounds", [5, pytest.param(100, marks=pytest.mark.long)])
def test_a_writer_killed_at_any_moment_loses_no_acknowledged_case_and_search_recovers(
    rounds: int, tmp_path: Path
) -> None:
    prepare(tmp_path)
    rng = random.Random(11)
    written = 0
    for number in range(rounds):
        left = kill_once(tmp_path, number, rng)
        written += len(left.acknowledged)
        assert left.lost == ()
        assert left.found == left.in_store >= written
        assert left.healthy
    assert written > rounds


def test_a_server_and_an_import_at_once_stay_right(tmp_path: Path) -> None:
    shop = shop_in(tmp_path)
    assert bring(shop, a_family()).saved
    brought = tmp_path / "records.jsonl"
    brought.write_bytes(b"".join(encoded(a_case(f"tool-{n}", complaint="quibbles") for n in range(300))))
    environment = bare_environment(KB_DATA=str(tmp_path), KB_DATABASE_URL=PLACES.of(tmp_path))
    tool = commands.start(["import", str(brought)], environment)
    saved = 0
    while tool.poll() is None or saved < 5:
        cases.save(shop, a_case(f"server-{saved}", complaint="zorbles"))
        assert shop.derived.index.search("zorbles", limit=0).total == saved + 1
        saved += 1
    _, said = tool.communicate()
    assert tool.returncode == 0, said
    for one in (shop, opened(tmp_path)):
        state = health.health(one)
        assert (state.ok, state.cases) == (True, 300 + saved)
        index = one.derived.index
        assert index.search("zorbles", limit=0).total == saved
        assert index.search("quibbles", limit=0).total == 300
        one.close()


@pytest.mark.parametrize("damage", ["a flipped bit", "cut short", "gone", "all gone"])
def test_a_damaged_index_is_noticed_at_the_start_rebuilt_and_reported(tmp_path: Path, damage: str) -> None:
    shop = shop_in(tmp_path)
    assert bring(shop, a_family(), *(a_case(f"c{n}", complaint="zorbles") for n in range(30))).saved
    assert health.health(shop).ok
    shop.close()
    folder = shop.settings.index_folder
    files = sorted(folder.glob("*.segment"))
    whole = files[0].read_bytes()
    if damage == "a flipped bit":
        files[0].write_bytes(whole[:99] + bytes([whole[99] ^ 1]) + whole[100:])
    elif damage == "cut short":
        files[0].write_bytes(whole[:-1])
    else:
        for path in files if damage == "gone" else list(folder.iterdir()):
            path.unlink()
    again = opened(tmp_path)
    state = health.health(again)
    assert (state.ok, state.cases, state.index) == (True, 30, state.store)
    assert state.index_rebuilt
    assert again.derived.index.search("zorbles", limit=0).total == 30
    again.close()
    quiet = opened(tmp_path)
    assert health.health(quiet).index_rebuilt is None
    quiet.close()


def test_an_index_damaged_while_the_server_runs_is_noticed_at_the_next_search_rebuilt_and_reported(
    tmp_path: Path,
) -> None:
    shop = shop_in(tmp_path)
    assert bring(shop, a_family(), *(a_case(f"c{n}", complaint="zorbles") for n in range(30))).saved
    assert health.health(shop).ok
    shop.close()
    running = opened(tmp_path)
    assert case_search.search(running, "zorbles", Filters()).results.total == 30
    for path in running.settings.index_folder.glob("*.segment"):
        with path.open("r+b") as file:
            file.write(b"\x00" * path.stat().st_size)
    page = case_search.search(running, "zorbles", Filters(), limit=50)
    assert len(page.found) == 30
    state = health.health(running)
    assert state.ok
    assert str(state.index_rebuilt).startswith("its files cannot be read any more")
    cases.save(running, a_case("later", complaint="zorbles"))
    assert case_search.search(running, "zorbles", Filters()).results.total == 31
    running.close()
    again = opened(tmp_path)
    assert case_search.search(again, "zorbles", Filters()).results.total == 31
    assert health.health(again).index_rebuilt is None
    again.close()


def test_an_index_of_another_store_is_noticed_and_rebuilt(tmp_path: Path) -> None:
    first, second = shop_in(tmp_path / "a"), shop_in(tmp_path / "b")
    for shop, word in ((first, "zorbles"), (second, "quibbles")):
        assert bring(shop, a_family(), *(a_case(f"{word}{n}", complaint=word) for n in range(5))).saved
        assert health.health(shop).ok
        shop.close()
    foreign, own = second.settings.index_folder, first.settings.index_folder
    own.rename(tmp_path / "kept")
    foreign.rename(own)
    again = opened(tmp_path / "a")
    state = health.health(again)
    assert state.ok
    assert state.index_rebuilt == "it had seen a change that this store never made"
    assert again.derived.index.search("zorbles", limit=0).total == 5
    assert again.derived.index.search("quibbles", limit=0).total == 0
    again.close()


def test_a_save_asks_for_no_count_of_all_cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counting reads the whole table, so that a save would take longer the more cases there are."""
    shop = shop_in(tmp_path)
    assert bring(shop, a_family(), a_case("old")).saved
    shop.refresh()
    counted: list[object] = []
    monkeypatch.setattr("kb.store.records.cases.count", lambda session: counted.append(session) or 1)
    cases.save(shop, a_case("new", complaint="quibbles"))
    assert case_search.search(shop, "quibbles", Filters()).results.total == 1
    assert counted == []
    assert shop.derived.trouble is None
    shop.close()
