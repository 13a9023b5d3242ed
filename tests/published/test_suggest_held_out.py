"""Leave one out on two public tables: the model's figures, and what tempering is worth."""

from __future__ import annotations

import csv

import pytest
from plain_bayes import labelled, plain_settings, with_outcomes
from suggest_values import DATA

from kb.suggest import Ledger, Settings, choose_strength, track_record
from kb.suggest.track_record import Scores

LEGS = ("0", "2", "4", "5", "6", "8")


def rows_of(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as lines:
        next(lines)  # where the table comes from
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def zoo() -> Ledger:
    ledger = Ledger(conditions=LEGS)
    for number, row in enumerate(rows_of("zoo.csv")):
        two = {name: value == "yes" for name, value in row.items() if name not in ("animal", "legs", "type")}
        ledger.add(labelled(number, row["type"], two, {"legs": row["legs"]}))
    return ledger


@pytest.fixture(scope="module")
def votes() -> Ledger:
    ledger = Ledger()
    for number, row in enumerate(rows_of("house_votes_84.csv")):
        two = {name: value == "y" for name, value in row.items() if name != "Class" and value}
        ledger.add(labelled(number, row["Class"], two, {}))
    return ledger


def held_out(ledger: Ledger, settings: Settings) -> Scores:
    return track_record(ledger, settings).overall.ranking


def test_the_tables_have_their_known_size(zoo: Ledger, votes: Ledger) -> None:
    assert (len(zoo), len(zoo.faults), len(zoo.lines.features)) == (101, 7, 16)
    assert (len(votes), len(votes.faults), len(votes.lines.features)) == (435, 2, 16)
    noted = int(votes.rows.get("items").sum())
    assert 435 * 16 - noted == 392


@pytest.mark.parametrize(
    ("alpha", "first", "log_loss", "brier"), [(0.1, 97, 0.099749, 0.059404), (1.0, 95, 0.125691, 0.077691)]
)
def test_zoo_left_out_gives_the_reference_figures(
    zoo: Ledger, alpha: float, first: int, log_loss: float, brier: float
) -> None:
    """Reference: naive Bayes with missing values skipped and prior (n + 1) / (N + 7), computed with a
    separate script; ours adds the row for an unknown class, hence the margin in the third decimal."""
    settings = with_outcomes(plain_settings(alpha, alpha_fault=1.0), alpha, len(LEGS))
    scores = held_out(zoo, settings)
    assert (scores.cases, scores.first, scores.first_three) == (101, first, 101)
    assert scores.log_loss == pytest.approx(log_loss, abs=0.006)
    assert scores.brier == pytest.approx(brier, abs=0.002)


def test_house_votes_left_out_gives_the_reference_figures(votes: Ledger) -> None:
    scores = held_out(votes, plain_settings(1.0, alpha_fault=1.0))
    assert (scores.cases, scores.first) == (435, 392)
    assert scores.log_loss == pytest.approx(0.619980, abs=0.003)
    assert scores.brier == pytest.approx(0.177378, abs=0.001)
    assert scores.calibration_error == pytest.approx(0.0842, abs=0.002)


def test_tempering_earns_its_place_on_the_dependent_votes(votes: Ledger) -> None:
    plain = held_out(votes, plain_settings(1.0, alpha_fault=1.0))
    # Sub-patterns take dependence into account in another way and leave less to temper.
    tuning = choose_strength(votes, plain_settings(1.0, alpha_fault=1.0), patterns=False)
    tempered = held_out(votes, tuning.settings)
    assert tuning.strength < 0.5
    assert tempered.log_loss == pytest.approx(tuning.log_loss, abs=1e-12)
    assert tempered.log_loss < 0.5 * plain.log_loss
    assert tempered.brier < plain.brier
    assert tempered.calibration_error < 0.5 * plain.calibration_error
    assert tempered.first >= plain.first - 0.01 * plain.cases


def test_the_products_own_model_beats_plain_naive_bayes_on_both_tables(zoo: Ledger, votes: Ledger) -> None:
    for ledger, outcomes in ((zoo, len(LEGS)), (votes, 5)):
        tuning = choose_strength(ledger, Settings())
        best_plain = min(
            held_out(ledger, with_outcomes(plain_settings(alpha, 1.0), alpha, outcomes)).log_loss
            for alpha in (0.1, 0.5, 1.0)
        )
        assert held_out(ledger, tuning.settings).log_loss < best_plain
        assert tuning.log_loss < tuning.plain_log_loss
