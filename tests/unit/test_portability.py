"""Nothing but `kb/system.py` asks for what only some systems have, and no text depends on the machine's habits."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted((ROOT / "kb").rglob("*.py"))
THE_ONE = ROOT / "kb" / "system.py"
_LISTED = tomllib.loads((Path(__file__).parent / "missing_on_windows.toml").read_text(encoding="utf-8"))
MODULES = set(_LISTED["modules"])
NAMES = {module: set(names) for module, names in _LISTED["names"].items()}
# Calls that are there on every system and do something else on one: kb/system.py has each in a portable form.
DIFFERENT = {
    "os": {"fsync", "link", "name", "rename", "replace", "symlink"},
    "sys": {"platform"},
    "platform": {"system"},
    "socket": {"SO_REUSEADDR"},
    "multiprocessing": {"fork", "set_start_method"},
    "ctypes": {"CDLL", "cdll", "windll", "WinDLL"},
}
POSIX_OPTIONS = {"preexec_fn", "start_new_session", "pass_fds", "process_group", "dir_fd"}
# Methods of paths that fail on Windows for a file that somebody has open, or that Windows sees otherwise.
PATH_METHODS = {"symlink_to", "hardlink_to", "rename", "lchmod"}
_TEXT_CALLS = {
    "open",
    "read_text",
    "write_text",
    "fdopen",
    "TextIOWrapper",
    "NamedTemporaryFile",
    "run",
    "Popen",
}


def faults(source: str) -> list[str]:
    """What in a module would not run, or do something else, on Windows; with line numbers."""
    tree = ast.parse(source)
    known: dict[str, str] = {}
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                known[alias.asname or alias.name.split(".")[0]] = alias.name
                if alias.name.split(".")[0] in MODULES:
                    found.append(f"{node.lineno}: import {alias.name}")
        elif isinstance(node, ast.ImportFrom):
            module = str(node.module)
            if module.split(".")[0] in MODULES:
                found.append(f"{node.lineno}: from {module}")
            gone = NAMES.get(module, set()) | DIFFERENT.get(module, set())
            found += [f"{node.lineno}: {module}.{alias.name}" for alias in node.names if alias.name in gone]
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            module = known.get(node.value.id, "")
            if node.attr in NAMES.get(module, set()) | DIFFERENT.get(module, set()):
                found.append(f"{node.lineno}: {module}.{node.attr}")
        if isinstance(node, ast.Call):
            found += _call_faults(node, known)
    return found


def _call_faults(node: ast.Call, known: dict[str, str]) -> Iterator[str]:
    options = {word.arg: word.value for word in node.keywords if word.arg}
    called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    for name in POSIX_OPTIONS & set(options):
        yield f"{node.lineno}: {called}({name}=...)"
    if isinstance(node.func, ast.Attribute) and called in PATH_METHODS:
        yield f"{node.lineno}: .{called}()"
    # That of a text has two arguments, that of the ledger is given what a call answers.
    plain = len(node.args) == 1 and not options and not isinstance(node.args[0], ast.Call | ast.Dict)
    if called == "replace" and isinstance(node.func, ast.Attribute) and plain:
        yield f"{node.lineno}: Path.replace()"
    texts = [one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)]
    if called == "strftime" and any(re.search(r"%[-#]", text) for text in texts):
        yield f"{node.lineno}: strftime with %- or %#"
    if called in _TEXT_CALLS and all(word.arg for word in node.keywords):  # **options say it elsewhere
        yield from _text_faults(node, called, texts, options, known)


def _text_faults(
    node: ast.Call, called: str, texts: list[str], options: dict[str, ast.expr], known: dict[str, str]
) -> Iterator[str]:
    """A text whose encoding the machine would choose; one whose line ends it would."""
    mode = next((text for text in texts if re.fullmatch(r"[rwxab+t]{1,3}", text)), "r")
    if isinstance(named := options.get("mode"), ast.Constant):
        mode = str(named.value)
    if called in ("run", "Popen"):
        if not (
            isinstance(node.func, ast.Attribute)
            and known.get(getattr(node.func.value, "id", "")) == "subprocess"
        ):
            return
        is_text = "text" in options or "universal_newlines" in options
        writes = False
    elif called == "open" and isinstance(node.func, ast.Attribute):
        # That of a path has its mode first; a picture, an archive or a store is opened otherwise.
        first = node.args[0] if node.args else None
        named = {"encoding", "newline", "mode"} & set(options)
        if not named and not (isinstance(first, ast.Constant) and first.value == mode):
            return
        is_text, writes = "b" not in mode, mode[0] in "wxa"
    else:
        is_text = called in ("read_text", "write_text", "TextIOWrapper") or "b" not in mode
        writes = called == "write_text" or (called in ("open", "fdopen") and mode[0] in "wxa")
        if called == "NamedTemporaryFile" and mode == "r":
            return  # which writes bytes where no mode is named
    if called == "read_text" and len(node.args) > 2:
        return  # a function of the program
    encoded = "encoding" in options or (called == "read_text" and texts)
    if is_text and not encoded:
        yield f"{node.lineno}: {called} without an encoding"
    if is_text and writes and "newline" not in options:
        yield f"{node.lineno}: {called} without newline"


def test_the_program_asks_only_for_what_every_system_has() -> None:
    found = {
        str(file.relative_to(ROOT)): told
        for file in CODE
        if file != THE_ONE and (told := faults(file.read_text(encoding="utf-8")))
    }
    assert not found


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("import fcntl", "import fcntl"),
        ("from resource import getrlimit", "from resource"),
        ("import os\nos.pread(3, 1, 0)", "os.pread"),
        ("import os as system\nsystem.fork()", "os.fork"),
        ("from os import getuid", "os.getuid"),
        ("import os\nos.replace(a, b)", "os.replace"),
        ("import sys\nsys.platform", "sys.platform"),
        ("import signal\nsignal.SIGKILL", "signal.SIGKILL"),
        ("import time\ntime.tzset()", "time.tzset"),
        ("draft.replace(target)", "Path.replace"),
        ("path.open('w', encoding='utf-8')", "open without newline"),
        ("open(path)", "open without an encoding"),
        ("path.read_text()", "read_text without an encoding"),
        ("path.write_text(text, encoding='utf-8')", "write_text without newline"),
        ("import os\nos.fdopen(3, 'w', encoding='ascii')", "fdopen without newline"),
        ("import subprocess\nsubprocess.run(['git'], text=True)", "run without an encoding"),
        ("import subprocess\nsubprocess.Popen(['x'], preexec_fn=f)", "preexec_fn"),
        ("day.strftime('%-d %B')", "strftime"),
    ],
)  # fmt: skip
def test_what_only_some_systems_have_is_noticed(line: str, told: str) -> None:
    assert any(told in fault for fault in faults(line)), faults(line)


@pytest.mark.parametrize(
    "line",
    [
        "path.open('rb')",
        "path.open('w', encoding='utf-8', newline='')",
        "text.replace('a', 'b')",
        "import os\nos.unlink(path)",
        "image.open(path)",
        "import os\nos.fdopen(3, 'wb')",
        "path.read_text('utf-8')",
    ],
)
def test_what_every_system_has_is_left_alone(line: str) -> None:
    assert faults(line) == []
