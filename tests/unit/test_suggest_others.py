"""Cases of other shops: counted apart, added up exactly, and judged by the own cases alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known_world import World, cases_of
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, counts_of, fix, ledger_of

from kb.errors import BadInput
from kb.suggest import (
    CaseFacts,
    Evidence,
    Ledger,
    choose_strength,
    fix_records,
    model_selection,
    rank,
    track_record,
)
from kb.suggest.leave_one_out import choose_cases, forecasts
from kb.suggest.model_selection import ways_to_be_new
from kb.suggest.pooled_counts import Weighed, counted, weigh
from kb.suggest.posterior import posterior_of
from kb.suggest.settings import Settings
from kb.suggest.snapshot import from_bytes, to_bytes

WORLD = World(3)


def others(cases: list[CaseFacts]) -> list[CaseFacts]:
    return [replace(one, others=True) for one in cases]


def two_shops(own: int = 40, theirs: int = 60) -> tuple[Ledger, list[CaseFacts], list[CaseFacts]]:
    mine = cases_of(WORLD, WORLD.sample(own, seed=1), "own")
    other = others(cases_of(WORLD, WORLD.sample(theirs, seed=2), "other"))
    return ledger_of(*mine, *other), mine, other


def test_without_other_shops_the_counts_to_rank_by_are_the_ledger_itself() -> None:
    ledger = ledger_of(case("a"), case("b", SCHOTTKY))
    assert counted(ledger, Settings(others_weight=1.0)) is ledger
    ledger.add(case("c", SWITCH, others=True))
    assert counted(ledger, Settings(others_weight=0.0)) is ledger
    ledger.withdraw("c")
    assert counted(ledger, Settings(others_weight=1.0)) is ledger


def test_others_cases_leave_the_own_counts_as_they_were() -> None:
    ledger, mine, other = two_shops()
    alone = counts_of(ledger_of(*mine))
    assert counts_of(ledger) | {"cases": None} == alone | {"cases": None}
    assert len(ledger) == len(mine) + len(other)
    assert {one.uid for one in other} <= set(ledger.uids())
    for one in other:
        assert ledger.withdraw(one.uid)
    assert counts_of(ledger) == alone
    assert not ledger.withdraw(other[0].uid)


def test_a_case_is_counted_once_whosever_it_is() -> None:
    ledger = ledger_of(case("a"))
    with pytest.raises(BadInput):
        ledger.add(case("a", others=True))
    ledger.replace(case("a", others=True))
    assert (ledger.known, len(ledger)) == (0, 1)
    ledger.replace(case("a"))
    assert (ledger.known, len(ledger)) == (1, 1)


def test_at_weight_one_others_count_like_own_cases() -> None:
    ledger, mine, other = two_shops()
    pooled = ledger_of(*mine, *(replace(one, others=False) for one in other))
    for one in cases_of(WORLD, WORLD.sample(20, seed=4), "test"):
        asked = Evidence(one.family, one.kind, one.symptoms, one.rails)
        here = rank(ledger, asked, Settings(others_weight=1.0))
        there = rank(pooled, asked, Settings())
        assert [(one.section, one.part_class) for one in here.causes] == [
            (one.section, one.part_class) for one in there.causes
        ]
        assert [one.probability for one in here.causes] == pytest.approx(
            [one.probability for one in there.causes], abs=1e-12
        )
        assert [one.cure_rate for one in here.causes] == pytest.approx(
            [one.cure_rate for one in there.causes], abs=1e-12
        )
        assert here.unseen_probability == pytest.approx(there.unseen_probability, abs=1e-12)


@pytest.mark.parametrize("weight", [0.05, 0.3, 1.0])
@pytest.mark.parametrize("mentions", [True, False])
def test_leaving_one_own_case_out_of_the_sum_is_exact(weight: float, mentions: bool) -> None:
    """Each forecast against a ledger that never held the case."""
    settings = Settings(others_weight=weight, mentions=mentions)
    ledger, mine, other = two_shops(30, 20)
    sums = weigh(ledger, weight)
    chosen = choose_cases(sums)
    said = forecasts(sums, chosen, settings)
    assert len(chosen.rows) == len(mine)
    names = [ledger.faults.values[fault] for fault in chosen.faults.tolist()]
    for line, row in enumerate(chosen.rows.tolist()):
        uid = ledger.rows.uids[row]
        rest = ledger_of(*(one for one in mine if one.uid != uid), *other)
        the_case = next(one for one in mine if one.uid == uid)
        known, _ = rest.lines.find(Evidence(symptoms=the_case.symptoms, rails=the_case.rails))
        left_out = posterior_of(
            weigh(rest, weight),
            rest.families.find(the_case.family),
            rest.kinds.find(the_case.kind),
            np.array(known, dtype=np.int64),
            settings,
        )
        if len(known) < len(the_case.symptoms) + len(the_case.rails):
            continue  # nobody else noted it: what it would be worth is another test's matter
        expected = dict(
            zip(
                (rest.faults.values[fault] for fault in left_out.faults.tolist()),
                left_out.probability.tolist(),
                strict=True,
            )
        )
        assert said.unseen[line] == pytest.approx(left_out.unseen, abs=1e-9)
        assert said.probability[line] == pytest.approx([expected.get(name, 0.0) for name in names], abs=1e-9)


def test_leaving_others_out_wholly_is_scored_on_the_same_list_of_faults() -> None:
    """Own-only must name a fault that only others know, not just say that it is new: 1/2 shared by 2 + 1."""
    ledger = ledger_of(
        case("a"), case("b"), case("c", SWITCH), *(case(f"o{n}", SCHOTTKY, others=True) for n in range(3))
    )
    chosen = choose_cases(ledger)
    ways = dict(
        zip(ledger.rows.uids.of(chosen.rows), ways_to_be_new(ledger, ledger, chosen).tolist(), strict=True)
    )
    # Without case c: the switch is new to all, and the Schottky rectifier is new to the shop.
    assert ways["c"] == 2.0
    sums = weigh(ledger, 0.5)
    assert ways_to_be_new(ledger, sums, choose_cases(sums)).tolist() == [1.0, 1.0, 1.0]


def test_counts_of_two_shops_come_back_from_a_snapshot() -> None:
    ledger, _, other = two_shops()
    ledger.add(
        case("late", ("protection", "varistor"))
    )  # a name that the others' counts have no place for yet
    again = from_bytes(to_bytes(ledger))
    assert again.others is not None
    assert ledger.others is not None
    assert counts_of(again) == counts_of(ledger)
    assert counts_of(again.others) == counts_of(ledger.others)
    again.withdraw(other[0].uid)
    again.add(case("new", ("protection", "thermistor"), others=True))
    asked = Evidence("HX-210", "power supply")
    assert rank(again, asked).causes  # the names are shared, so both counts grow together


def test_a_sum_is_made_again_when_either_shop_has_a_case_more_or_less() -> None:
    ledger, _, other = two_shops()
    settings = Settings(others_weight=0.5)
    first = counted(ledger, settings)
    assert counted(ledger, settings) is first
    for change in (
        lambda: ledger.withdraw(other[0].uid),
        lambda: ledger.add(case("x", others=True)),
        lambda: ledger.add(case("y")),
        lambda: ledger.withdraw("y"),
    ):
        before = counted(ledger, settings)
        change()
        after = counted(ledger, settings)
        assert after is not before
        fresh = weigh(ledger, 0.5)
        assert isinstance(after, Weighed)
        assert after.known == fresh.known
        assert (after.item_fault.view == fresh.item_fault.view).all()


def test_a_ranking_tells_own_experience_from_that_of_others() -> None:
    ledger = ledger_of(
        case("a"),
        case("b"),
        case("o1", others=True),
        case("o2", others=True, tries=(fix(CAP, result="no change"), fix(SCHOTTKY))),
        case("o3", SWITCH, others=True, family="LP-77"),
    )
    found = rank(ledger, Evidence("HX-210"), Settings(others_weight=0.5))
    cap = next(one for one in found.causes if (one.section, one.part_class) == CAP)
    assert (cap.cases, cap.tried, cap.cured, cap.case_uids) == (2, 2, 2, ("b", "a"))
    assert (cap.others_cases, cap.others_tried, cap.others_cured, cap.others_uids) == (1, 2, 1, ("o1",))
    assert (found.cases_used, found.others_used, found.others_weight) == (2, 3, 0.5)
    switch = next(one for one in found.causes if (one.section, one.part_class) == SWITCH)
    assert (switch.cases, switch.others_cases, switch.minutes, switch.failures) == (0, 1, 20.0, ("high ESR",))
    assert sum(one.probability for one in found.causes) + found.unseen_probability == pytest.approx(1.0)


def same_boards(theirs: int) -> Ledger:
    """Forty own cases, two faults told apart by one symptom, and others' cases in which it tells the same."""
    return ledger_of(
        *(
            case(
                f"{shop}{n}",
                CAP if n % 2 else SWITCH,
                symptoms=(("hum", bool(n % 2)),),
                rails=(),
                others=shop == "x",
            )
            for shop, cases in (("a", 40), ("x", theirs))
            for n in range(cases)
        )
    )


def test_fewer_than_thirty_cases_of_others_keep_the_weight_that_was_given() -> None:
    """What a few cases foresee is chance: in a made-up town six of them got full weight and two none."""
    for given in (0.5, 0.3):
        settings = Settings(others_weight=given)
        assert choose_strength(same_boards(29), settings, thorough=False).settings.others_weight == given
        assert choose_strength(same_boards(30), settings, thorough=False).settings.others_weight == 1.0


def test_a_choice_that_is_waited_for_looks_at_four_weights_and_the_thorough_one_at_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ledger = same_boards(30)
    for thorough, looked_at in ((False, (0.0, 0.2, 0.5, 1.0)), (True, model_selection.OTHERS_WEIGHTS)):
        seen: list[float] = []

        def weigh_and_note(of: Ledger, weight: float, seen: list[float] = seen) -> Ledger:
            seen.append(weight)
            return weigh(of, weight)

        monkeypatch.setattr(model_selection, "weigh", weigh_and_note)
        choose_strength(ledger, patterns=False, thorough=thorough)
        assert set(seen) == set(looked_at)


def test_a_shop_without_cases_of_its_own_ranks_by_those_of_others() -> None:
    ledger = ledger_of(*(case(f"o{n}", others=True) for n in range(6)))
    found = rank(ledger, Evidence("HX-210", symptoms=(("relay clicks repeatedly", True),)))
    assert (found.basis, found.cases_used, found.others_used) == ("family", 0, 6)
    assert found.causes[0].probability > 0.5
    assert [(one.cured, one.others_cured) for one in fix_records(ledger, "HX-210")] == [(0, 6)]
    assert track_record(ledger).overall.ranking.cases == 0


def test_the_track_record_scores_own_cases_only() -> None:
    ledger, mine, _ = two_shops()
    assert track_record(ledger, Settings(others_weight=0.5)).overall.ranking.cases == len(mine)
    tuning = choose_strength(ledger)
    assert (tuning.cases, tuning.known, tuning.others) == (len(mine), len(mine), 60)
    assert not tuning.worth_redoing(ledger)
    for number in range(20):
        ledger.add(case(f"more{number}", others=True))
    assert tuning.worth_redoing(ledger)
