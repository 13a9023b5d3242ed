"""Back up a shop's store to one file, and restore it from one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kb import __version__
from kb.config import Settings
from kb.store.backup import restore as keeping
from kb.store.backup.restore import Restored
from kb.store.engine.sqlite_files import free_place
from kb.store.portable import as_sqlite
from kb.store.portable.backup_file import Manifest, Progress

__all__ = ["Manifest", "Restored", "back_up", "counted", "restore"]


def _place(settings: Settings) -> Path | str:
    return as_sqlite.place_of(settings.store_url) if settings.store_url else settings.store_file


def back_up(
    settings: Settings, target: Path, progress: Progress | None = None, *, passphrase: str | None = None
) -> Manifest:
    """Writes the portable backup, proved, and sealed where there is a passphrase; returns what it holds.

    Raises NotFound, BadInput, StoreTrouble.
    """
    return keeping.back_up(
        _place(settings),
        settings.files_folder,
        target,
        program=__version__,
        progress=progress,
        passphrase=passphrase,
    )


def counted(manifest: Manifest) -> list[tuple[str, int]]:
    """What a backup holds in the words of a list: ("cases", 12)."""
    plurals = {"family": "families", "part class": "part classes"}
    return [(kind if n == 1 else plurals.get(kind, kind + "s"), n) for kind, n in manifest.counts.items()]


def restore(settings: Settings, backup: Path, passphrase: Callable[[], str] | None = None) -> Restored:
    """Puts a backup in the place of the store, of which a copy goes to the folder of backups.

    Raises BadInput for a backup that cannot be used, StoreTrouble where the store cannot be written.
    """
    keep = free_place(settings.backups, lambda moment: f"before-restore-{moment}.sqlite3")
    done = keeping.restore(
        backup, _place(settings), keep=keep, files=settings.files_folder, passphrase=passphrase
    )
    # What the derived copies have seen may now be ahead of the store, and that is no loss.
    settings.lost_file.unlink(missing_ok=True)
    settings.restored_file.touch(mode=0o600)
    return done
