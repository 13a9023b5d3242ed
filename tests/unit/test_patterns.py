"""Every regular expression of the program takes time in proportion to the text, whatever that is.

The code is walked for them; strings to slow one down are made from the expression itself, for each repetition in
it what it takes, what leads to it and what comes near to it (see `patterns.py`). One that is quadratic takes some
0.3 s of processor time for 10,000 characters and 30 s for 100,000, one that is linear 0.5 ms and 5 ms.
"""

from __future__ import annotations

import dataclasses
import pickle
import re
import subprocess
import sys

import patterns
import pytest

pytestmark = pytest.mark.once("no store is touched")


def slow_ones(found: list[patterns.Found], how: str, length: int, seconds: float) -> list[str]:
    """A line for each pattern that used up `seconds` on one text; the process that tried it was ended."""
    todo, slow = list(range(len(found))), []
    while todo:
        sent = [(number, dataclasses.astuple(found[number])) for number in todo]
        child = subprocess.run(
            [sys.executable, patterns.__file__, how, str(length), str(seconds)],
            input=pickle.dumps(sent),
            capture_output=True,
            check=False,
        )
        if child.returncode == 0:
            break
        said = child.stdout.decode()
        begun = [int(number) for number in re.findall(r"^begin (\d+)$", said, re.MULTILINE)]
        assert begun, child.stderr
        assert child.returncode < 0, child.stderr
        slow.append(f"{found[begun[-1]].place} on {said.splitlines()[-1]}")
        todo = [number for number in todo if number > begun[-1]]
    return slow


# (strings for each pattern, their length, seconds): in full at two lengths, in short at the shorter one.
QUICK = ("quick", 10_000, 0.15)
FULL = [("thorough", 10_000, 0.15), ("thorough", 100_000, 1.5)]


@pytest.mark.parametrize(
    ("how", "length", "seconds"), [QUICK, *(pytest.param(*given, marks=pytest.mark.long) for given in FULL)]
)
def test_no_regular_expression_takes_more_than_its_share_of_time(
    how: str, length: int, seconds: float
) -> None:
    found = patterns.all_patterns()
    assert len(found) > 150
    assert slow_ones(found, how, length, seconds) == []


@pytest.mark.parametrize(
    "pattern",
    [
        r"a+b",
        r"(?:a|aa)+$",
        *(
            pytest.param(pattern, marks=pytest.mark.long)
            for pattern in (r"\s*x$", r"<f[^>]*/>", r"“[^”]*”", r"(\d+)\s*\s*(x|y)", r"(.*\d)[.,]-(.*)")
        ),
    ],
)
def test_a_pattern_that_is_not_linear_would_be_found(pattern: str) -> None:
    found = patterns.Found("here", pattern, 0, frozenset({"search", "fullmatch"}))
    linear = patterns.Found("there", r"[a-z]+", 0, frozenset({"search"}))
    (said,) = slow_ones([found, linear], "quick", 100_000, 0.4)
    assert said.startswith("here on try ")
