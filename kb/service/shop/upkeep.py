"""What a shop remembers of its daily backups while it runs."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field


@dataclass(slots=True)
class Upkeep:
    """`daily` says whether backups are made by themselves, `trouble` why the last could not be made;
    the lock lets one backup be made at a time."""

    daily: bool = False
    trouble: str = ""
    remedy: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)
