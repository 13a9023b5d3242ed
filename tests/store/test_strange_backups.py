"""A database from elsewhere that has more than the program's own schema is not restored, moved or opened."""

from __future__ import annotations

import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from databases import Server
from earlier_stores import OLD
from factories import a_case, a_family, bring, settings_in, shop_in
from sqlalchemy import create_engine, text

from kb.errors import BadInput
from kb.service import Shop
from kb.service.accounts import people
from kb.service.operate import backup_files, backups
from kb.service.transfer import relocate
from kb.store.backup import restore
from kb.store.engine import own_schema
from kb.store.engine.address import read_address
from kb.store.portable import backup_file

pytestmark = pytest.mark.once("it makes its own databases on both")

MAKES_AN_ADMINISTRATOR = """
CREATE TRIGGER welcome AFTER INSERT ON person BEGIN
    UPDATE person SET level = 'administer';
END"""
CHANGES = {
    "a trigger that makes administrators": (MAKES_AN_ADMINISTRATOR, "the trigger welcome"),
    "a trigger on cases": (
        "CREATE TRIGGER quiet AFTER UPDATE ON board_case BEGIN DELETE FROM change; END",
        "the trigger quiet",
    ),
    "a view": ("CREATE VIEW shown AS SELECT password_hash FROM person", "the view shown"),
    "a table": ("CREATE TABLE aside (kept TEXT)", "the table aside"),
    "a search table": ("CREATE VIRTUAL TABLE aside USING fts5(kept)", "the virtual table aside"),
    "a column": ("ALTER TABLE person ADD COLUMN also TEXT", "the column person.also"),
    "a computed column": (
        "ALTER TABLE person ADD COLUMN also TEXT AS (upper(name)) VIRTUAL",
        "the column person.also",
    ),
    "an index on an expression": ("CREATE INDEX sly ON person (upper(name))", "the index sly"),
    "another default": (
        "PRAGMA writable_schema = ON; UPDATE sqlite_master SET sql = replace(sql, 'level VARCHAR', "
        "'level VARCHAR DEFAULT ''administer''') WHERE name = 'person'; PRAGMA writable_schema = RESET",
        "another column person.level",
    ),
    "a table that is missing": ("DROP TABLE sent_once", "no table sent_once"),
}


def changed(file: Path, statements: str) -> None:
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript(statements)
        connection.commit()


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), a_case("one")).saved
    people.add(made, people.COMMAND_LINE, "front desk", "read", "lantern gravel outboard tuesday")
    return made


def strange_backup(shop: Shop, folder: Path, statements: str) -> Path:
    """A portable backup whose manifest and checksums fit its strange database."""
    plain = folder / "plain.sqlite3"
    shop.store.write_copy(plain)
    changed(plain, statements)
    engine = create_engine(f"sqlite:///{plain}")
    made = folder / "strange.zip"
    backup_file.make(engine, shop.settings.files_folder, made, program="0")
    engine.dispose()
    return made


# In the quick tier each change in one of the two kinds of file.
@pytest.mark.parametrize(
    ("name", "kind"),
    [
        pytest.param(name, kind, marks=() if (number + other) % 2 else pytest.mark.long)
        for number, name in enumerate(CHANGES)
        for other, kind in enumerate(("portable", "bare"))
    ],
)
def test_a_backup_with_more_than_the_schema_is_refused_by_its_name(
    shop: Shop, tmp_path: Path, name: str, kind: str
) -> None:
    statements, told = CHANGES[name]
    made = strange_backup(shop, tmp_path, statements)
    backup = made if kind == "portable" else tmp_path / "plain.sqlite3"
    with zipfile.ZipFile(made) as archive:
        assert backup_file.DATABASE in archive.namelist()
    shop.close()
    before = shop.settings.store_file.read_bytes()
    elsewhere = settings_in(tmp_path / "elsewhere")
    for settings in (shop.settings, elsewhere):
        with pytest.raises(BadInput, match="not the schema of this program") as caught:
            backup_files.restore(settings, backup)
        assert told in caught.value.message
        assert "find out where" in (caught.value.remedy or "")
    assert shop.settings.store_file.read_bytes() == before
    assert not elsewhere.store_file.exists()
    assert told in restore.faults(backup)[0]


def test_the_list_of_backups_says_it_when_one_is_read_through(shop: Shop, tmp_path: Path) -> None:
    made = strange_backup(shop, tmp_path, MAKES_AN_ADMINISTRATOR)
    shop.settings.backups.mkdir(exist_ok=True)
    made.rename(shop.settings.backups / "kb-by-hand-1.zip")
    found = backups.prove(shop, "kb-by-hand-1.zip")
    assert found.state == "damaged"
    assert "the trigger welcome" in found.trouble
    shop.close()


@pytest.mark.parametrize("revision", sorted(path.stem for path in OLD.glob("*.sql")))
def test_stores_of_every_earlier_program_have_their_own_schema(revision: str, tmp_path: Path) -> None:
    file = tmp_path / "old.sqlite3"
    changed(file, (OLD / f"{revision}.sql").read_text(encoding="utf-8"))
    with closing(sqlite3.connect(file)) as connection:
        assert own_schema.strangers_in_file(connection) == []
    changed(file, "CREATE TRIGGER sly AFTER INSERT ON family BEGIN DELETE FROM change; END")
    with closing(sqlite3.connect(file)) as connection:
        assert own_schema.strangers_in_file(connection) == ["the trigger sly, which is not the program's"]
    with pytest.raises(BadInput, match="the trigger sly"):
        backup_files.restore(settings_in(tmp_path / "new"), file)


def test_what_sqlite_keeps_for_itself_is_no_stranger(shop: Shop, tmp_path: Path) -> None:
    file = shop.settings.store_file
    shop.close()
    changed(file, "ANALYZE")
    with closing(sqlite3.connect(file)) as connection:
        assert own_schema.strangers_in_file(connection) == []


def test_a_store_that_is_moved_is_looked_at_on_both_sides(shop: Shop, tmp_path: Path) -> None:
    shop.close()
    strange = tmp_path / "strange.sqlite3"
    other = shop_in(tmp_path / "other")
    other.store.write_copy(strange)
    other.close()
    changed(strange, MAKES_AN_ADMINISTRATOR)
    for options in ({"to": str(strange)}, {"origin": str(strange)}):
        with pytest.raises(BadInput, match="the trigger welcome") as caught:
            relocate.move(shop.settings, **options)  # type: ignore[arg-type]
        assert caught.value.field == ("to" if "to" in options else "from")


STRANGE_IN_POSTGRESQL: dict[str, tuple[str, str]] = {
    "a trigger": (
        "CREATE FUNCTION up() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN NEW.level := 'administer'; RETURN NEW; END $$; "
        "CREATE TRIGGER welcome BEFORE INSERT ON person FOR EACH ROW EXECUTE FUNCTION up()",
        "the trigger welcome",
    ),
    "a rule": ("CREATE RULE sly AS ON DELETE TO change DO INSTEAD NOTHING", "the rule sly"),
    "a view": ("CREATE VIEW shown AS SELECT password_hash FROM person", "the view shown"),
    "a column": ("ALTER TABLE person ADD COLUMN also text", "the column person.also"),
}


@pytest.mark.parametrize("name", STRANGE_IN_POSTGRESQL)
def test_a_server_that_is_moved_to_or_from_is_looked_at(
    shared_server: Server, shop: Shop, tmp_path: Path, name: str
) -> None:
    statements, told = STRANGE_IN_POSTGRESQL[name]
    shop.close()
    address = shared_server.empty_database()
    Shop.open(settings_in(tmp_path / "there", database_url=address)).close()
    engine = create_engine(read_address(address))
    with engine.begin() as connection:
        connection.execute(text(statements))
    engine.dispose()
    for options in ({"to": address}, {"origin": address}):
        with pytest.raises(BadInput, match=told):
            relocate.move(shop.settings, **options)  # type: ignore[arg-type]
