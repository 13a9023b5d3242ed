"""Back up, restore and check a shop's store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from kb.config import Settings
from kb.errors import BadInput
from kb.service import health
from kb.service.shop import Shop
from kb.store import keeping


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found wrong, what it mended, and how many cases it went through."""

    faults: tuple[str, ...]
    mended: tuple[str, ...]
    cases: int


def _file(settings: Settings) -> Path:
    if settings.store_url:
        raise BadInput(
            "This works on the SQLite store in the data folder only.",
            field="KB_DATABASE_URL",
            remedy="Use kb export and kb import, or the database's own tools.",
        )
    return settings.store_file


def back_up(settings: Settings, target: Path) -> int:
    """Writes a proved copy of the store; answers its size in bytes. Raises what `kb.store.keeping` raises."""
    return keeping.back_up(_file(settings), target)


def restore(settings: Settings, backup: Path) -> Path | None:
    """Restores a backup; answers where the store that was there before is kept."""
    live = _file(settings)
    moment = datetime.now(UTC).astimezone().strftime("%Y%m%d-%H%M%S")
    return keeping.restore(backup, live, keep=live.with_name(f"before-restore-{moment}.sqlite3"))


def check(shop: Shop) -> Checked:
    """Proves the store and builds anew what is derived where it does not agree with the store."""
    found = () if shop.settings.store_url else tuple(keeping.faults(shop.settings.store_file))
    state = health.health(shop)
    mended = []
    held = shop.derived.sizes()
    if held["index"] != state.cases:
        shop.derived.rebuild_index()
        mended.append(f"the search index held {held['index']} of {state.cases} cases and was built anew")
    if held["counts"] != state.cases:
        shop.derived.rebuild_counts()
        mended.append(f"the counts held {held['counts']} of {state.cases} cases and were made anew")
    return Checked(found, tuple(mended), state.cases)
