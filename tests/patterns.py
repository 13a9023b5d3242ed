"""Every regular expression of the program, and strings made from each of them to slow it down.

Run as a program it is the child that `unit/test_patterns.py` may kill: it reads patterns, tries each of them with
every string made for it, under a limit of processor time, and says what it is doing.
"""

from __future__ import annotations

import ast
import importlib
import itertools
import pickle
import re
import signal
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from re import _constants as codes  # type: ignore[attr-defined]
from re import _parser as parser  # type: ignore[attr-defined]
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
FUNCTIONS = {"compile", "match", "search", "fullmatch", "sub", "subn", "split", "findall", "finditer"}
OFTEN = {"sub", "subn", "split", "findall", "finditer", "search"}
_USE = re.compile(rf"\b(\w+)\.({'|'.join(sorted(FUNCTIONS))})\(")
# What stands in a pattern that is put together inside a function, where no walk of the code can see it.
# Each of them is tried with these values.
LOCAL: dict[str, dict[str, Any]] = {
    "kb/facts/typed_entries.py": {
        "hour": r"(?:h|hr|hrs|hour|hours)",
        "minute": r"(?:m|min|mins|minute|minutes)",
    },
    "kb/facts/written_numbers.py": {"found": r"[0-9]{1,3}(?:\.[0-9]{3})+(?:\,[0-9]+)?"},
    "kb/service/sheets/known.py": {"longest": ["capacitor", "condensateur", "elko"]},
    "kb/store/engine/postgresql.py": {"words": "could not connect"},
    "kb/suggest/findings.py": {"words": "gate drive"},
    "kb/web/pages/data.py": {"pattern": r"[\n,;]"},
}


@dataclass(frozen=True)
class Found:
    """One regular expression: where it stands, what it is, and which methods it is used with."""

    place: str
    pattern: str | bytes
    flags: int
    methods: frozenset[str]


def _module_of(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts)


def _is_re(node: ast.Call) -> str | None:
    function = node.func
    if (
        isinstance(function, ast.Attribute)
        and isinstance(function.value, ast.Name)
        and function.value.id == "re"
    ):
        return function.attr if function.attr in FUNCTIONS else None
    return None


def found_in(file: Path, used: dict[str, set[str]]) -> Iterator[Found]:
    """All patterns of one file. Raises NameError for one whose text cannot be known."""
    code = file.read_text(encoding="utf-8")
    if "re." not in code:
        return
    tree = ast.parse(code)
    named = {}
    for node in tree.body:
        for target in node.targets if isinstance(node, ast.Assign) else ():
            if isinstance(target, ast.Name):
                named[id(node.value)] = target.id
    calls = [(node, how) for node in ast.walk(tree) if isinstance(node, ast.Call) and (how := _is_re(node))]
    if not calls:
        return
    space = {"re": re, **vars(importlib.import_module(_module_of(file)))}
    for node, how in calls:
        name = named.get(id(node), "")
        place = f"{file.relative_to(ROOT).as_posix()}: {name or ast.unparse(node.args[0])}"
        if re.fullmatch(r"kb/.*: \w+\.pattern|kb/.*: _\w+", place) and not name:
            continue  # one of the others by its name
        here = {**space, **LOCAL.get(file.relative_to(ROOT).as_posix(), {})}
        pattern = eval(compile(ast.Expression(node.args[0]), str(file), "eval"), here)
        flags = 0
        place_of_flags = {"compile": 1, "sub": 4, "subn": 4, "split": 3}.get(how, 2)
        given = [entry.value for entry in node.keywords if entry.arg == "flags"] or node.args[place_of_flags:]
        if given:
            flags = eval(compile(ast.Expression(given[0]), str(file), "eval"), here)
        methods = used.get(name, {"finditer"}) if how == "compile" else {how}
        yield Found(place, pattern, int(flags), frozenset(methods))


def all_patterns() -> list[Found]:
    """Every pattern of the program."""
    files = [file for file in sorted((ROOT / "kb").rglob("*.py")) if "migrations" not in file.parts]
    used: dict[str, set[str]] = {}
    for file in files:
        for name, method in _USE.findall(file.read_text(encoding="utf-8")):
            used.setdefault(name, set()).add(method)
    return [found for file in files for found in found_in(file, used)]


_PALETTE = " aA1.,-\n\"<(ß+/:_'"


def _chars(tree: Any) -> Iterator[int]:
    """Every character that a pattern names."""
    for code, given in tree:
        if code in (codes.LITERAL, codes.NOT_LITERAL):
            yield given
        elif code is codes.IN:
            for kind, entry in given:
                if kind is codes.LITERAL:
                    yield entry
                elif kind is codes.RANGE:
                    yield entry[0]
        else:
            for part in _parts(code, given):
                yield from _chars(part)


def _parts(code: Any, given: Any) -> Iterator[Any]:
    if code in (codes.MAX_REPEAT, codes.MIN_REPEAT, codes.POSSESSIVE_REPEAT):
        yield given[2]
    elif code is codes.SUBPATTERN:
        yield given[3]
    elif code is codes.BRANCH:
        yield from given[1]
    elif code in (codes.ASSERT, codes.ASSERT_NOT):
        yield given[1]
    elif code is codes.ATOMIC_GROUP:
        yield given
    elif code is codes.GROUPREF_EXISTS:
        yield from (part for part in given[1:] if part is not None)


def _sample(tree: Any, letters: str) -> str:
    """A text that the pattern is likely to take."""
    said = []
    for code, given in tree:
        if code is codes.LITERAL:
            said.append(chr(given))
        elif code is codes.NOT_LITERAL:
            said.append(next(char for char in letters + "~" if ord(char) != given))
        elif code is codes.ANY:
            said.append("a")
        elif code is codes.IN:
            said.append(_one_of(given, letters))
        elif code in (codes.MAX_REPEAT, codes.MIN_REPEAT, codes.POSSESSIVE_REPEAT):
            said.append(_sample(given[2], letters) * max(min(given[0], 40), 1 if given[1] > 20 else 0))
        elif code is codes.BRANCH:
            said.append(_sample(given[1][0], letters))
        elif code not in (codes.ASSERT, codes.ASSERT_NOT):
            said += [_sample(part, letters) for part in _parts(code, given)]
    return "".join(said)


def _one_of(given: Any, letters: str) -> str:
    tree = parser.parse("x")
    tree.data = [(codes.IN, given)]
    compiled = re._compiler.compile(tree)  # type: ignore[attr-defined]
    return next((char for char in letters if compiled.match(char)), "")


def _repeats(tree: Any, before: str, letters: str) -> Iterator[tuple[str, Any]]:
    """(what leads to it, its body) of every repetition that has no small limit."""
    led = before
    for place, (code, given) in enumerate(tree):
        if code in (codes.MAX_REPEAT, codes.MIN_REPEAT, codes.POSSESSIVE_REPEAT) and given[1] > 20:
            yield led, given[2]
        for part in _parts(code, given):
            yield from _repeats(part, led, letters)
        led += _sample([tree[place]], letters)


def attacks(found: Found, *, thorough: bool) -> Iterator[str]:
    """Short texts that, repeated, may keep the pattern busy; what stands before a vertical tab is not repeated."""
    text = found.pattern if isinstance(found.pattern, str) else found.pattern.decode("latin-1")
    tree = parser.parse(text, found.flags)
    own = "".join(dict.fromkeys(chr(code) for code in _chars(tree)))
    for letters in (own + _PALETTE, _PALETTE + own):
        for led, body in _repeats(tree, "", letters):
            once = _sample(body, letters)
            yield from (f"{led}\v{once}", once, led + once, f"{led}{once} ")
            if not thorough:
                continue
            # Every character the repetition takes, alone and after what leads to it.
            for char in dict.fromkeys(letters):
                yield from (f"{led}\v{char}", char, led + char)
        yield _sample(tree, letters)
        yield _sample(tree, letters)[:-1]
    if not thorough:
        yield from (" ", "a", "1", "-")
        return
    short = list(dict.fromkeys([*own, *_PALETTE]))[:7]
    yield from (a + b for a, b in itertools.permutations(short, 2))


def texts(found: Found, length: int, *, thorough: bool) -> Iterator[str | bytes]:
    """Hostile texts of some `length` characters for one pattern, each once."""
    for attack in dict.fromkeys(attacks(found, thorough=thorough)):
        lead, _, body = attack.rpartition("\v")
        if not body:
            continue
        for end in ("\x00", "\n!") if thorough else ("\n\x00",):
            text = lead + body * max((length - len(lead)) // len(body), 1) + end
            yield text if isinstance(found.pattern, str) else text.encode("latin-1", "replace")


def exhaust(compiled: re.Pattern[Any], methods: frozenset[str], text: Any) -> None:
    """Uses a pattern on a text the way the program uses it."""
    if "match" in methods:
        compiled.match(text)
    if "fullmatch" in methods:
        compiled.fullmatch(text)
    if methods & OFTEN:
        for _ in compiled.finditer(text):
            pass


def main() -> None:
    """Tries the patterns that are sent to it: `python patterns.py quick|thorough LENGTH SECONDS`."""
    thorough, length, seconds = sys.argv[1] == "thorough", int(sys.argv[2]), float(sys.argv[3])
    for number, sent in pickle.load(sys.stdin.buffer):
        found = Found(*sent)
        print("begin", number, flush=True)
        compiled = re.compile(found.pattern, found.flags)
        for text in texts(found, length, thorough=thorough):
            signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
            sys.stdout.write(f"try {text[:60]!r} … {text[-8:]!r}\n")
            sys.stdout.flush()
            exhaust(compiled, found.methods, text)
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)


if __name__ == "__main__":
    main()
