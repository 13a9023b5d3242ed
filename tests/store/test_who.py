"""The change feed says who changed what, to which version, and what belongs together."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from alembic import command
from alembic.config import Config
from factories import a_case, a_family, bring
from sqlalchemy import create_engine
from sqlmodel import col, select

from kb.service import Shop
from kb.service.boards import families
from kb.service.cases import cases
from kb.store import Store
from kb.store.engine.schema import MIGRATIONS
from kb.store.tables.core import Batch, Change


def feed(shop: Shop) -> list[tuple[object, ...]]:
    with shop.read() as session:
        found = session.exec(select(Change).order_by(col(Change.seq)))
        return [(one.key, one.operation, one.version, one.who, one.batch) for one in found]


def test_each_change_carries_who_made_it_and_the_version_it_led_to(shop: Shop) -> None:
    front = shop.acting_as("front desk")
    families.save(front, a_family())
    cases.save(front, a_case("one"))
    bench = shop.acting_as("bench 2")
    cases.save(bench, a_case("one", notes="capacitor was dry"), expected_version=1)
    cases.put_in_bin(bench, "one")
    cases.take_from_bin(shop, "one")
    assert feed(shop) == [
        ("GL-31", "added", 1, "front desk", None),
        ("one", "added", 1, "front desk", None),
        ("one", "updated", 2, "bench 2", None),
        ("one", "binned", 3, "bench 2", None),
        ("one", "restored", 4, "", None),
    ]
    assert shop.person == ""


def test_an_import_is_one_batch_with_its_counts(shop: Shop) -> None:
    report = bring(shop.acting_as("front desk"), a_family(), a_case("one"), a_case("two"), title="old book")
    assert {row[4] for row in feed(shop)} == {report.batch}
    with shop.read() as session:
        batch = session.exec(select(Batch)).one()
        named = (batch.id, batch.kind, batch.title, batch.who)
        assert named == (report.batch, "import", "old book", "front desk")
        assert batch.facts == {"added": 3, "updated": 0, "unchanged": 0, "refused": 0}
        assert batch.undone_at is None
    cases.save(shop, a_case("three"))
    assert feed(shop)[-1][4] is None


def test_an_import_that_changes_nothing_leaves_no_batch(shop: Shop) -> None:
    records = (a_family(), a_case("one"))
    bring(shop, *records)
    assert bring(shop, *records).saved
    with shop.read() as session:
        assert len(session.exec(select(Batch)).all()) == 1


def test_a_refused_import_leaves_no_batch(shop: Shop) -> None:
    assert not bring(shop, a_family(), b"this is no record").saved
    with shop.read() as session:
        assert session.exec(select(Batch)).all() == []


def test_change_numbers_are_never_given_twice_after_the_migration(tmp_path: Path) -> None:
    """The newest change may be gone (a store cut short); its number must not come back as another change."""
    file = tmp_path / "store.sqlite3"
    engine = create_engine(f"sqlite:///{file}")
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, "0002")
        connection.exec_driver_sql("insert into setting values ('identity', '\"abc\"')")
        for number in range(3):
            connection.exec_driver_sql(
                "insert into change (nonce, entity, key, operation, at)"
                f" values ('n{number}', 'case', 'c{number}', 'added', '2026-01-01 00:00:00')"
            )
        connection.exec_driver_sql("delete from change where seq = 3")
    engine.dispose()
    store = Store.at(file)
    store.close()
    with sqlite3.connect(file) as plain:
        plain.execute(
            "insert into change (nonce, entity, key, operation, at)"
            " values ('n', 'case', 'c', 'added', '2026-01-01 00:00:00')"
        )
        assert plain.execute("select seq, who, version, batch from change order by seq").fetchall() == [
            (1, "", None, None),
            (2, "", None, None),
            (4, "", None, None),
        ]
    plain.close()
