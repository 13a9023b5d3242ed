"""Another shop and its cases, as they come in a file that it shared."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from factories import TODAY, case_json

from kb.model import OriginRecord

THEIRS = "ab" * 16
OTHERS = "cd" * 16


def origin(id: str = THEIRS, name: str = "Quay bench", days_ago: int = 10, **more: Any) -> OriginRecord:
    return OriginRecord(id=id, name=name, date=TODAY - timedelta(days=days_ago), **{"sharing": True, **more})


def their_case(uid: str = "u1", **changed: Any) -> dict[str, Any]:
    return case_json(uid, **{"customer": None, "origin": THEIRS, **changed})
