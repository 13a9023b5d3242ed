"""Disks that fail, memory that ends and power that is cut while records are saved: what was acknowledged stays."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import faulty_disk
import pytest
from factories import TODAY, a_case, a_family, bring, settings_in, shop_in
from faulty_disk import FaultyDisk

from kb.errors import KbError, StoreTrouble
from kb.model import CaseRecord
from kb.service import Shop
from kb.service.cases import cases
from kb.service.operate import integrity

pytestmark = pytest.mark.once("a file system under SQLite")
SAVES = [pytest.param(40, id="40 saves"), pytest.param(500, id="500 saves", marks=pytest.mark.long)]


def _case(uid: str, complaint: str) -> CaseRecord:
    return a_case(uid, complaint=complaint, notes=complaint * 5)


class Book:
    """What was acknowledged, and what was refused and may be there or not."""

    def __init__(self) -> None:
        self.sure: dict[str, str] = {}
        self.unsure: dict[str, set[str]] = {}
        self.refused = 0

    def save(self, shop: Shop, uid: str, complaint: str) -> bool:
        """Saves a case, a new one or an earlier one again; nothing but an error with a sentence may come of it."""
        try:
            if uid in self.sure:
                version = cases.stored(shop, uid).version
                cases.save(shop, _case(uid, complaint), expected_version=version)
            else:
                cases.save(shop, _case(uid, complaint))
        except StoreTrouble:
            self.unsure.setdefault(uid, set()).add(complaint)
            self.refused += 1
            return False
        self.sure[uid] = complaint
        self.unsure.pop(uid, None)
        return True

    def is_in(self, shop: Shop) -> None:
        """Every acknowledged text is in the store, or one that was sent later and refused; nothing is half there."""
        for uid, complaint in self.sure.items():
            found = cases.stored(shop, uid).record.complaint
            assert found in {complaint, *self.unsure.get(uid, ())}, uid
            self.sure[uid] = found
        for uid, texts in self.unsure.items():
            if uid not in self.sure and cases.exists(shop, uid):
                found = cases.stored(shop, uid).record
                assert found.complaint in texts
                assert len(found.attempts or []) == 1
        checked = integrity.check(shop)
        assert checked.faults == []
        assert "checksums of all records" in checked.proved


def text_of(number: int, chance: random.Random) -> str:
    """Texts of one page and of several."""
    return f"{number}: no standby, " + " ".join(["smells burnt"] * chance.choice((1, 3, 140, 70)))


def uid_of(number: int, chance: random.Random) -> str:
    return f"case-{number if chance.random() < 0.7 else chance.randrange(number + 1)}"


@pytest.mark.parametrize("saves", SAVES)
@pytest.mark.parametrize("kind", faulty_disk.KINDS)
def test_an_error_of_the_disk_loses_nothing_that_was_acknowledged(
    tmp_path: Path, kind: str, saves: int, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, book = random.Random(f"{kind} {saves}"), Book()
    with faulty_disk.installed() as disk:
        shop = shop_in(tmp_path / "data")
        assert bring(shop, a_family()).saved
        for number in range(saves):
            if kind == "read":
                shop.store._engine.dispose()  # what a connection holds in memory is not read again
            disk.arm(kind, chance.randrange(4 if kind == "sync" else 100))
            book.save(shop, uid_of(number, chance), text_of(number, chance))
            disk.disarm()
            if number % 10 == 9:
                assert book.save(shop, f"sound-{number}", "whole again"), "the next save goes well"
        book.is_in(shop)
        shop.close()
        again = Shop.open(settings_in(tmp_path / "data"), today=lambda: TODAY)
        book.is_in(again)
        again.close()
    assert disk.fired >= saves // 8
    assert len(book.sure) >= saves // 4
    with capsys.disabled():
        print(f"\n{kind}: {saves} saves, {disk.fired} faults, {book.refused} refused, none lost")


@pytest.mark.parametrize("saves", SAVES)
def test_memory_that_ends_loses_nothing_that_was_acknowledged(
    tmp_path: Path, saves: int, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, book = random.Random(saves), Book()
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family()).saved
    for number in range(saves):
        with faulty_disk.little_memory(chance.choice((0, 200, 2_000, 20_000, 60_000, 200_000))):
            book.save(shop, uid_of(number, chance), text_of(number, chance))
        if number % 10 == 9:
            assert book.save(shop, f"sound-{number}", "whole again"), "the next save goes well"
    book.is_in(shop)
    shop.close()
    again = Shop.open(settings_in(tmp_path / "data"), today=lambda: TODAY)
    book.is_in(again)
    again.close()
    assert book.refused >= saves // 8
    assert book.sure
    with capsys.disabled():
        print(f"\nmemory: {saves} saves, {book.refused} refused, none lost")


def after_the_cut(disk: FaultyDisk, data: Path, target: Path, chance: random.Random) -> None:
    """Lays down the store as a disk might have it after a power cut; the list of the log in memory is gone."""
    target.mkdir()
    for path, image in disk.images.items():
        if Path(path).parent == data:
            (target / Path(path).name).write_bytes(image.after_a_cut(chance))


@pytest.mark.parametrize("saves", SAVES)
def test_a_power_cut_loses_nothing_that_was_acknowledged(
    tmp_path: Path, saves: int, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, book = random.Random(saves), Book()
    done = cuts = 0
    data = tmp_path / "0"
    shop_in(data).close()
    while done < saves:
        with faulty_disk.installed() as disk:
            shop = Shop.open(settings_in(data), today=lambda: TODAY)
            if not cuts:
                assert bring(shop, a_family()).saved
            disk.cut_power_after(chance.randrange(10, 1500))
            while not disk.is_dead and done < saves:
                # A checkpoint now and then, which is when the database itself is written.
                if chance.random() < 0.15:
                    checkpoint(shop)
                book.save(shop, uid_of(done, chance), text_of(done, chance))
                done += 1
            disk.is_dead = True
            shop.close()
        cuts += 1
        before, data = data, tmp_path / str(cuts)
        after_the_cut(disk, before, data, chance)
        shop = Shop.open(settings_in(data), today=lambda: TODAY)
        book.is_in(shop)
        book.unsure.clear()
        shop.close()
    assert cuts >= saves // 20
    with capsys.disabled():
        print(f"\npower: {saves} saves, {cuts} cuts, {book.refused} not acknowledged, none lost")


def checkpoint(shop: Shop) -> None:
    with suppress(KbError):
        shop.store.forget_deleted()


def test_the_disk_of_these_tests_drops_what_was_not_synced(tmp_path: Path) -> None:
    """With sync turned off a power cut loses what was committed: the tests above can fail."""
    lost = 0
    for seed in range(12):
        chance = random.Random(seed)
        data = tmp_path / f"{seed}"
        data.mkdir()
        with faulty_disk.installed() as disk, closing(sqlite3.connect(data / "x.sqlite3")) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("CREATE TABLE kept (number INTEGER)")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA synchronous = OFF")
            for number in range(20):
                connection.execute("INSERT INTO kept VALUES (?)", (number,))
                connection.commit()
            disk.is_dead = True
            disk.steps_to_cut = 0
        after_the_cut(disk, data, tmp_path / f"after-{seed}", chance)
        with closing(sqlite3.connect(tmp_path / f"after-{seed}" / "x.sqlite3")) as after:
            lost += after.execute("SELECT count(*) FROM kept").fetchone()[0] < 20
    assert lost >= 8


def test_a_fault_is_a_sentence_and_not_a_trace(tmp_path: Path) -> None:
    with faulty_disk.installed() as disk:
        shop = shop_in(tmp_path / "data")
        assert bring(shop, a_family()).saved
        disk.arm("write", 0)
        with pytest.raises(KbError) as caught:
            cases.save(shop, a_case("one"))
        assert caught.value.message == "The disk reported an error."
        assert "kb check" in (caught.value.remedy or "")
        shop.close()
