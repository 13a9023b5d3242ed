"""Do the tests notice a mistake? Makes small mistakes in the code, one at a time, and runs the tests of its module.

    python tests/mutants.py [--seed N] [--only TEXT ...] [--module NAME ...] [--list]

`mutants.toml` says how many of which modules, by which tests, and which change nothing. README.md beside it says how.
A mutant is known by module, function and change; those with the least hash of seed and name are taken, so that what
changes elsewhere leaves the choice as it is. Nothing is written: a process forked for each mutant loads the program
with the changed module compiled from memory.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import hashlib
import importlib
import importlib.machinery
import importlib.util
import os
import resource
import signal
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest
from hypothesis import settings

HERE, ROOT = Path(__file__).parent, Path(__file__).parents[1]
# Without conftest.py, which loads the whole program; pytest's plugins are loaded before it can prepare them.
_OPTIONS = [
    "-x", "-q", "--noconftest", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning",
]  # fmt: skip
_NOT_RUN = 70  # no exit status of pytest
LONGEST_S = 60  # of processor time for one mutant
_PAIRS: dict[type, type] = {
    ast.Lt: ast.LtE, ast.Gt: ast.GtE, ast.Eq: ast.NotEq, ast.Is: ast.IsNot, ast.In: ast.NotIn, ast.Add: ast.Sub,
    ast.Mult: ast.Div, ast.BitAnd: ast.BitOr, ast.LShift: ast.RShift,
}  # fmt: skip
_INSTEAD = _PAIRS | {other: sign for sign, other in _PAIRS.items()}
_INSTEAD |= dict.fromkeys((ast.Pow, ast.Mod, ast.FloorDiv, ast.MatMult, ast.BitXor), ast.Mult)
# Keywords whose change nobody could see, or that are texts.
_UNTOUCHED = ("strict", "slots", "frozen", "kind", "dtype", "field", "remedy")


class Mutant(NamedTuple):
    """`other` instead of what `parent` has in `field`, at place `at` where that is a list."""

    module: str
    line: int
    name: str
    tree: ast.Module
    parent: ast.AST
    field: str
    at: int | None
    other: ast.AST

    def change(self) -> None:
        """Puts the mistake into the tree, which only a forked process does."""
        values = getattr(self.parent, self.field)
        old = values if self.at is None else values[self.at]
        new = ast.fix_missing_locations(ast.copy_location(copy.deepcopy(self.other), old))
        if self.at is None:
            setattr(self.parent, self.field, new)
        else:
            values[self.at] = new


def others(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand instead of an expression or statement by mistake."""

    def like(**changes: Any) -> ast.AST:
        made = copy.copy(node)
        vars(made).update(changes)
        return made

    match node:
        case ast.Compare():
            for at, sign in enumerate(node.ops):
                yield like(ops=[*node.ops[:at], _INSTEAD[type(sign)](), *node.ops[at + 1 :]])
        case ast.BinOp(left=left, op=op, right=right):
            yield like(op=_INSTEAD[type(op)]())
            yield left
            if isinstance(op, ast.Add | ast.Mult | ast.BitAnd | ast.BitOr):
                yield right
        case ast.AugAssign(op=op):
            yield like(op=_INSTEAD[type(op)]())
            yield ast.Pass()
        case ast.BoolOp(op=op, values=values):
            yield like(op=ast.And() if isinstance(op, ast.Or) else ast.Or())
            for rest in ([*values[:at], *values[at + 1 :]] for at in range(len(values))):
                yield rest[0] if len(rest) == 1 else like(values=rest)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield operand
        case ast.Constant(value=bool() as value):
            yield like(value=not value)
        case ast.Constant(value=int() as value):
            yield from (like(value=other) for other in ([value + 1, value - 1] if value > 1 else [value + 1]))
        case ast.Constant(value=float() as value):
            yield like(value=value * 2 or 1.0)
        case ast.IfExp(test=test) | ast.If(test=test) | ast.While(test=test):
            if not isinstance(test, ast.Compare | ast.UnaryOp):  # those are negated by themselves
                yield like(test=ast.UnaryOp(ast.Not(), test))
        case ast.Call(func=ast.Name(id="abs" | "max" | "min" | "round"), args=args, keywords=[]):
            if not isinstance(args[0], ast.GeneratorExp):
                yield from args[:2]
        case ast.Return(value=ast.Tuple() | ast.Call() as whole):
            parts = whole.elts if isinstance(whole, ast.Tuple) else whole.args
            for at in range(len(parts) - 1):  # two neighbours exchanged
                swapped = copy.copy(whole)
                order = [*parts[:at], parts[at + 1], parts[at], *parts[at + 2 :]]
                vars(swapped)["elts" if isinstance(whole, ast.Tuple) else "args"] = order
                yield like(value=swapped)


def places(tree: ast.AST, inside: str = "") -> Iterator[tuple[str, ast.AST, str, int | None, ast.AST]]:
    """(name of the function, parent, field, place in the field, node) of what may be changed."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "format_spec"):
            continue
        for at, node in enumerate(value) if isinstance(value, list) else ((None, value),):
            match node:
                case ast.keyword(arg=keyword) if keyword in _UNTOUCHED:
                    continue
                case (
                    ast.Raise()
                    | ast.Assign(targets=[ast.Name(id="__all__")])
                    | ast.If(test=ast.Name(id="TYPE_CHECKING"))
                ):
                    continue
                case ast.FunctionDef() | ast.ClassDef():
                    here = f"{inside}.{node.name}".lstrip(".")
                case ast.AST():
                    here = inside
                case _:
                    continue
            yield here, tree, name, at, node
            yield from places(node, here)


def mutants_of(module: str) -> list[Mutant]:
    tree = ast.parse((ROOT / (module.replace(".", "/") + ".py")).read_text(encoding="utf-8"))
    made: list[Mutant] = []
    seen: Counter[str] = Counter()
    for function, parent, name, at, node in places(tree):
        for other in others(node):
            if ast.dump(other) == ast.dump(node):
                continue  # equal neighbours exchanged
            change = f"{_shown(node, parent)} -> {_shown(other, parent, node)}"
            text = f"{module.removeprefix('kb.')}:{function or '(module)'}: {change}"
            seen[text] += 1
            text += f" #{seen[text]}" if seen[text] > 1 else ""
            made.append(Mutant(module, node.lineno, text, tree, parent, name, at, other))
    return made


def _shown(node: ast.AST, parent: ast.AST, old: ast.AST | None = None) -> str:
    """Code of a node; of a constant (`old`, where another stands for it) with what it stands in."""
    shown = node.test if isinstance(node, ast.If | ast.While) else node
    if isinstance(old or node, ast.Constant) and isinstance(parent, ast.expr | ast.keyword | ast.Assign):
        shown = copy.deepcopy(parent)
        for before, after in zip(ast.walk(parent), ast.walk(shown), strict=True):
            if before is (old or node):
                after.value = node.value  # type: ignore[attr-defined]
    return ast.unparse(shown)[:110].replace("\n", " ")


class _Changed(importlib.machinery.SourceFileLoader):
    """Loads a module from a tree; as a finder it finds nothing else."""

    def __init__(self, module: str, tree: ast.Module) -> None:
        super().__init__(module, str(ROOT / (module.replace(".", "/") + ".py")))
        self._tree = tree

    def find_spec(self, name: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        own = name == self.name
        return importlib.util.spec_from_file_location(name, self.path, loader=self) if own else None

    def get_code(self, fullname: str) -> Any:
        return compile(self._tree, self.path, "exec", dont_inherit=True)


def run_tests(tests: list[str], limit_s: float, mutant: Mutant | None) -> tuple[int, float, str]:
    """(exit status of pytest, below 0 where it was stopped; processor seconds; the first test that failed)."""

    def name_failed(report: pytest.TestReport) -> None:
        if report.failed:
            os.write(end, report.nodeid.encode())

    sys.stdout.flush()
    out, end = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(out)
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nothing, stream)
        seconds = max(1, int(limit_s + 0.5))
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
        signal.alarm(10 * LONGEST_S)  # what waits for ever
        status = _NOT_RUN
        try:
            if mutant is not None:
                mutant.change()
                sys.meta_path.insert(0, _Changed(mutant.module, mutant.tree))  # type: ignore[arg-type]
            options = [*_OPTIONS, *(one for one in tests if one[0] == "-")]
            plugin = SimpleNamespace(pytest_runtest_logreport=name_failed)
            for file in (one for one in tests if one[0] != "-"):  # most mistakes are noticed by the first
                status = pytest.main([*options, file], [plugin])
                if status:
                    break
        finally:
            os._exit(int(status))
    os.close(end)
    with os.fdopen(out, "rb") as said:
        failed = said.read().decode()
    _, ended, used = os.wait4(pid, 0)
    return os.waitstatus_to_exitcode(ended), used.ru_utime + used.ru_stime, failed


def load_all_else(tests: list[str]) -> None:
    """Imports in this process what the tests import apart from the program and the tests themselves."""
    out, end = os.pipe()
    if os.fork() == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        pytest.main([*_OPTIONS, "--collect-only", *tests])
        own = (str(ROOT / "kb"), str(HERE))
        names = [n for n, m in sys.modules.items() if not str(getattr(m, "__file__", "")).startswith(own)]
        os.write(end, "\n".join(name for name in names if name.split(".")[0] != "kb").encode())
        os._exit(0)
    os.close(end)
    with os.fdopen(out) as said:
        names = said.read().split()
    os.wait()
    for name in names:
        with contextlib.suppress(Exception):  # names that only their package makes
            importlib.import_module(name)


def gone(known: dict[str, Any]) -> list[str]:
    """Names in `mutants.toml` that no code has any more: what they asked for would be left out without a word."""
    names = [
        one.name
        for package in known["package"]
        for module in package["modules"]
        for one in mutants_of(module)
    ]
    also = [text for package in known["package"] for text in package.get("also", ())]
    return [text for text in also if not any(text in name for name in names)] + sorted(
        set(known["equivalent"]) - set(names)
    )


def chosen(packages: list[dict[str, Any]], seed: int, modules: list[str]) -> Iterator[tuple[str, Mutant]]:
    for package in packages:
        found = [one for module in package["modules"] for one in mutants_of(module)]
        found.sort(key=lambda one: hashlib.sha256(f"{seed} {one.name}".encode()).digest())
        for place, one in enumerate(found):
            taken = place < package["take"] or any(text in one.name for text in package.get("also", ()))
            if taken and (not modules or one.module in modules):
                yield package["name"], one


def try_all(mutants: list[tuple[str, Mutant]], tests: dict[str, list[str]]) -> Counter[tuple[str, str]]:
    """How many mutants of each package were killed and survived; each is printed."""
    counts: Counter[tuple[str, str]] = Counter()
    limits: dict[str, float] = {}
    for package, one in mutants:
        if one.module not in limits:
            status, used, failed = run_tests(tests[one.module], LONGEST_S, None)
            if status:
                sys.exit(f"the tests of {one.module} do not pass on the code as it is: {status} {failed}")
            limits[one.module] = min(LONGEST_S, 3 * used + 2)
        status, _, failed = run_tests(tests[one.module], limits[one.module], one)
        assert status != _NOT_RUN, one
        result = "killed" if status else "survived"
        counts[package, result] += 1
        how = failed or ("" if status == 0 else "by its import" if status > 0 else "by the time it took")
        print(f"{result:8} {one.module.replace('.', '/')}.py:{one.line} {one.name} {how}", flush=True)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description="Make small mistakes in the code and run the tests.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[""], help="mutants whose name holds one of these texts")
    parser.add_argument("--module", nargs="*", default=[], help="mutants of these modules")
    parser.add_argument("--list", action="store_true", help="name the mutants and run nothing")
    asked = parser.parse_args()
    known = tomllib.loads((HERE / "mutants.toml").read_text(encoding="utf-8"))
    if names := gone(known):
        sys.exit("mutants.toml names what the code no longer has:\n" + "\n".join(names))
    every = chosen(known["package"], asked.seed, asked.module)
    named = [pair for pair in every if any(text in pair[1].name for text in asked.only)]
    mutants = [(package, one) for package, one in named if one.name not in known["equivalent"]]
    if asked.list:
        return print(*(f"{of:10} {one.line:4} {one.name}" for of, one in mutants), sep="\n")
    os.chdir(ROOT)
    settings.register_profile("kb", deadline=None, derandomize=True, database=None)  # as in conftest.py
    settings.load_profile("kb")
    sys.path[:0] = [str(ROOT), str(HERE)]
    tests = {module: list(names) for one in known["package"] for module, names in one["modules"].items()}
    load_all_else(sorted({name for _, one in mutants for name in tests[one.module] if name[0] != "-"}))
    counts = try_all(mutants, tests)
    for package in [*dict.fromkeys(package for package, _ in mutants), "all"]:
        killed, survived = (
            sum(count for (of, what), count in counts.items() if what == wanted and package in (of, "all"))
            for wanted in ("killed", "survived")
        )
        share = killed / max(1, killed + survived)
        print(f"{package}: {killed} of {killed + survived} killed, {share:.1%}")
    print(f"{len(named) - len(mutants)} that change nothing left out")


if __name__ == "__main__":
    main()
