"""The shortest way from one list of words to another, held against a longest common subsequence worked out whole."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kb.model import edit_script
from kb.model.edit_script import stretches

WORDS = st.lists(st.sampled_from(["relay", " ", "ticks", "C9"]), max_size=14)


def longest_common(old: Sequence[str], new: Sequence[str]) -> int:
    """The textbook's table, row by row."""
    row = [0] * (len(new) + 1)
    for word in old:
        below = [0]
        for place, other in enumerate(new):
            below.append(row[place] + 1 if word == other else max(row[place + 1], below[place]))
        row = below
    return row[-1]


@given(WORDS, WORDS)
def test_the_stretches_cover_both_lists_and_keep_as_much_as_can_be_kept(
    old: list[str], new: list[str]
) -> None:
    found = stretches(old, new)
    assert [word for one in found for word in old[one.old_from : one.old_to]] == old
    assert [word for one in found for word in new[one.new_from : one.new_to]] == new
    same = [one for one in found if one.same]
    assert all(old[one.old_from : one.old_to] == new[one.new_from : one.new_to] for one in same)
    assert sum(one.old_to - one.old_from for one in same) == longest_common(old, new)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (["a", " "] * 1_000, ["b", " ", "a", " "] * 500),
        ([str(number) for number in range(2_000)], [str(-number) for number in range(1, 2_000)]),
        (["a", "b"] * 50_000, ["b", "b", "a"] * 30_000),
    ],
)
def test_the_work_is_bounded_whatever_the_texts_are(old: list[str], new: list[str]) -> None:
    steps = 0

    def count(*_: object) -> object:
        nonlocal steps
        steps += 1
        return count

    sys.settrace(count)
    try:
        found = stretches(old, new)
    finally:
        sys.settrace(None)
    # A handful of lines for each step, and some for each word.
    assert steps < 12 * edit_script.MOST_STEPS + 4 * (len(old) + len(new))
    assert [word for one in found for word in new[one.new_from : one.new_to]] == new


def test_what_takes_too_long_to_tell_apart_still_shows_what_both_have_in_front_and_behind() -> None:
    old, new = ["start", *["a", "b"] * 40, "end"], ["start", *["b", "c"] * 40, "end"]
    first, middle, last = stretches(old, new, most_steps=50)
    assert (first.same, middle.same, last.same) == (True, False, True)
    assert (middle.old_from, middle.old_to) == (1, 81)
