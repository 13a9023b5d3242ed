"""Reads the published values of the statistics tests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent / "data"


def published(name: str) -> dict[str, Any]:
    """The values in data/<name>.json."""
    values: dict[str, Any] = json.loads((DATA / f"{name}.json").read_text("utf-8"))
    return values
