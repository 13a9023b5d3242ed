"""How a fix ended, in the short words of a log (common practice, no published source)."""

from __future__ import annotations

import pytest

from kb.reading import read


def results(text: str) -> list[str | None]:
    return [one.result for one in read(text).attempts]


@pytest.mark.parametrize(
    "text",
    [
        "C9 swapped. done.",
        "new fuse, done, back to customer",
        "relay K1 renewed, collected friday",
        "C12 new. 12.1 now",
        "D2 replaced. 24.2V out",
        "R14 new. All rails there.",
        "recapped, unit back with owner",
        "replaced Q1. tested 3 cycles",
        "no relay click, opto OK2 low, swapped. click.",
        "reseated CN4, has behaved since",
        "fitted C3. Owner very pleased",
        "new NTC - away we go",
    ],
)
def test_a_short_good_end_is_a_cure(text: str) -> None:
    assert results(text)
    assert set(results(text)) == {"cured"}


@pytest.mark.parametrize(
    "text",
    [
        "C7 replaced - no cigar",
        "IC2 swapped, waste of money",
        "changed U1 for nothing",
        "new caps all round, still nothing",
        "replaced bridge, no use",
        "relay contacts cleaned, ok 1 day then back",
        "U5 reflowed, worked for a week then back",
        "Tried a new fuse: bang",
        "U2 remplacé pour rien",
        "U2 umsonst getauscht",
    ],
)
def test_what_did_not_help_or_last_changed_nothing(text: str) -> None:
    assert results(text) == ["no change"]


@pytest.mark.parametrize(
    "text",
    [
        "C9 swapped. Returned to the owner unrepaired",
        "new relay. 5.0 before",
        "C9 replaced. all parts ordered",
        "C9 replaced. 20 min, 1.20",
    ],
)
def test_what_says_nothing_of_the_end_is_no_result(text: str) -> None:
    assert set(results(text)) == {None}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("tried C5. nope. tried U3. bingo", ["no change", "cured"]),
        ("swapped opto, no joy. swapped U2, away it goes", ["no change", "cured"]),
        ("CN2 reseat - no. X1 crystal new - yes", ["no change", "cured"]),
        ("U7 changed. no boot, U9 changed: boots", ["no change", "cured"]),
        (
            "Pot sprayed - better. Hum stays. Two filter electrolytics replaced: hum gone",
            ["improved", "cured"],
        ),
        ("C9 dried out, replaced, 12.1 now. Also swapped OC1 before, no diff.", ["cured", "no change"]),
    ],
)
def test_each_of_several_fixes_has_its_own_end(text: str, wanted: list[str]) -> None:
    assert results(text) == wanted


def test_a_value_as_bad_as_before_is_no_cure() -> None:
    assert results("3.2 V out. C9 replaced. 3.2 V") == [None]
