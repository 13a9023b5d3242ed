"""How likely nothing is wrong with a board: the share of such boards is the store's own, around a tenth."""

from __future__ import annotations

import pytest
from suggest_builders import CAP, case, fix, ledger_of, low_standby

from kb.suggest import Evidence, Ledger
from kb.suggest.in_order import (
    NO_FAULT_FOUND_SHARE,
    InOrder,
    after_endurance,
    in_order,
    no_fault_found_share,
)
from kb.suggest.snapshot import from_bytes, to_bytes


def judged(sound: int, faulty: int, family: str = "HX-210", prefix: str = "") -> list:  # type: ignore[type-arg]
    found = [
        case(f"{prefix}n{n}", None, family=family, verdict="no fault found", rails=()) for n in range(sound)
    ]
    return found + [case(f"{prefix}f{n}", CAP, family=family) for n in range(faulty)]


def test_without_a_case_a_tenth_of_the_boards_is_in_order() -> None:
    assert no_fault_found_share(Ledger(), None) == NO_FAULT_FOUND_SHARE
    assert no_fault_found_share(Ledger(), "HX-210") == NO_FAULT_FOUND_SHARE


def test_the_share_is_the_mean_of_a_beta_distribution_around_the_tenth_and_a_familys_around_the_stores() -> (
    None
):
    ledger = ledger_of(*judged(6, 24), *judged(0, 70, "MT-40", "m"))
    store = (6 + 2) / (100 + 20)
    assert no_fault_found_share(ledger, None) == pytest.approx(store)
    assert no_fault_found_share(ledger, "HX-210") == pytest.approx((6 + 20 * store) / (30 + 20))
    assert no_fault_found_share(ledger, "MT-40") == pytest.approx((0 + 20 * store) / (70 + 20))
    assert no_fault_found_share(ledger, "unknown") == pytest.approx(store)


def test_only_verdicts_that_say_whether_anything_was_wrong_count_and_only_the_shops_own() -> None:
    ledger = ledger_of(
        case("open", CAP, verdict=None, closed=None),
        case("declined", None, verdict="declined"),
        case("theirs", None, verdict="no fault found", others=True),
        case("scrap", None, verdict="not economical", tries=(fix(CAP, "no change"),)),
    )
    assert no_fault_found_share(ledger, None) == pytest.approx(2 / 21)


def test_a_case_taken_out_again_leaves_the_share_as_it_was_and_a_snapshot_keeps_it() -> None:
    ledger = ledger_of(*judged(4, 10))
    before = no_fault_found_share(ledger, "HX-210")
    ledger.add(case("more", None, verdict="no fault found"))
    assert no_fault_found_share(ledger, "HX-210") > before
    again = from_bytes(to_bytes(ledger))
    ledger.withdraw("more")
    again.withdraw("more")
    assert no_fault_found_share(ledger, "HX-210") == no_fault_found_share(again, "HX-210") == before


@pytest.mark.parametrize("share", [0.0, 0.02, 0.1, 0.5, 1.0])
def test_the_share_moves_what_is_said_and_a_bad_part_settles_it(share: float) -> None:
    right = Evidence(rails=(low_standby("in tolerance"),))
    said = in_order(right, share).probability
    assert 0.0 <= said <= 1.0
    assert said >= in_order(Evidence(rails=(low_standby("low"),)), share).probability
    assert said >= in_order(right, share / 2).probability
    assert in_order(right, share, part_found_bad=True).probability == 0.0


@pytest.mark.parametrize("share", [-0.1, 1.1, float("nan")])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        in_order(Evidence(), share)


def test_starts_and_a_soak_that_were_passed_count_for_a_board_in_order_and_never_prove_it() -> None:
    """Bayes' rule by hand; the chances themselves are common practice, no published source."""
    before = InOrder(0.4, ("ten cold starts, the board cooled down before each", "an hour under load, warm"))
    after = after_endurance(before, starts=5, soaked_s=1800.0)
    assert after.probability == pytest.approx(0.4 / (0.4 + 0.6 * 0.9**5 * 0.6))
    assert after.settles == (
        "ten cold starts, the board cooled down before each (5 made)",
        "an hour under load, warm (30 min so far)",
    )
    most = after_endurance(before, starts=1000, soaked_s=1e6)
    assert most.probability == pytest.approx(0.4 / (0.4 + 0.6 * 0.5 * 0.3))
    assert most.settles == ()
    assert after_endurance(before) == before
    assert after_endurance(InOrder(0.0, ()), starts=5).probability == 0.0
    with pytest.raises(ValueError, match="0 or more"):
        after_endurance(before, starts=-1)
