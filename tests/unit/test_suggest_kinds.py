"""What general knowledge says of a kind of board: a display's boards fail otherwise than an appliance's."""

from __future__ import annotations

import pytest
from suggest_builders import CAP, case, ledger_of

from kb.facts.general_practice import general_practice
from kb.facts.vocabulary import BOARD_KINDS
from kb.suggest import Evidence, Ledger, Settings, rank
from kb.suggest.general_knowledge import general_knowledge
from kb.suggest.leave_one_out import choose_cases, held_priors
from kb.suggest.snapshot import from_bytes, to_bytes

SETTINGS = Settings(general=general_knowledge())


def said(ledger: Ledger, kind: str | None, family: str | None = None) -> dict[tuple[str, str], float]:
    return {
        (one.section, one.part_class): one.probability
        for one in rank(ledger, Evidence(family, kind), SETTINGS).causes
    }


def test_every_kind_that_can_be_chosen_has_shares_of_its_own_that_sum_to_one() -> None:
    assert set(general_practice().kinds) == set(BOARD_KINDS)
    for kind in BOARD_KINDS:
        shares = general_knowledge().shares_of_kind(kind)
        assert shares is not None
        assert sum(shares.values()) == pytest.approx(1.0, abs=1e-9)
    assert general_knowledge().shares_of_kind("steam engine") is None


@pytest.mark.parametrize(
    ("kind", "more", "less"),
    [
        # Common practice, no published source: relays and triacs switch an appliance's loads.
        (
            "appliance power board",
            ("enable and relay", "relay"),
            ("backlight output", "electrolytic capacitor"),
        ),
        ("backlight driver", ("backlight output", "MOSFET"), ("standby converter", "start-up resistor")),
        ("motor drive", ("main converter", "IGBT"), ("audio output", "electrolytic capacitor")),
    ],
)
def test_on_the_first_day_the_kind_of_board_moves_what_is_likely(
    kind: str, more: tuple[str, str], less: tuple[str, str]
) -> None:
    supply, other = said(Ledger(), "power supply"), said(Ledger(), kind)
    assert set(supply) == set(other)
    ratio = {fault: other[fault] / supply[fault] for fault in supply}
    assert ratio[more] > 1.5
    assert ratio[less] < 0.5
    assert supply == pytest.approx(said(Ledger(), None), abs=1e-12)
    assert said(Ledger(), "steam engine") == pytest.approx(supply, abs=1e-12)


def test_own_cases_of_the_kind_outweigh_it_and_leaving_a_case_out_uses_the_same_shares() -> None:
    ledger = ledger_of(
        *(case(f"a{n}", CAP, family="AP-9", kind="appliance power board") for n in range(40)),
        *(case(f"d{n}", CAP) for n in range(3)),
    )
    assert max(said(ledger, "appliance power board", "AP-9").items(), key=lambda one: one[1])[0] == CAP
    rank(ledger, Evidence(), SETTINGS)
    chosen = choose_cases(ledger)
    held = held_priors(ledger, chosen, SETTINGS)
    assert held.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    without = from_bytes(to_bytes(ledger))
    without.withdraw(ledger.rows.uids[int(chosen.rows[0])])
    ranking = rank(without, Evidence("AP-9", "appliance power board"), SETTINGS)
    prior = {(one.section, one.part_class): one.prior_probability for one in ranking.causes}
    inside = 1.0 - ranking.unseen_probability
    for place, fault in enumerate(chosen.faults.tolist()):
        assert held[0, place] == pytest.approx(prior[ledger.faults.values[fault]] / inside, abs=1e-9)


def test_a_kind_that_nobody_knows_leaves_no_name_behind() -> None:
    ledger = Ledger()
    rank(ledger, Evidence(kind="steam engine"), SETTINGS)
    rank(ledger, Evidence(kind="motor drive"), SETTINGS)
    assert ledger.kinds.values == ["motor drive"]
