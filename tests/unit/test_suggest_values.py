"""What the value of a reading says beyond its condition: used where it tells which fault it is, and else left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from dependent_world import DependentWorld
from known_world import CONDITIONS, FAMILIES, FAULTS, RAILS, Sample, cases_of
from ranking_figures import Figures, figures, said_by_product
from suggest_builders import CAP, SCHOTTKY, SWITCH, case, ledger_of, low_standby

from kb.suggest import CaseFacts, Evidence, Ledger, RailFact, Settings, Tuning, choose_strength, rank
from kb.suggest.posterior import posterior
from kb.suggest.reading_values import held_values, value_lines, values_of
from kb.suggest.snapshot import from_bytes, to_bytes

WORLD = DependentWorld(21)


def with_values(sample: Sample, *, tells: bool, seed: int, prefix: str = "case") -> list[CaseFacts]:
    """The world's cases with a value for each reading, as a share of nominal.

    A low or high rail lies at a level of its fault's own where it `tells`, and anywhere else; what a family's
    rail reads when it is right is always a little off in its own way.
    """
    rng, fixed = np.random.default_rng(seed), np.random.default_rng(99)
    level = fixed.uniform(0.35, 0.9, (len(FAULTS), len(RAILS)))
    family = fixed.normal(0.0, 0.015, (FAMILIES, len(RAILS)))
    found = []
    for number, facts in enumerate(cases_of(WORLD, sample, prefix)):  # type: ignore[arg-type]
        rails = []
        for rail in facts.rails:
            place = [one[:3] for one in RAILS].index(rail.key)
            right = 1.0 + family[sample.family[number], place] + 0.01 * rng.normal()
            wrong = level[sample.fault[number], place] + 0.03 * rng.normal()
            if not tells:
                wrong = 0.62 + 0.15 * rng.normal()
            shown = {"low": wrong, "in tolerance": right, "high": 0.75 + wrong, "absent": 0.0}
            rails.append(replace(rail, value=shown.get(rail.condition)))
        found.append(replace(facts, rails=tuple(rails)))
    return found


def asked(cases: int, *, tells: bool) -> tuple[Tuning, Figures, Figures]:
    """The choice on so many cases, and the figures on the same boards with the values and without."""
    ledger = ledger_of(*with_values(WORLD.sample(cases, 1_000 + cases), tells=tells, seed=1))
    test = WORLD.sample(400, 999)
    boards = with_values(test, tells=tells, seed=2, prefix="asked")
    tuning = choose_strength(ledger, patterns=False)
    plain = [replace(one, rails=tuple(replace(rail, value=None) for rail in one.rails)) for one in boards]
    without = choose_strength(ledger_of(*_bare(ledger, cases)), patterns=False)
    return (
        tuning,
        figures(said(ledger, tuning.settings, boards), test.fault),
        figures(said_by_product(ledger, without.settings, plain, FAULTS, complete=False), test.fault),
    )


def _bare(ledger: Ledger, cases: int) -> list[CaseFacts]:
    return cases_of(WORLD, WORLD.sample(cases, 1_000 + cases))  # type: ignore[arg-type]


def said(ledger: Ledger, settings: Settings, boards: Sequence[CaseFacts]) -> np.ndarray:  # type: ignore[type-arg]
    return said_by_product(ledger, settings, boards, FAULTS, complete=False)


def test_values_that_tell_which_fault_it_is_are_used() -> None:
    tuning, ours, without = asked(300, tells=True)
    print(f"\nwith values {ours}, without {without}, exponent {tuning.settings.value_exponent:.2f}")
    assert tuning.settings.value_exponent > 0.5
    assert ours.log_loss < without.log_loss - 0.15
    assert ours.first > without.first + 0.05
    assert ours.calibration_error < 0.06


@pytest.mark.parametrize("cases", [60, 300])
def test_values_that_tell_nothing_fall_to_nothing(cases: int) -> None:
    tuning, ours, without = asked(cases, tells=False)
    assert tuning.settings.value_exponent == 0.0
    assert ours.log_loss == pytest.approx(without.log_loss, abs=1e-9)


def read(share: float | None, condition: str = "low") -> RailFact:
    return replace(low_standby(condition), value=share)


def shop(per_fault: int = 12) -> Ledger:
    """Two faults that leave the standby rail low, one at 84 % of nominal and one at 55 %."""
    rng = np.random.default_rng(4)
    return ledger_of(
        *(
            case(f"{name}{n}", fault, rails=(read(level + 0.02 * rng.normal()),))
            for name, fault, level in (("c", CAP, 0.84), ("d", SCHOTTKY, 0.55), ("s", SWITCH, 0.55))
            for n in range(per_fault)
        )
    )


def test_a_reading_at_a_faults_own_level_speaks_for_it_in_a_line_of_its_own() -> None:
    ledger = shop()
    settings = choose_strength(ledger, patterns=False).settings
    assert settings.value_exponent > 0.3
    at = {
        share: rank(ledger, Evidence("HX-210", rails=(read(share),)), settings).causes
        for share in (0.84, 0.56)
    }
    assert at[0.84][0].part_class == CAP[1]
    assert at[0.84][0].probability > 0.8
    assert at[0.56][0].part_class != CAP[1]
    line = "standby rail at 84 % of nominal (standby, no load)"
    weights = {one.line: one.weight for one in at[0.84][0].evidence}
    assert weights[line] > 1.0
    without = rank(ledger, Evidence("HX-210", rails=(read(None),)), settings)
    assert without.causes[0].probability < 0.6


def test_the_lines_are_those_of_students_t_by_an_independent_reckoning() -> None:
    """One fault alone: the predictive density of a normal one with a normal-inverse-gamma prior, against scipy's."""
    from scipy import stats

    ledger = shop(5)
    values = values_of(ledger, ledger.known_faults(), None)
    feature = int(ledger.lines.features.find(("rail", "standby", "standby", "none")))
    item = int(ledger.lines.first_item.view[feature]) + 1
    (logs,) = value_lines(values, 0, [(feature, item, 0.84)])
    place = int(values.place[item])
    count, total, square = (table[place] for table in (values.count, values.total, values.square))
    means = total / count
    inside = (square - total * means).sum()
    within = (inside + 4 * 0.15**2) / (count.sum() - 3 + 4)
    grand = total.sum() / count.sum()
    between = (count * (means - grand) ** 2).sum()
    alike = count.sum() - (count**2).sum() / count.sum()
    tau = (2 * max(between - 2 * within, 0) / alike + 3 * within / 10) / 5
    k, root = within / tau, total.sum() / (count.sum() + 1)
    found = []
    for fault in range(3):
        mine = values.section_of == values.section_of[fault]
        parent = (total[mine].sum() + k * root) / (count[mine].sum() + k)
        freedom = 5 + count[fault]
        ss = square[fault] - total[fault] * means[fault]
        ss += k * count[fault] / (k + count[fault]) * (means[fault] - parent) ** 2
        scale = ((5 * within + ss) / freedom * (1 + 1 / (k + count[fault]))) ** 0.5
        middle = (k * parent + total[fault]) / (k + count[fault])
        found.append(stats.t(freedom, middle, scale).logpdf(-0.16))
    general = stats.t(5, root, (within * (1 + 2 / k)) ** 0.5).logpdf(-0.16)
    assert logs == pytest.approx(np.array(found) - general, abs=1e-9)


def test_leaving_a_case_out_is_what_the_store_would_say_without_it() -> None:
    """All but the spread of all values, which is left as it is: seen here in the order of the faults."""
    ledger = shop(30)
    faults = np.array(sorted(ledger.known_faults().tolist(), key=lambda one: ledger.faults.values[one]))
    rows = np.flatnonzero(ledger.rows.get("alive"))
    truth = np.array([faults.tolist().index(one) for one in ledger.rows.get("fault")[rows].tolist()])
    held = held_values(ledger, rows, faults, truth)
    assert held is not None
    for place in (0, 40, 80):
        without = from_bytes(to_bytes(ledger))
        uid = ledger.rows.uids[rows[place]]
        share = int(ledger.rows.values_of(int(rows[place])).max()) / 10_000
        without.withdraw(uid)
        feature = int(without.lines.features.find(("rail", "standby", "standby", "none")))
        item = int(without.lines.first_item.view[feature]) + 1
        (logs,) = value_lines(values_of(without, faults, None), 0, [(feature, item, share)])
        assert held[place] == pytest.approx(logs, rel=0.05, abs=0.15)
        assert held[place].argsort().tolist() == logs.argsort().tolist()


def test_sums_renewed_after_a_save_are_those_made_anew() -> None:
    ledger = shop()
    faults = ledger.known_faults()
    kept = values_of(ledger, faults, None)
    normal = kept.normal.copy()
    ledger.add(case("new", SWITCH, rails=(read(0.6),)))
    ledger.withdraw("c3")
    renewed, fresh = values_of(ledger, faults, kept), values_of(ledger, faults, None)
    assert renewed is kept
    for name in ("count", "total", "square"):
        assert getattr(renewed, name) == pytest.approx(getattr(fresh, name), abs=1e-12)
    assert np.array_equal(normal, renewed.normal)
    ledger.add(case("theirs", SWITCH, rails=(read(0.1),), others=True))
    assert values_of(ledger, faults, kept).total == pytest.approx(fresh.total, abs=1e-12)


def test_values_come_back_from_a_snapshot_and_from_places_that_were_given_back() -> None:
    ledger = shop()
    again = from_bytes(to_bytes(ledger))
    assert np.array_equal(again.rows.value.view, ledger.rows.value.view)
    for one in (ledger, again):
        one.withdraw("c0")
        one.settle()
    assert np.array_equal(again.rows.value.view, ledger.rows.value.view)
    assert again.rows.value.size == 2 * len(again) == 70


@pytest.mark.parametrize("share", [None, float("nan"), float("inf"), -1e9, 0.0, 1e6, -0.5])
def test_no_value_makes_an_answer_anything_but_numbers_that_sum_to_one(share: float | None) -> None:
    ledger = shop()
    settings = choose_strength(ledger, patterns=False).settings
    ledger.add(case("odd", CAP, rails=(read(share),)))
    found = posterior(ledger, Evidence("HX-210", rails=(read(share), read(share))), settings)
    assert np.isfinite(found.probability).all()
    assert found.probability.sum() + found.unseen == pytest.approx(1.0, abs=1e-9)


def test_an_absent_or_pulsing_rail_has_no_value_worth_noting() -> None:
    facts = case("a", CAP, rails=(read(0.01, "absent"), RailFact("logic", "running", "none", "pulsing", 0.7)))
    ledger = ledger_of(facts)
    assert set(ledger.rows.value.view.tolist()) == {-(2**31)}
    assert CONDITIONS[0] == "absent"
