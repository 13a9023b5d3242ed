"""Everything the program writes is for the account alone that runs it, in whatever folder and under whatever umask."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from pathlib import Path

import commands
import pictures_made
import pytest
from factories import TODAY, a_case, a_family, bring, encoded, settings_in, shop_in
from processes import bare_environment, served
from web_client import Client

from kb.service import Shop
from kb.service.operate import backup_files, backups
from kb.service.transfer import exports

ONE_DATABASE = "modes of the files of a store are those of SQLite's"


@pytest.fixture(autouse=True)
def _the_widest_umask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def loose(folder: Path) -> dict[str, str]:
    """What others may read or write below a folder, with its mode; the folder itself is the test's own.

    What lies in a folder that is closed to others is closed to them as well.
    """
    found = {}
    for path in sorted(folder.iterdir()):
        mode = path.stat().st_mode & 0o777
        if mode & 0o077:
            found[path.name] = f"{mode:03o}"
            if path.is_dir():
                found |= {f"{path.name}/{name}": bits for name, bits in loose(path).items()}
    return found


@pytest.mark.once(ONE_DATABASE)
def test_a_shop_in_an_open_folder_lets_nobody_else_read(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir(mode=0o755)
    settings = settings_in(data)
    shop = Shop.open(settings, today=lambda: TODAY)
    assert bring(shop, a_family(), a_case("one")).saved
    client = Client(shop)
    sent = client.call(
        "POST",
        "/api/cases/one/files",
        files={"file": ("board.jpg", pictures_made.jpeg(), "image/jpeg")},
    )
    assert sent.status_code in (200, 201), sent.text
    shop.refresh()
    backup = backups.make(shop)
    exports.write_file(
        data / "all.jsonl", exports.taken(shop, "jsonl", exports.Choice("", exports.Filters()))
    )
    assert loose(data) == {}, "while it runs"
    client.close()
    backup_files.restore(settings, settings.backups / backup.name)
    assert sorted(path.suffix for path in settings.backups.iterdir()) == [".json", ".sqlite3", ".zip"]
    assert loose(data) == {}


@pytest.mark.once(ONE_DATABASE)
def test_commands_write_for_their_owner_only(tmp_path: Path) -> None:
    data, place = tmp_path / "data", tmp_path / "place"
    data.mkdir(mode=0o755)
    place.mkdir(mode=0o755)
    environment = bare_environment(KB_DATA=str(data), KB_DATABASE_URL="")
    lines = b"".join(encoded([a_family(), a_case("one")]))

    def kb(*arguments: str, stdin: bytes | None = None) -> None:
        done = commands.run(list(arguments), environment, stdin=stdin)
        assert done.returncode == 0, done.stderr

    kb("import", "-", stdin=lines)
    kb("backup", str(place / "kept.zip"))
    for kind in ("jsonl", "csv", "package"):
        kb("export", "--format", kind, str(place / f"all-{kind}"))
    kb("move", "--to", f"sqlite:///{place}/moved.sqlite3")
    kb("restore", str(place / "kept.zip"))
    kb("check", "--backups")
    kb("reindex")
    with served(data):
        assert (data / "store.sqlite3-wal").exists()
        assert loose(data) == {}
    assert loose(place) == {}
    assert loose(data) == {}


@pytest.mark.once(ONE_DATABASE)
def test_loose_modes_are_mended_and_said(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family()).saved
    settings = made.settings
    backups.make(made)
    made.refresh()
    made.close()
    opened = [settings.store_file, settings.index_folder, *settings.backups.glob("*.zip")]
    for path in opened:
        path.chmod(0o755 if path.is_dir() else 0o644)
    with caplog.at_level(logging.WARNING):
        Shop.open(settings, today=lambda: TODAY).close()
    assert loose(settings.data) == {}
    said = "\n".join(record.getMessage() for record in caplog.records)
    for path in opened:
        assert str(path) in said
    assert said.count("is so no more") == len(opened)
    caplog.clear()
    Shop.open(settings, today=lambda: TODAY).close()
    assert "accounts" not in caplog.text


@pytest.mark.once(ONE_DATABASE)
def test_modes_that_cannot_be_changed_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    made = shop_in(tmp_path / "data")
    settings = made.settings
    made.close()
    settings.store_file.chmod(0o644)

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "chmod", refused)
    with caplog.at_level(logging.WARNING):
        Shop.open(settings, today=lambda: TODAY).close()
    assert f"may read {settings.store_file}, and that cannot be changed" in caplog.text
