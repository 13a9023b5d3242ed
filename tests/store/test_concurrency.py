"""Many people at one store: nothing lost, nobody told that it is locked."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from pathlib import Path

import pytest
from factories import TODAY, a_case, a_family, bring, settings_in
from sqlmodel import Session

from kb.errors import Conflict
from kb.service import Shop
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.shop import copies
from kb.store import Store
from kb.store.records import cases as stored
from kb.store.records.cases import Writer

THREADS = 8


def in_threads(work) -> list[BaseException]:  # type: ignore[no-untyped-def]
    troubles: list[BaseException] = []

    def guarded(number: int) -> None:
        try:
            work(number)
        except BaseException as error:
            troubles.append(error)

    threads = [threading.Thread(target=guarded, args=(number,)) for number in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return troubles


@pytest.mark.parametrize("helped", [True, False])
def test_a_large_store_is_indexed_with_a_second_process_or_alone_where_there_is_none(
    disk_shop: Shop, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, helped: bool
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError("no semaphores here")

    assert bring(disk_shop, *(a_case(f"case-{number}", notes="squeaks") for number in range(600))).saved
    monkeypatch.setattr(copies, "_HELPED_FROM", 500)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    if not helped:
        monkeypatch.setattr("kb.search.bulk.ProcessPoolExecutor", refuse)
    told: list[int] = []
    assert disk_shop.derived.rebuild_index(told.append) == 600
    assert told[-1] == 600
    assert ("no semaphores here" in caplog.text) is not helped
    assert disk_shop.derived.index.search("squeaks").total == 600


@pytest.mark.parametrize("writes", [12, pytest.param(50, marks=pytest.mark.long)])
def test_eight_threads_write_many_cases_each_and_none_is_lost(disk_shop: Shop, writes: int) -> None:
    def work(thread: int) -> None:
        for number in range(writes):
            with disk_shop.store.write() as session:
                Writer(session).write([a_case(f"t{thread}-{number}")])

    assert in_threads(work) == []
    with disk_shop.store.read() as session:
        assert stored.count(session) == THREADS * writes
    disk_shop.refresh()
    assert disk_shop.derived.trouble is None
    assert families.fixes(disk_shop, "GL-31")[0].record.cured == THREADS * writes


def test_cases_saved_and_read_at_once_leave_the_derived_copies_in_step(disk_shop: Shop) -> None:
    def work(thread: int) -> None:
        for number in range(8):
            cases.save(disk_shop, a_case(f"t{thread}-{number}"))
            assert disk_shop.derived.index.search("relay", limit=5).total >= 1
            assert families.fixes(disk_shop, "GL-31")[0].record.tried >= 1

    assert in_threads(work) == []
    assert disk_shop.derived.trouble is None
    assert disk_shop.derived.index.search("relay", limit=5).total == THREADS * 8


def test_of_several_edits_of_one_version_exactly_one_is_kept(disk_shop: Shop) -> None:
    cases.save(disk_shop, a_case("one"))

    def work(thread: int) -> None:
        cases.save(disk_shop, a_case("one", notes=f"from {thread}"), expected_version=1)

    troubles = in_threads(work)
    assert len(troubles) == THREADS - 1
    assert all(isinstance(trouble, Conflict) for trouble in troubles), troubles
    assert cases.stored(disk_shop, "one").version == 2


def test_of_several_new_cases_with_one_uid_exactly_one_is_kept(disk_shop: Shop) -> None:
    troubles = in_threads(lambda thread: cases.add_new(disk_shop, a_case("one", notes=f"from {thread}")))
    assert len(troubles) == THREADS - 1
    assert {type(trouble).__name__ for trouble in troubles} == {"Taken"}, troubles
    assert cases.stored(disk_shop, "one").version == 1


def test_what_another_process_wrote_is_found_without_a_restart(disk_shop: Shop, tmp_path: Path) -> None:
    settings = settings_in(tmp_path / "data")
    other = Store(settings.store_url or f"sqlite:///{settings.store_file}")
    with other.write() as session:
        Writer(session).write([a_case("elsewhere")])
    other.close()
    assert [hit.uid for hit in disk_shop.derived.index.search("relay", limit=5).hits] == ["elsewhere"]


@pytest.mark.once("puts the bytes of an older file back")
def test_derived_copies_survive_a_restart_and_follow_a_restored_older_store(tmp_path: Path) -> None:
    settings = settings_in(tmp_path / "data")
    shop = Shop.open(settings, today=lambda: TODAY)
    families.save(shop, a_family())
    cases.save(shop, a_case("one"))
    shop.close()
    older = settings.store_file.read_bytes()
    shop = Shop.open(settings, today=lambda: TODAY)
    cases.save(shop, a_case("two"))
    assert shop.derived.index.search("relay", limit=5).total == 2
    shop.close()
    settings.store_file.write_bytes(older)
    shop = Shop.open(settings, today=lambda: TODAY)
    cases.save(shop, a_case("three"))
    assert {hit.uid for hit in shop.derived.index.search("relay", limit=5).hits} == {"one", "three"}
    assert families.fixes(shop, "GL-31")[0].record.tried == 2
    shop.close()


@pytest.mark.once("what SQLite's connections hold")
def test_a_rush_leaves_few_connections_and_readers_hold_few_pages(disk_shop: Shop) -> None:
    def cache_kb(session: Session) -> int:
        return -int(session.connection().exec_driver_sql("PRAGMA cache_size").scalar_one())

    pool = disk_shop.store._engine.pool
    with ExitStack() as rush:
        for _ in range(20):
            assert cache_kb(rush.enter_context(disk_shop.store.read())) == 2_048
        assert pool.checkedout() == 20  # type: ignore[attr-defined]
    assert pool.checkedin() == 4  # type: ignore[attr-defined]
    with disk_shop.store.write() as session:
        assert cache_kb(session) == 16_384
    # The same connection, used last, reads next.
    with disk_shop.store.read() as session:
        assert cache_kb(session) == 2_048
