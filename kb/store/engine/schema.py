"""Which schema a database has, which ones this program knows, and how one becomes the other."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from kb.errors import StoreTrouble

MIGRATIONS = Path(__file__).parent / "migrations"


@cache
def known() -> tuple[str, ...]:
    """All revisions that this program knows, the newest first.

    Each is the number that the name of its file begins with, and follows the one before it, which a test
    holds against what the migrations say of themselves.
    """
    files = (MIGRATIONS / "versions").glob("[0-9]*_*.py")
    return tuple(sorted((file.name.partition("_")[0] for file in files), reverse=True))


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
    # Loaded where it is wanted, which is seldom: it makes up a good part of the time that starting takes.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
