"""The copy that is kept of a store before a newer program brings it up to date."""

from __future__ import annotations

import logging
from pathlib import Path

from sqlalchemy import Connection, Engine, text

from kb.errors import KbError, StoreTrouble
from kb.store.engine.sqlite_files import free_place
from kb.store.portable.as_sqlite import write_sqlite

log = logging.getLogger(__name__)


def keep_copy(engine: Engine, connection: Connection, revision: str, folder: Path) -> Path | None:
    """Copies a store that holds records as it is; returns the copy, None where there was nothing to keep.

    Raises StoreTrouble where no proved copy can be made: the store is then left at its old schema.
    """
    if not connection.scalar(text("SELECT count(*) FROM change")):
        return None
    target = free_place(folder, lambda moment: f"before-upgrade-{revision}-{moment}.sqlite3")
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_sqlite(engine, target)
    except (KbError, OSError) as error:
        why = error.message if isinstance(error, KbError) else f"{error.strerror}."
        raise StoreTrouble(
            f"The store has to be brought up to date, and no copy of it could be made first in {folder}: {why} "
            "Nothing was changed.",
            remedy="Set KB_BACKUP_FOLDER to a folder with free space that you may write to, and start again.",
        ) from error
    log.warning("kb: the store was copied to %s before it is brought up to date", target)
    return target
