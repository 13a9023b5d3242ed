"""The description of the API is kept beside the tests: a change of what programs rely on is seen as one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from factories import fresh_shop

from kb.web.app import create_app

FROZEN = Path(__file__).with_name("openapi.json")


def description() -> dict[str, Any]:
    """What the program says of its API today."""
    return create_app(fresh_shop()).openapi()


def test_the_api_is_described_as_it_was() -> None:
    """Where a change is meant: `PYTHONPATH=tests python tests/web/test_openapi.py` writes the file again."""
    kept, today = json.loads(FROZEN.read_text(encoding="utf-8")), description()
    assert sorted(today["paths"]) == sorted(kept["paths"])
    for path, calls in kept["paths"].items():
        assert today["paths"][path] == calls, path
    assert sorted(today["components"]["schemas"]) == sorted(kept["components"]["schemas"])
    for name, shape in kept["components"]["schemas"].items():
        assert today["components"]["schemas"][name] == shape, name
    assert today == kept


if __name__ == "__main__":
    text = json.dumps(description(), indent=1, sort_keys=True, ensure_ascii=False)
    FROZEN.write_text(text + "\n", encoding="utf-8")
