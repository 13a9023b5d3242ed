"""What a restore does with people: it brings records back, and not who may see them.

Whoever was removed since the backup was made stays out, a revoked token stays revoked and the audit list
goes on. Only where there are no people yet do those of the backup come along. Everybody signs in again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Table, create_engine, delete, insert, inspect, select
from sqlalchemy.exc import DBAPIError, NoSuchTableError

from kb.store.store import Store
from kb.store.tables.core import Table as Base
from kb.store.tables.people import AuditEntry, FailedSignIn, Person, PersonSession, PersonToken

# Owners before what they own.
_KEPT = [Base.metadata.tables[str(model.__tablename__)] for model in (Person, PersonToken, AuditEntry)]
_ENDED = [Base.metadata.tables[str(model.__tablename__)] for model in (PersonSession, FailedSignIn)]


def carry_over(live: Path | str, restored: Store) -> None:
    """Puts the people of the store that is in use into the one that will take its place."""
    found = _read(live)
    with restored.overwriting() as connection:
        for table in _ENDED:
            connection.execute(delete(table))
        if not found:
            return
        for table in reversed(_KEPT):
            connection.execute(delete(table))
        for table in _KEPT:
            if found[table]:
                connection.execute(insert(table), found[table])


def _read(live: Path | str) -> dict[Table, list[dict[str, Any]]] | None:
    """The rows of the store in use; None where it has no people, or cannot be read any more."""
    if isinstance(live, Path) and not live.is_file():
        return None
    engine = create_engine(f"sqlite:///{live}" if isinstance(live, Path) else live, hide_parameters=True)
    try:
        with engine.connect() as connection:
            # A store of an earlier program has fewer columns; what it lacks is empty.
            there = {
                table: {column["name"] for column in inspect(connection).get_columns(table.name)}
                for table in _KEPT
            }
            found = {
                table: [
                    dict(row._mapping)
                    for row in connection.execute(
                        select(*(column for column in table.c if column.name in there[table]))
                    )
                ]
                for table in _KEPT
            }
    except (DBAPIError, NoSuchTableError):
        return None
    finally:
        engine.dispose()
    return found if found[_KEPT[0]] else None
