"""The shape of the project: which package may import which, how long things may grow, what lies where."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted((ROOT / "kb").rglob("*.py"))
LONGEST_MODULE, LONGEST_FUNCTION = 600, 60

# What each package may import of the project. `kb` itself is the version number and nothing else.
ALLOWED = {
    "facts": {"facts", "errors"},
    "suggest": {"suggest", "facts", "errors"},
    "bench": {"bench", "facts", "errors"},
    "model": {"model", "facts", "errors"},
    "search": {"search", "facts", "errors"},
    "demo": {"demo", "facts", "errors", "model"},
    "exchange": {"exchange", "model", "facts", "errors"},
    "pictures": {"pictures", "errors"},
    "store": {"store", "model", "facts", "errors"},
    "service": {
        "service",
        "store",
        "search",
        "exchange",
        "pictures",
        "suggest",
        "bench",
        "demo",
        "model",
        "facts",
        "errors",
        "config",
        "assets",
        "",  # a backup names the version that made it
    },
    "web": {"web", "service", "model", "facts", "errors", "config", "assets", "logs", "running", ""},
    "errors": set(),
    "logs": set(),
    "running": set(),
    "running_cli": {"running", "service", "config", "errors"},
    "assets": {"errors"},
    "config": {"errors"},
    "cli": {
        "web",
        "service",
        "model",
        "facts",
        "errors",
        "config",
        "assets",
        "people_cli",
        "export_cli",
        "running_cli",
        "",
    },
    "people_cli": {"service", "model", "errors"},
    "export_cli": {"service", "errors"},
    "__main__": {"cli"},
    "__init__": set(),
}
# What may be imported besides the project and the standard library.
FOREIGN = {
    "facts": set(),
    "suggest": {"numpy"},
    "bench": {"numpy"},
    "model": {"pydantic", "pydantic_core"},
    "search": {"numpy", "whoosh"},
    "demo": set(),
    "exchange": {"pydantic", "openpyxl"},
    "pictures": {"PIL", "pi_heif"},
    "errors": set(),
    "assets": set(),
}
# Modules that touch clocks, files, processes, networks or chance.
IMPURE = {
    "time",
    "random",
    "secrets",
    "os",
    "pathlib",
    "shutil",
    "tempfile",
    "socket",
    "subprocess",
    "sqlite3",
}
SESSIONS = {"sqlmodel", "sqlalchemy"}


def package_of(file: Path) -> str:
    parts = file.relative_to(ROOT / "kb").parts
    return parts[0] if len(parts) > 1 else parts[0].removesuffix(".py")


def imports_of(file: Path) -> Iterator[str]:
    """Every module a file imports, those inside functions included."""
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file} imports relative to itself"
            if node.module == "kb":
                yield from (f"kb.{name.name}" for name in node.names)
            else:
                yield str(node.module)


@pytest.mark.parametrize("file", CODE, ids=lambda file: str(file.relative_to(ROOT)))
def test_imports_run_downwards_only(file: Path) -> None:
    package = package_of(file)
    for name in imports_of(file):
        if name.split(".")[0] != "kb":
            continue
        inner = [*name.split("."), ""][1]
        if inner.startswith("__version"):
            inner = ""
        assert inner in ALLOWED[package], f"{package} imports {name}"


@pytest.mark.parametrize("file", CODE, ids=lambda file: str(file.relative_to(ROOT)))
def test_pure_packages_import_nothing_else(file: Path) -> None:
    package = package_of(file)
    if package not in FOREIGN:
        return
    for name in imports_of(file):
        top = name.split(".")[0]
        if top not in ("kb", "__future__") and top not in sys.stdlib_module_names:
            assert top in FOREIGN[package], f"{package} imports {name}"


@pytest.mark.parametrize("package", ["suggest", "bench", "facts"])
def test_computation_knows_no_clock_file_or_chance(package: str) -> None:
    for file in (ROOT / "kb" / package).rglob("*.py"):
        found = {name.split(".")[0] for name in imports_of(file)} & IMPURE
        assert not found, f"{file.name} imports {found}"
        assert not re.search(r"\b(?:date\.today|datetime\.now|datetime\.utcnow|open)\(", file.read_text()), (
            file
        )


def test_only_the_records_of_the_store_query() -> None:
    """Services may hold a session; only kb/store builds statements for it."""
    for file in CODE:
        if package_of(file) == "store":
            continue
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.ImportFrom) and str(node.module).split(".")[0] in SESSIONS:
                names = {name.name for name in node.names}
                assert package_of(file) == "service", f"{file} imports {node.module}"
                assert names == {"Session"}, f"{file} imports {names} of {node.module}"


@pytest.mark.parametrize("file", CODE, ids=lambda file: str(file.relative_to(ROOT)))
def test_no_module_is_longer_than_can_be_read_at_a_sitting(file: Path) -> None:
    length = len(file.read_text().splitlines())
    assert length <= LONGEST_MODULE, f"{length} lines"


def _length(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function from its name to its end, its docstring left out."""
    length = int(node.end_lineno or 0) - node.lineno + 1
    first = node.body[0]
    if (
        isinstance(first, ast.Expr)
        and isinstance(first.value, ast.Constant)
        and isinstance(first.value.value, str)
    ):
        length -= int(first.end_lineno or 0) - first.lineno + 1
    return length


@pytest.mark.parametrize("file", CODE, ids=lambda file: str(file.relative_to(ROOT)))
def test_no_function_is_longer_than_a_page(file: Path) -> None:
    if "versions" in file.parts:
        return  # a migration is a list of tables, and is never changed again
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert _length(node) <= LONGEST_FUNCTION, f"{node.name} has {_length(node)} lines"


def tracked() -> list[Path]:
    """All files of the project as git sees them, new ones included."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this is no git checkout")
    return [file for line in listed.stdout.splitlines() if (file := ROOT / line).is_file()]


def test_the_top_of_the_repository_holds_what_it_should() -> None:
    top = {file.relative_to(ROOT).parts[0] for file in tracked()}
    plain = {name for name in top if not name.startswith(".")}
    wanted = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "kb",
        "templates",
        "static",
        "tests",
        "seed_data",
    }
    assert plain == wanted


# Split so that this file does not hold what it looks for.
_PLACES = (
    "/wo" + "rk/",
    "/ho" + "me/",
    "/ro" + "ot/",
    "pypi" + ".org",
    "npmjs" + ".com",
    "pypi-" + "more",
    "://cdn" + ".",
)


def test_no_file_names_a_place_of_one_machine_or_a_registry() -> None:
    for file in tracked():
        try:
            text = file.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found = [place for place in _PLACES if place in text]
        assert not found, f"{file.relative_to(ROOT)} names {found}"
        if file.is_relative_to(ROOT / "kb"):
            assert "/tmp" not in text, f"{file.relative_to(ROOT)} names a scratch folder"


def test_every_public_function_says_what_it_does() -> None:
    packages = ("service", "store", "exchange", "model")
    files = [file for file in CODE if package_of(file) in packages and "migrations" not in file.parts]
    bare = [
        f"{file.name}: {node.name}"
        for file in files
        for node in ast.parse(file.read_text()).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not ast.get_docstring(node)
    ]
    assert bare == []
