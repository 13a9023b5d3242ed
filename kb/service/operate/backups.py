"""The folder of backups: what lies in it, what of it is proved, and the one that is made every day."""

from __future__ import annotations

import json
import logging
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from kb import __version__, system
from kb.errors import KbError, NotFound, StoreTrouble
from kb.service.operate import keep_rule
from kb.service.shop.shop import Shop
from kb.store.backup import restore
from kb.store.engine.sqlite_files import free_place
from kb.store.portable import backup_file
from kb.store.portable.backup_file import Manifest, Progress
from kb.store.records import activity, changes

log = logging.getLogger(__name__)
State = Literal["proved", "not proved yet", "damaged"]
_NOTES = "proved.json"
_A_DAY = timedelta(days=1)
_LEFTOVERS = (".backup-*", ".prove-*", "*.zip.part")
_BACKUP = re.compile(r"[\w.-]{1,120}\.(?:zip|sqlite3)", re.ASCII)
_KINDS = (
    ("kb-daily-", "daily"),
    ("kb-by-hand-", "by hand"),
    ("before-upgrade-", "before an upgrade"),
    ("before-restore-", "before a restore"),
)


@dataclass(frozen=True, slots=True)
class Backup:
    """A file in the folder. `proved_at` and `trouble` are of the last time it was read through; `manifest`
    is what it says of itself, None for the bare database that is kept before an upgrade or a restore."""

    name: str
    kind: str
    made_at: datetime
    bytes: int
    state: State
    proved_at: datetime | None
    trouble: str
    manifest: Manifest | None

    @property
    def age_days(self) -> int:
        return (datetime.now(UTC) - self.made_at).days


@dataclass(frozen=True, slots=True)
class Listing:
    """The backups, the newest first, and how the daily one fares."""

    folder: Path
    backups: tuple[Backup, ...]
    daily: bool
    trouble: str
    remedy: str
    free_bytes: int | None


def listing(shop: Shop) -> Listing:
    """What lies in the folder of backups."""
    folder = shop.settings.backups
    notes = _notes(folder)
    found = [_looked_at(path, notes) for path in _files(folder)]
    found.sort(key=lambda backup: (backup.made_at, backup.name), reverse=True)
    free = shutil.disk_usage(folder).free if folder.is_dir() else None
    upkeep = shop.upkeep
    return Listing(folder, tuple(found), upkeep.daily, upkeep.trouble, upkeep.remedy, free)


def path_of(shop: Shop, name: str) -> Path:
    """The file of a backup in the folder. Raises NotFound for any other name."""
    if _BACKUP.fullmatch(name):
        path = shop.settings.backups / name
        if path.is_file():
            return path
    raise NotFound("There is no backup of that name.", remedy="Choose one from the list of backups.")


def make(shop: Shop, progress: Progress | None = None) -> Backup:
    """Makes a backup by hand, which is kept until a person takes it away."""
    return _make(shop, lambda moment: f"kb-by-hand-{moment}.zip", progress)


def prove(shop: Shop, name: str) -> Backup:
    """Reads a backup through and notes whether it is sound. Raises NotFound, StoreTrouble."""
    path = path_of(shop, name)
    try:
        wrong = restore.faults(path)
        with shop.upkeep.lock:
            _note(path, wrong)
    except OSError as error:
        raise StoreTrouble(
            f"The backup cannot be read through: {error.strerror}.",
            remedy=f"See that the folder {path.parent} has room and that this user may write there.",
        ) from error
    return _looked_at(path, _notes(path.parent))


def prove_all(shop: Shop, told: Callable[[str], None] | None = None) -> list[Backup]:
    """Reads all backups through; `told` hears the name of each before it is read."""
    found = []
    for path in _files(shop.settings.backups):
        if told:
            told(path.name)
        found.append(prove(shop, path.name))
    return found


def daily_if_due(shop: Shop, now: datetime, progress: Progress | None = None) -> Backup | None:
    """Makes the day's backup where the last is a day old and something has changed since, and gives up
    those that the keep rule does not keep. Raises KbError, OSError where it cannot be made."""
    _clear_leftovers(shop.settings.backups, now)
    if not is_due(shop, now):
        return None
    made = _make(shop, keep_rule.daily_name, progress)
    for name in keep_rule.superfluous(path.name for path in _files(shop.settings.backups)):
        system.remove(shop.settings.backups / name)  # one that is being fetched goes with a later day
    return made


def _clear_leftovers(folder: Path, now: datetime) -> None:
    """Removes what a program that was killed while it made or proved a backup left behind.

    Only what is a day old, because another process may be making one at this moment.
    """
    for pattern in _LEFTOVERS:
        for path in folder.glob(pattern):
            try:
                if datetime.fromtimestamp(path.stat().st_mtime, UTC) > now - _A_DAY:
                    continue
                if path.is_dir():
                    shutil.rmtree(path)
                else:
                    path.unlink()
            except OSError as error:
                log.warning("%s is left over and cannot be removed: %s", path, error.strerror)


def is_due(shop: Shop, now: datetime) -> bool:
    """Whether the store holds something that no backup of the last day holds."""
    with shop.read() as session:
        newest, moment = changes.latest(session), activity.newest_moment(session)
    if moment is None:
        return False
    last = _last(shop.settings.backups)
    if last is None or last.moment > now:  # a clock that was set back must not stop backups for years
        return True
    if now - last.moment < _A_DAY:
        return False
    return last.change != newest or moment >= last.moment


def _last(folder: Path) -> Manifest | None:
    """What the newest whole backup says of itself."""
    notes = _notes(folder)
    made = [_looked_at(path, notes) for path in _files(folder)]
    known = [backup.manifest for backup in made if backup.manifest and backup.state != "damaged"]
    return max(known, key=lambda manifest: manifest.moment, default=None)


def _make(shop: Shop, name: Callable[[str], str], progress: Progress | None) -> Backup:
    folder = shop.settings.backups
    with shop.upkeep.lock:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            target = free_place(folder, name)
            shop.store.back_up(shop.settings.files_folder, target, program=__version__, progress=progress)
            _note(target, [])
        except OSError as error:
            raise StoreTrouble(
                f"No backup can be made in {folder}: {error.strerror}.",
                remedy="Make room there, or set KB_BACKUP_FOLDER to a folder that this user may write to.",
            ) from error
        return _looked_at(target, _notes(folder))


def _files(folder: Path) -> list[Path]:
    """The backups that lie in the folder. Raises StoreTrouble where it cannot be looked into."""
    try:
        if not folder.is_dir():
            return []
        return sorted(path for path in folder.iterdir() if _BACKUP.fullmatch(path.name) and path.is_file())
    except OSError as error:
        raise StoreTrouble(
            f"The folder of backups {folder} cannot be read: {error.strerror}.",
            remedy="Let this user read it, or set KB_BACKUP_FOLDER to another folder.",
        ) from error


def _looked_at(path: Path, notes: dict[str, Any]) -> Backup:
    stat = path.stat()
    made_at = datetime.fromtimestamp(stat.st_mtime, UTC)
    manifest: Manifest | None = None
    state: State = "not proved yet"
    proved_at, trouble = None, ""
    note = notes.get(path.name)
    # A note counts only for the very file that was read through.
    if note and note["bytes"] == stat.st_size and note["mtime_ns"] == stat.st_mtime_ns:
        proved_at, trouble = datetime.fromisoformat(note["at"]), "; ".join(note["faults"])
        state = "damaged" if trouble else "proved"
    if path.suffix == ".zip":
        try:
            manifest = backup_file.manifest_of(path)
            made_at = manifest.moment
        except (KbError, OSError) as error:
            state, trouble = "damaged", error.message if isinstance(error, KbError) else str(error.strerror)
    kind = next((kind for start, kind in _KINDS if path.name.startswith(start)), "other")
    return Backup(path.name, kind, made_at, stat.st_size, state, proved_at, trouble, manifest)


def _notes(folder: Path) -> dict[str, Any]:
    """What is known of backups from reading them through; nothing where the notes cannot be read."""
    try:
        found = json.loads((folder / _NOTES).read_text(encoding="utf-8"))
        return {
            name: note
            for name, note in found.items()
            if {"bytes", "mtime_ns", "at", "faults"} <= set(note) and datetime.fromisoformat(note["at"])
        }
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def _note(path: Path, wrong: list[str]) -> None:
    stat = path.stat()
    notes = {name: note for name, note in _notes(path.parent).items() if (path.parent / name).is_file()}
    notes[path.name] = {
        "bytes": stat.st_size,
        "mtime_ns": stat.st_mtime_ns,
        "at": datetime.now(UTC).replace(microsecond=0).isoformat(),
        "faults": wrong,
    }
    part = path.parent / f"{_NOTES}.part"
    with system.open_private(part, "w", encoding="utf-8", newline="\n") as file:
        json.dump(notes, file, indent=1)
    system.replace(part, path.parent / _NOTES)
