"""Do the tests notice a mistake? Makes small mistakes in the code, one at a time, and runs the tests of its module.

    python tests/mutants.py [--seed N] [--only TEXT ...] [--module NAME ...] [--list]

`mutants.toml` beside this file names the packages, how many mutants are taken of each, the tests of each module,
and the mutants that change nothing that anybody could see, each with the reason. A mutant is known by module,
function and change, not by its line, and those with the least hash of seed and name are taken: what changes
elsewhere in a module leaves the choice of the others as it is.

Nothing is written: what the tests need apart from the program is loaded once, and a process forked for each mutant
loads the program with the changed module compiled from memory. A mutant is killed when a test fails, or when its
tests take several times the processor time that they take on the code as it is.
"""

from __future__ import annotations

import argparse
import ast
import copy
import hashlib
import importlib
import importlib.machinery
import os
import resource
import signal
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

HERE = Path(__file__).parent
ROOT = HERE.parent
# Without conftest.py, which loads the whole program; pytest's plugins are loaded before it can prepare them.
_OPTIONS = [
    "-x", "-q", "--noconftest", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning",
]  # fmt: skip
LONGEST_S = 60  # of processor time as well as by the clock
_COMPARED: dict[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_COMPUTED: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitOr,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.MatMult: ast.Mult,
}  # fmt: skip
_UNTOUCHED = (
    "strict",
    "slots",
    "frozen",
    "kind",
    "dtype",
    "field",
    "remedy",
)  # keywords; texts have no figures


@dataclass
class Mutant:
    """`change` puts the mistake into the tree of its module, which only a forked process does."""

    module: str
    line: int
    name: str
    change: Callable[[], None] = field(repr=False)
    tree: ast.Module = field(repr=False)


def others(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand instead of an expression or statement by mistake."""

    def like(**changes: Any) -> ast.AST:
        made = copy.copy(node)
        for name, value in changes.items():
            setattr(made, name, value)
        return made

    match node:
        case ast.Compare():
            for at, sign in enumerate(node.ops):
                if other := _COMPARED.get(type(sign)):
                    yield like(ops=[*node.ops[:at], other(), *node.ops[at + 1 :]])
        case ast.BinOp(left=left, op=op, right=right):
            if other := _COMPUTED.get(type(op)):
                yield like(op=other())
            yield left
            if isinstance(op, (ast.Add, ast.Mult, ast.BitAnd, ast.BitOr)):
                yield right
        case ast.AugAssign(op=op):
            if other := _COMPUTED.get(type(op)):
                yield like(op=other())
            yield ast.Pass()
        case ast.BoolOp(op=op, values=values):
            yield like(op=ast.And() if isinstance(op, ast.Or) else ast.Or())
            for at in range(len(values)):
                rest = [*values[:at], *values[at + 1 :]]
                yield rest[0] if len(rest) == 1 else like(values=rest)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield operand
        case ast.Constant(value=bool() as value):
            yield like(value=not value)
        case ast.Constant(value=int() as value):
            yield like(value=value + 1)
            if value > 1:
                yield like(value=value - 1)
        case ast.Constant(value=float() as value):
            yield like(value=value * 2 if value else 1.0)
        case ast.IfExp(test=test) | ast.If(test=test) | ast.While(test=test):
            if not isinstance(test, ast.Compare | ast.UnaryOp):  # those are negated by themselves
                yield like(test=ast.UnaryOp(ast.Not(), test))
        case ast.Call(func=ast.Name(id="abs" | "max" | "min" | "round"), args=args, keywords=[]):
            if not isinstance(args[0], ast.GeneratorExp):
                yield from args[:2]
        case ast.Return(value=ast.Tuple(elts=parts) as whole) if len(parts) > 1:
            for at in range(len(parts) - 1):
                swapped = copy.copy(whole)
                swapped.elts = _swapped(parts, at)
                yield like(value=swapped)
        case ast.Return(value=ast.Call(args=parts) as whole):
            for at in range(len(parts) - 1):
                swapped_call = copy.copy(whole)
                swapped_call.args = _swapped(parts, at)
                yield like(value=swapped_call)
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Pass()


def _swapped(parts: list[ast.expr], at: int) -> list[ast.expr]:
    return [*parts[:at], parts[at + 1], parts[at], *parts[at + 2 :]]


def places(tree: ast.AST, inside: str = "") -> Iterator[tuple[str, ast.AST, str, int | None, ast.AST]]:
    """(name of the function, parent, field, place in the field, node) of what may be changed.

    Not annotations, decorators and the texts of errors.
    """
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "format_spec"):
            continue
        for at, node in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(node, ast.AST) or isinstance(node, ast.Raise):
                continue
            if isinstance(node, ast.keyword) and node.arg in _UNTOUCHED:
                continue
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                if node.targets[0].id == "__all__":
                    continue
            if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
                continue
            here = inside
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                here = f"{inside}.{node.name}".lstrip(".")
            yield here, tree, name, at, node
            yield from places(node, here)


def mutants_of(module: str) -> list[Mutant]:
    path = ROOT / (module.replace(".", "/") + ".py")
    tree = ast.parse(path.read_text(encoding="utf-8"))
    made: list[Mutant] = []
    seen: Counter[str] = Counter()
    for function, parent, name, at, node in places(tree):
        for other in others(node):
            before, after = _shown(node, parent), _shown(other, parent, node)
            text = f"{module.removeprefix('kb.')}:{function or '(module)'}: {before} -> {after}"
            seen[text] += 1
            if seen[text] > 1:
                text += f" #{seen[text]}"
            made.append(Mutant(module, node.lineno, text, _setter(parent, name, at, node, other), tree))
    return made


def _shown(node: ast.AST, parent: ast.AST, instead_of: ast.AST | None = None) -> str:
    """Code of a node, of a constant with what it stands in, so that one is told from another."""
    if isinstance(node, ast.If | ast.While):
        return f"if {ast.unparse(node.test)}"
    if isinstance(instead_of or node, ast.Constant) and isinstance(
        parent, ast.expr | ast.keyword | ast.Assign
    ):
        shown = copy.deepcopy(parent)
        for old, new in zip(ast.walk(parent), ast.walk(shown), strict=True):
            if old is (instead_of or node):
                new.value = node.value  # type: ignore[attr-defined]
        return ast.unparse(shown)[:110].replace("\n", " ")
    return ast.unparse(node)[:110].replace("\n", " ")


def _setter(parent: ast.AST, name: str, at: int | None, node: ast.AST, other: ast.AST) -> Callable[[], None]:
    def change() -> None:
        made = copy.deepcopy(other)
        ast.fix_missing_locations(ast.copy_location(made, node))
        if at is None:
            setattr(parent, name, made)
        else:
            getattr(parent, name)[at] = made

    return change


class _Changed(importlib.machinery.SourceFileLoader):
    """Loads a module from a tree; as a finder it finds nothing else."""

    def __init__(self, module: str, tree: ast.Module) -> None:
        super().__init__(module, str(ROOT / (module.replace(".", "/") + ".py")))
        self._tree = tree

    def find_spec(self, name: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        return (
            importlib.util.spec_from_file_location(name, self.path, loader=self)
            if name == self.name
            else None
        )

    def get_code(self, fullname: str) -> Any:
        return compile(self._tree, self.path, "exec", dont_inherit=True)


class _FirstFailure:
    def __init__(self, end: int) -> None:
        self._end = end

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os.write(self._end, report.nodeid.encode())


def run_tests(tests: list[str], limit_s: float, mutant: Mutant | None) -> tuple[int, float, str]:
    """(exit status of pytest, below 0 where it was stopped; processor seconds; the first test that failed)."""
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
        signal.alarm(LONGEST_S)
        status = 70
        try:
            if mutant is not None:
                mutant.change()
                sys.meta_path.insert(0, _Changed(mutant.module, mutant.tree))  # type: ignore[arg-type]
            status = pytest.main([*_OPTIONS, *tests], [_FirstFailure(end)])
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
    with os.fdopen(out, "rb") as said:
        names = said.read().decode().split()
    os.wait()
    for name in names:
        try:
            importlib.import_module(name)
        except Exception:  # a name that only its package makes
            continue


def chosen(packages: list[dict[str, Any]], seed: int, modules: list[str]) -> Iterator[tuple[str, Mutant]]:
    for package in packages:
        found = [one for module in package["modules"] for one in mutants_of(module)]
        found.sort(key=lambda one: hashlib.sha256(f"{seed} {one.name}".encode()).digest())
        for one in found[: package["take"]]:
            if not modules or one.module in modules:
                yield package["name"], one


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="mutants whose name holds one of these texts")
    parser.add_argument("--module", nargs="*", default=[], help="mutants of these modules")
    parser.add_argument("--list", action="store_true", help="name the mutants and run nothing")
    asked = parser.parse_args()
    known = tomllib.loads((HERE / "mutants.toml").read_text(encoding="utf-8"))
    equivalent: dict[str, str] = known["equivalent"]
    mutants = [
        (package, one)
        for package, one in chosen(known["package"], asked.seed, asked.module)
        if not asked.only or any(text in one.name for text in asked.only)
    ]
    if asked.list:
        for package, one in mutants:
            print(f"{package:10} {one.line:4} {one.name}{'   EQUIVALENT' if one.name in equivalent else ''}")
        return 0
    os.chdir(ROOT)
    settings.register_profile("kb", deadline=None, derandomize=True, database=None)  # as in conftest.py
    settings.load_profile("kb")
    sys.path[:0] = [str(ROOT), str(HERE)]
    tests = {module: list(names) for one in known["package"] for module, names in one["modules"].items()}
    load_all_else(sorted({name for _, one in mutants for name in tests[one.module] if name[0] != "-"}))
    counts: Counter[tuple[str, str]] = Counter()
    limits: dict[str, float] = {}
    began = time.monotonic()
    for package, one in mutants:
        if one.name in equivalent:
            counts[package, "equivalent"] += 1
            continue
        if one.module not in limits:
            status, used, failed = run_tests(tests[one.module], LONGEST_S, None)
            if status:
                print(f"the tests of {one.module} do not pass on the code as it is: {status} {failed}")
                return 1
            limits[one.module] = min(LONGEST_S, 3 * used + 2)
            print(f"tests of {one.module}: {used:.1f} s", flush=True)
        status, _, failed = run_tests(tests[one.module], limits[one.module], one)
        result = "killed" if status else "survived"
        counts[package, result] += 1
        how = failed or ("" if status == 0 else "by its import" if status > 0 else "by the time it took")
        print(f"{result:8} {one.module.replace('.', '/')}.py:{one.line} {one.name} {how}", flush=True)
    for package in dict.fromkeys(package for package, _ in mutants):
        killed, survived = counts[package, "killed"], counts[package, "survived"]
        share = 100 * killed / max(1, killed + survived)
        print(f"{package}: {killed} of {killed + survived} killed ({share:.1f} %), ", end="")
        print(f"{counts[package, 'equivalent']} equivalent left out")
    killed = sum(count for (_, what), count in counts.items() if what == "killed")
    whole = killed + sum(count for (_, what), count in counts.items() if what == "survived")
    print(
        f"all: {killed} of {whole} killed ({100 * killed / max(1, whole):.1f} %) in {time.monotonic() - began:.0f} s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
