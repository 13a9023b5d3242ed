"""Whether fixes last, read from a ledger."""

from __future__ import annotations

import pytest
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, ledger_of

from kb.suggest import kaplan_meier, lasting_of


def test_a_return_at_the_same_day_as_a_last_word_comes_first() -> None:
    curve = kaplan_meier([100, 100], [False, True])
    assert curve.steps[0].at_risk == 2
    assert curve.still_working_after(100).share == 0.5


def test_nothing_followed_says_nothing() -> None:
    answer = kaplan_meier([], []).still_working_after(365)
    assert (answer.share, answer.low, answer.high, answer.followed, answer.beyond) == (1.0, 0.0, 1.0, 0, True)


def test_no_return_is_not_a_promise() -> None:
    answer = kaplan_meier([400] * 10 + [30] * 5, [False] * 15).still_working_after(365)
    assert (answer.share, answer.high, answer.at_risk, answer.followed) == (1.0, 1.0, 10, 15)
    assert answer.low == pytest.approx(0.05**0.1)
    assert not answer.beyond


def test_all_back_leaves_none_but_three_boards_prove_little() -> None:
    curve = kaplan_meier([10, 20, 30], [True, True, True])
    last = curve.still_working_after(30)
    assert (last.share, last.low) == (0.0, 0.0)
    # Were the true share above it, three of three back would have less than one chance in twenty.
    assert (1.0 - last.high) ** 3 == pytest.approx(0.05)
    assert curve.median() == 20
    assert kaplan_meier([10, 20], [False, False]).median() is None


def test_a_negative_or_undefined_time_is_refused() -> None:
    for odd in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="zero or more"):
            kaplan_meier([odd], [True])


def test_the_ledger_gives_the_boards_of_a_fault_a_part_class_or_a_family() -> None:
    ledger = ledger_of(
        case("a", CAP, followed_days=400),
        case("b", CAP, same_fault_return_days=100, followed_days=300),
        case("c", CAP, family="KM-7", followed_days=200),
        case("d", SCHOTTKY, followed_days=50),
        case("e", SWITCH, same_fault_return_days=10),
        case("f", CAP),
        case("g", None, followed_days=30),
    )
    assert (lasting_of(ledger).followed, lasting_of(ledger).returned) == (5, 2)
    caps = lasting_of(ledger, section=CAP[0], part_class=CAP[1])
    assert (caps.followed, caps.returned) == (3, 1)
    assert caps.still_working_after(365).share == pytest.approx(2 / 3)
    assert lasting_of(ledger, section=CAP[0]).followed == 4
    assert lasting_of(ledger, part_class=CAP[1], family="KM-7").followed == 1
    assert lasting_of(ledger, family="never seen").followed == 0
    ledger.withdraw("b")
    assert lasting_of(ledger, part_class=CAP[1]).returned == 0
