"""The shape of the project: which package may import which, how long things may grow, what lies where."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted((ROOT / "kb").rglob("*.py"))
LONGEST_MODULE, LONGEST_FUNCTION = 600, 60

# What each package may import of the project besides itself. `kb` itself is the version number and nothing else.
_LOWEST = {"facts", "errors"}
ALLOWED = {
    "errors": set(),
    "system": set(),
    "assets": {"errors"},
    "config": {"errors"},
    "facts": {"errors"},
    "model": _LOWEST,
    "suggest": _LOWEST,
    "bench": {"model", *_LOWEST},
    "reading": {"model", *_LOWEST},
    "search": {"system", *_LOWEST},
    "pictures": _LOWEST,
    "apart": {"errors", "system"},
    "speech": _LOWEST,
    "instruments": {"system", *_LOWEST},
    "exchange": {"model", *_LOWEST},
    "store": {"model", "system", *_LOWEST},
    "service": {
        "store",
        "search",
        "exchange",
        "pictures",
        "apart",
        "speech",
        "instruments",
        "reading",
        "suggest",
        "bench",
        "model",
        "config",
        "assets",
        "system",
        "",  # a backup names the version that made it
        *_LOWEST,
    },
    "web": {"service", "instruments", "model", "config", "assets", "system", "", *_LOWEST},
    "cli": {"web", "service", "instruments", "model", "config", "assets", "system", "", *_LOWEST},
    "__main__": {"cli"},
    "__init__": set(),
}
# The sub-packages and modules of the larger packages, lowest first: each imports only from rows above its own.
ORDER = {
    "store": (("tables",), ("engine",), ("portable",), ("records",), ("store", "file_store"), ("backup",)),
    "service": (
        ("shop",),
        ("accounts", "boards", "cases", "find"),
        ("transfer", "history"),
        ("diagnose",),
        ("parts",),
        ("bench", "sheets"),
        ("speech",),
        ("operate",),
    ),
    "web": (
        ("hosts", "logs", "streamed", "request_log", "rendering", "resend", "file_responses", "codes"),
        ("reach",),
        ("dependencies", "guard", "forms", "trust_page"),
        ("listening",),
        ("network",),
        ("errors",),
        ("pages", "api"),
        ("app",),
        ("server",),
    ),
}
# What may be imported besides the project and the standard library.
FOREIGN = {
    "facts": set(),
    "suggest": {"numpy"},
    "bench": {"numpy"},
    "model": {"pydantic", "pydantic_core"},
    "reading": {"numpy"},
    "search": {"numpy", "whoosh"},
    "exchange": {"pydantic", "openpyxl"},
    "pictures": {"PIL", "pi_heif"},
    # pyvisa and pyserial are an extra, loaded by name where an instrument is read.
    "instruments": set(),
    "errors": set(),
    "assets": set(),
    "system": {"psutil"},
    "speech": {"numpy", "pocketsphinx", "onnxruntime"},
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


@cache
def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text())


def named(file: Path) -> str:
    return str(file.relative_to(ROOT))


def imports_of(file: Path) -> Iterator[str]:
    """Every module a file imports, those inside functions included."""
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file} imports relative to itself"
            if node.module == "kb":
                yield from (f"kb.{name.name}" for name in node.names)
            else:
                yield str(node.module)


def test_imports_run_downwards_only() -> None:
    wrong = []
    for file in CODE:
        package = package_of(file)
        for name in imports_of(file):
            if name.split(".")[0] != "kb":
                continue
            inner = [*name.split("."), ""][1]
            if inner.startswith("__version"):
                inner = ""
            if inner not in {package, *ALLOWED[package]}:
                wrong.append(f"{named(file)}: {package} imports {name}")
    assert not wrong, "\n".join(wrong)


def module_name(file: Path) -> str:
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def imports_between_modules() -> dict[str, set[str]]:
    """For each module of the project the modules of the project that it imports, `from x import module` included."""
    modules = {module_name(file): file for file in CODE}
    found: dict[str, set[str]] = {}
    for name, file in modules.items():
        found[name] = set()
        for node in ast.walk(tree_of(file)):
            if isinstance(node, ast.Import):
                asked = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                inner = [f"{node.module}.{alias.name}" for alias in node.names]
                asked = [one if one in modules else str(node.module) for one in inner]
            else:
                continue
            found[name] |= {one for one in asked if one in modules and one != name}
    return found


def test_no_modules_import_each_other_in_a_circle() -> None:
    try:
        list(TopologicalSorter(imports_between_modules()).static_order())
    except CycleError as error:
        pytest.fail(f"a circle of imports: {' -> '.join(error.args[1])}")


@pytest.mark.parametrize("package", ORDER)
def test_the_rooms_of_a_package_import_only_from_the_rooms_below(package: str) -> None:
    row_of = {room: row for row, rooms in enumerate(ORDER[package]) for room in rooms}
    wrong = []
    for name, imported in imports_between_modules().items():
        for other in imported:
            here, there = name.split("."), other.split(".")
            if len(here) < 3 or len(there) < 3 or {here[1], there[1]} != {package} or here[2] == there[2]:
                continue
            if row_of[there[2]] >= row_of[here[2]]:
                wrong.append(f"{name} imports {other}")
    assert not wrong


def test_pure_packages_import_nothing_else() -> None:
    own = {"kb", "__future__", *sys.stdlib_module_names}
    wrong = [
        f"{named(file)}: {package} imports {name}"
        for file in CODE
        if (package := package_of(file)) in FOREIGN
        for name in imports_of(file)
        if name.split(".")[0] not in own | FOREIGN[package]
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("package", ["suggest", "bench", "facts"])
def test_computation_knows_no_clock_file_or_chance(package: str) -> None:
    files = list((ROOT / "kb" / package).rglob("*.py"))
    assert len(files) > 10
    for file in files:
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
        for node in ast.walk(tree_of(file)):
            if isinstance(node, ast.ImportFrom) and str(node.module).split(".")[0] in SESSIONS:
                names = {name.name for name in node.names}
                assert package_of(file) == "service", f"{file} imports {node.module}"
                assert names == {"Session"}, f"{file} imports {names} of {node.module}"


def test_no_module_is_longer_than_can_be_read_at_a_sitting() -> None:
    lengths = {named(file): len(file.read_text().splitlines()) for file in CODE}
    assert not {name: length for name, length in lengths.items() if length > LONGEST_MODULE}


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


def test_no_function_is_longer_than_a_page() -> None:
    long = [
        f"{named(file)}: {node.name} has {_length(node)} lines"
        for file in CODE
        if "versions" not in file.parts  # a migration is a list of tables, and is never changed again
        for node in ast.walk(tree_of(file))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and _length(node) > LONGEST_FUNCTION
    ]
    assert not long, "\n".join(long)


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
        for node in tree_of(file).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not ast.get_docstring(node)
    ]
    assert bare == []
