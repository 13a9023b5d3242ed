"""Which schema a database has, which ones this program knows, and how one becomes the other."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from kb.errors import StoreTrouble

MIGRATIONS = Path(__file__).parent / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config


@cache
def known() -> tuple[str, ...]:
    """All revisions that this program knows, the newest first."""
    return tuple(step.revision for step in ScriptDirectory.from_config(_config()).walk_revisions())


def head() -> str:
    """The revision that this program works with."""
    return known()[0]


def revision_of(connection: Connection) -> str | None:
    """The revision of a database, None where no program has made its tables yet."""
    if "alembic_version" not in inspect(connection).get_table_names():
        return None
    return connection.scalar(text("SELECT version_num FROM alembic_version"))


def refuse_newer(revision: str | None) -> None:
    """Raises StoreTrouble for a revision that only a newer program can have made."""
    if revision is not None and revision not in known():
        raise StoreTrouble(
            f"The store was written by a newer version of this program (its schema is {revision}, "
            f"this program knows up to {head()}). Nothing was changed.",
            remedy="Install that version, or restore a backup of before it.",
        )


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Brings a database to a revision within the transaction that the connection is in."""
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
