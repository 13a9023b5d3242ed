"""The migrations make exactly the tables that the code expects, from nothing and more than once."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.store import Store, store
from kb.store.engine import schema
from kb.store.records import lists
from kb.store.tables.core import Table


def test_an_empty_database_becomes_the_tables_that_the_code_expects(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite3"
    Store.at(file).close()
    plain = create_engine(f"sqlite:///{file}")
    with plain.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        differences = compare_metadata(context, Table.metadata)
        indexes = {
            index["name"]
            for table in inspect(connection).get_table_names()
            for index in inspect(connection).get_indexes(table)
        }
    plain.dispose()
    assert differences == []
    assert {index.name for table in Table.metadata.tables.values() for index in table.indexes} <= indexes


def test_every_migration_follows_from_the_one_that_its_files_name_says() -> None:
    script = ScriptDirectory(str(schema.MIGRATIONS))
    assert script.get_heads() == [schema.head()]
    steps = list(script.walk_revisions())
    assert tuple(step.revision for step in steps) == schema.known()
    assert tuple(step.down_revision for step in steps) == (*schema.known()[1:], None)


def test_opening_a_store_again_changes_nothing(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite3"
    first = Store.at(file)
    first.close()

    def dump() -> list[str]:
        with sqlite3.connect(file) as connection:
            found = list(connection.iterdump())
        connection.close()
        return found

    before = dump()
    second = Store.at(file)
    second.close()
    assert second.identity == first.identity
    assert dump() == before


def test_a_new_store_knows_the_trade_lists_and_has_an_identity_of_its_own() -> None:
    one, other = Store("sqlite://"), Store("sqlite://")
    assert one.identity != other.identity
    with one.read() as session:
        assert {entry.name for entry in lists.symptoms(session)} == {entry.name for entry in SYMPTOMS}
        assert {entry.name for entry in lists.part_classes(session)} == {entry.name for entry in PART_CLASSES}
    assert len(SYMPTOMS) >= 60
    one.close()
    other.close()


def test_a_migration_that_fails_leaves_no_half_made_tables(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    file = tmp_path / "store.sqlite3"

    def fails(connection: object) -> None:
        raise KeyError("in the middle")

    monkeypatch.setattr(store, "_fill", fails)
    try:
        Store.at(file)
    except KeyError:
        pass
    else:
        raise AssertionError("the store opened although it could not be filled")
    connection = sqlite3.connect(file)
    assert connection.execute("select name from sqlite_master").fetchall() == []
    connection.close()
    monkeypatch.undo()
    Store.at(file).close()
