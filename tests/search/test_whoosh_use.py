"""Whoosh is called by its public names only, so that either of its forks, and a later version, will do."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted([*(ROOT / "kb").rglob("*.py"), *(ROOT / "tests" / "search").rglob("*.py")])
# Modules of the documented interface; what reads and writes its own files (`whoosh.codec` and the like) is not.
PUBLIC = {
    "whoosh.analysis",
    "whoosh.fields",
    "whoosh.filedb.filestore",
    "whoosh.formats",
    "whoosh.index",
    "whoosh.lang.porter",
    "whoosh.matching",
    "whoosh.query",
    "whoosh.scoring",
    "whoosh.searching",
    "whoosh.support.levenshtein",
}
# Private by their spelling, public by the documentation of named tuples.
OF_NAMED_TUPLES = {"_replace", "_asdict", "_fields", "_make"}


def imported(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """(module, name) of everything that is imported from Whoosh; the name is empty for a module."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((one.name, "") for one in node.names if one.name.split(".")[0] == "whoosh")
        elif isinstance(node, ast.ImportFrom) and str(node.module).split(".")[0] == "whoosh":
            for one in node.names:
                module = f"{node.module}.{one.name}"
                yield (module, "") if module in PUBLIC else (str(node.module), one.name)


def is_private(name: str) -> bool:
    return name.startswith("_") and not name.endswith("__")


def private_names_of_others(tree: ast.AST) -> set[str]:
    """Private attributes and keywords that `tree` uses and nothing in it defines."""
    used: set[str] = set()
    own = set(OF_NAMED_TUPLES)
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            (own if isinstance(node.ctx, ast.Store) else used).add(node.attr)
        elif isinstance(node, ast.keyword) and node.arg:
            used.add(node.arg)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            own.add(node.name)
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                own.update(one.arg for one in (*node.args.args, *node.args.kwonlyargs))
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            own.add(node.id)
    return {name for name in used - own if is_private(name)}


def private_use(file: Path) -> list[str]:
    text = file.read_text("utf-8")
    if "whoosh" not in text:
        return []  # reading all of the program and its tests takes three seconds
    tree = ast.parse(text)
    wrong = [
        f"{module} {name}".strip()
        for module, name in imported(tree)
        if module not in PUBLIC or is_private(name)
    ]
    return wrong + (sorted(private_names_of_others(tree)) if any(imported(tree)) else [])


def test_no_module_uses_a_private_name_of_whoosh() -> None:
    wrong = {str(file.relative_to(ROOT)): found for file in CODE if (found := private_use(file))}
    # Tests look into classes of our own.
    wrong = {
        file: [name for name in found if file.startswith("kb") or name.startswith("whoosh")]
        for file, found in wrong.items()
    }
    assert {file: found for file, found in wrong.items() if found} == {}


def test_search_touches_no_private_name_that_it_does_not_define() -> None:
    """A reader or writer of Whoosh may be handed on to a module that does not import it."""
    trees = [ast.parse(file.read_text("utf-8")) for file in (ROOT / "kb" / "search").glob("*.py")]
    whole = ast.Module([node for tree in trees for node in tree.body], [])
    assert private_names_of_others(whole) - {"_exit"} == set()  # os._exit


@pytest.mark.parametrize(
    "code",
    [
        "from whoosh.codec.whoosh3 import W3Codec",
        "from whoosh.codec import default_codec",
        "import whoosh.reading",
        "from whoosh.lang.porter import _stem",
        "from whoosh.index import open_dir\nopen_dir('x')._segments()",
        "from whoosh.index import open_dir\nopen_dir('x').writer(_lk=False)",
    ],
)
def test_private_use_is_noticed(code: str, tmp_path: Path) -> None:
    file = tmp_path / "module.py"
    file.write_text(code)
    assert private_use(file)
