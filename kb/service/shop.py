"""One shop's store with everything derived from it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime

from kb.config import Settings
from kb.service.derived import Derived
from kb.store import Store


def _local_today() -> date:
    return datetime.now(UTC).astimezone().date()


class Shop:
    """What the use cases work on: settings, store, derived copies and the calendar.

    `today` is handed in by tests; nothing below this class asks for the date.
    """

    def __init__(
        self, settings: Settings, store: Store, derived: Derived, today: Callable[[], date] = _local_today
    ) -> None:
        self.settings = settings
        self.store = store
        self.derived = derived
        self.today = today

    @classmethod
    def open(cls, settings: Settings, *, today: Callable[[], date] = _local_today) -> Shop:
        """Opens or makes the shop's store; the derived copies catch up when first asked for."""
        store = Store(settings.store_url) if settings.store_url else Store.at(settings.store_file)
        return cls(settings, store, Derived.on_disk(store, settings), today)

    @classmethod
    def in_memory(cls, settings: Settings, *, today: Callable[[], date] = _local_today) -> Shop:
        """A shop that leaves nothing behind."""
        store = Store("sqlite://")
        return cls(settings, store, Derived.in_memory(store, settings), today)

    def refresh(self, progress: Callable[[int], None] | None = None) -> None:
        """Brings the derived copies up to date with the store; they report their own trouble."""
        self.derived.catch_up(progress)

    def close(self) -> None:
        """Keeps what makes the next start quick and lets go of the files."""
        self.derived.close()
        self.store.close()
