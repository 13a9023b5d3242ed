"""The table of OWASP ASVS requirements: every test it names exists, and tests/web/ASVS.md shows it."""

from __future__ import annotations

import ast
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENTRIES: list[dict[str, Any]] = tomllib.loads((ROOT / "tests/web/asvs.toml").read_text())["requirement"]
_BEGIN, _END = "<!-- asvs: rendered from tests/web/asvs.toml -->\n", "<!-- /asvs -->"
# Where it is said that something is not met or does not apply, no test can show it.
_WITHOUT = re.compile(r"does not apply|not done|not met|none is used|^none$")


def rendered() -> str:
    """The table as tests/web/ASVS.md shows it."""
    lines = ["| requirement | asks for | how it is met | shown by |", "|---|---|---|---|"]
    for entry in ENTRIES:
        tests = "; ".join(
            f"`{test.partition('::')[2].removeprefix('test_').replace('_', ' ')}`" for test in entry["tests"]
        )
        lines.append(f"| {entry['id']} | {entry['asks']} | {entry['how']} | {tests or '–'} |")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry["id"])
def test_every_test_that_is_named_exists(entry: dict[str, Any]) -> None:
    for name in entry["tests"]:
        file, _, function = name.partition("::")
        defined = {
            node.name
            for node in ast.parse((ROOT / file).read_text()).body
            if isinstance(node, ast.FunctionDef)
        }
        assert function in defined, name
    assert entry["tests"] or _WITHOUT.search(entry["how"]), f"{entry['id']} has nothing to show"


def test_the_table_in_asvs_md_is_this_one() -> None:
    file = ROOT / "tests" / "web" / "ASVS.md"
    text = file.read_text(encoding="utf-8")
    shown = text.partition(_BEGIN)[2].partition(_END)[0]
    if shown != rendered() and os.environ.get("TEST_WRITE") == "yes":
        file.write_text(text.replace(_BEGIN + shown, _BEGIN + rendered()), encoding="utf-8")
        return
    assert shown == rendered(), "run this test with TEST_WRITE=yes to put the table in"


def test_the_program_fetches_nothing() -> None:
    clients = {"urllib.request", "http.client", "httpx", "requests", "aiohttp", "urllib3"}
    # The command on another computer posts to the server that its own user names; no module of the server loads it.
    sender = ROOT / "kb" / "instruments" / "sending.py"
    loads_it = [
        file.name
        for file in (ROOT / "kb").rglob("*.py")
        if "kb.instruments.sending" in file.read_text(encoding="utf-8")
    ]
    assert loads_it == ["meter.py"]
    for file in (ROOT / "kb").rglob("*.py"):
        if file == sender:
            continue
        for node in ast.walk(ast.parse(file.read_text())):
            names = (
                [name.name for name in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            assert not clients & set(names), f"{file.name} can fetch"
