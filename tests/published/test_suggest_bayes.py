"""The model of the ranking against worked examples of Bayes' rule, with its own back-off switched off."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from plain_bayes import (
    exact_ledger,
    exact_settings,
    items_of,
    labelled,
    plain_settings,
    share_known,
    with_outcomes,
)
from suggest_values import published

from kb.suggest import Candidate, Evidence, Ledger, Settings, next_measurements
from kb.suggest.back_off import back_off
from kb.suggest.facts_of_case import RailFact

WORKED = published("worked_bayes")
LED = published("led_display")
TENNIS = WORKED["play_tennis"]
THREE_WAY = {"sunny": "0", "overcast": "1", "rain": "2", "hot": "0", "mild": "1", "cool": "2"}
TWO_WAY = {"high": True, "normal": False, "strong": True, "weak": False}


def tennis() -> Ledger:
    ledger = Ledger(conditions=("0", "1", "2"))
    for number, row in enumerate(TENNIS["rows"]):
        values = dict(zip(TENNIS["columns"], row.split(), strict=True))
        two = {name: TWO_WAY[values[name]] for name in ("humidity", "wind")}
        three = {name: THREE_WAY[values[name]] for name in ("outlook", "temperature")}
        ledger.add(labelled(number, values["play"], two, three))
    return ledger


def tennis_evidence(query: dict[str, str]) -> Evidence:
    return Evidence(
        symptoms=tuple((name, TWO_WAY[query[name]]) for name in ("humidity", "wind") if name in query),
        rails=tuple(
            RailFact(name, "running", "none", THREE_WAY[query[name]])
            for name in ("outlook", "temperature")
            if name in query
        ),
    )


def tennis_no(query: dict[str, str], alpha: float) -> float:
    ledger = tennis()
    settings = with_outcomes(plain_settings(alpha), alpha, 3)
    items, ignored = ledger.lines.find(tennis_evidence(query))
    assert not ignored
    return share_known(ledger, items, settings)["no"]


@pytest.mark.parametrize("alpha", TENNIS["no"])
def test_the_tennis_days_give_the_worked_probability(alpha: str) -> None:
    assert tennis_no(TENNIS["query"], float(alpha)) == pytest.approx(
        TENNIS["no"][alpha], abs=TENNIS["tolerance"]
    )


def test_the_unsmoothed_tennis_answer_is_the_ratio_of_the_books_products() -> None:
    no, yes = Fraction(TENNIS["products"]["no"]), Fraction(TENNIS["products"]["yes"])
    assert tennis_no(TENNIS["query"], 0.0) == pytest.approx(float(no / (no + yes)), abs=1e-12)
    assert (float(no), float(yes)) == pytest.approx(
        tuple(TENNIS["products"]["printed_in_book_from_memory"]), abs=5e-5
    )


@pytest.mark.parametrize("alpha", TENNIS["partial"]["no"])
def test_what_was_not_noted_is_skipped(alpha: str) -> None:
    expected = float(Fraction(TENNIS["partial"]["no"][alpha]))
    assert tennis_no(TENNIS["partial"]["query"], float(alpha)) == pytest.approx(expected, abs=1e-12)


def test_the_information_of_each_column_of_the_tennis_days_is_the_published_gain() -> None:
    ledger = tennis()
    settings = exact_settings()
    candidates = [Candidate(name, "symptom", name, False, 1.0) for name in ("humidity", "wind")]
    candidates += [
        Candidate(name, "rail", (name, "running", "none"), False, 1.0) for name in ("outlook", "temperature")
    ]
    gains = {
        one.candidate.label: one.bits for one in next_measurements(ledger, Evidence(), settings, candidates)
    }
    # The unseen row keeps 1/30 of the probability and no measurement tells anything about it.
    known = 1.0 - 0.5 / 15.0
    for name, gain in TENNIS["gain"].items():
        assert gains[name] / known == pytest.approx(gain, abs=TENNIS["tolerance"])


def test_a_positive_screening_test_leaves_the_published_chance() -> None:
    one = WORKED["mammogram"]
    positive = np.array([one["sensitivity"], one["false_positive"]])
    prior = np.array([one["prior"], 1 - one["prior"]])
    ledger = exact_ledger(["ill", "well"], prior, {"test": np.stack([positive, 1 - positive])})
    share = share_known(ledger, items_of(ledger, {"test": 0}), exact_settings())["ill"]
    assert share == pytest.approx(one["posterior"], abs=one["tolerance"])


def test_three_levels_of_back_off_give_the_worked_fractions() -> None:
    parent = np.full(4, 0.25)
    for level in WORKED["hierarchy"]["levels"]:
        counts = np.array(level["counts"])
        parent = back_off(counts, counts.sum(), parent, level["weight"])
        assert parent == pytest.approx([float(Fraction(one)) for one in level["result"]], abs=1e-14)
        assert parent.sum() == pytest.approx(1.0, abs=1e-14)
    assert back_off(np.zeros(4), 0, parent, 5.0) == pytest.approx(parent, abs=1e-15)
    assert back_off(np.zeros(4), 0, parent, 0.0) == pytest.approx(parent, abs=1e-15)


# The LED display: ten digits, seven segments, each wrong with a known probability.

DIGITS = [str(digit) for digit in range(10)]
LIT = np.array([[int(one) for one in shape] for shape in LED["segments"]])


def led_tables(noise: float) -> dict[str, Any]:
    lit = np.where(LIT == 1, 1 - noise, noise)
    return {f"segment {number}": np.stack([lit[:, number], 1 - lit[:, number]]) for number in range(7)}


def led_patterns() -> Iterator[dict[str, int]]:
    for pattern in itertools.product((0, 1), repeat=7):
        yield {f"segment {number}": level for number, level in enumerate(pattern)}


def pattern_law(noise: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """P(digit and pattern): (10, 128), in the order of `led_patterns`."""
    tables = led_tables(noise)
    columns = [
        np.prod([tables[name][level] for name, level in pattern.items()], axis=0)
        for pattern in led_patterns()
    ]
    return 0.1 * np.array(columns).T


def led_figures(ledger: Ledger, settings: Settings, noise: float) -> dict[str, float]:
    law = pattern_law(noise)
    first = first_two = first_three = nats = brier = 0.0
    for column, pattern in enumerate(led_patterns()):
        said = share_known(ledger, items_of(ledger, pattern), settings)
        p = np.array([said.get(digit, 0.0) for digit in DIGITS])
        truth = law[:, column]
        order = np.argsort(-np.round(p, 12), kind="stable")
        first += truth[order[0]]
        first_two += truth[order[:2]].sum()
        first_three += truth[order[:3]].sum()
        nats -= float(truth @ np.log(np.maximum(p, 1e-300)))
        brier += float(truth @ ((p**2).sum() - 2 * p + 1))
    return {"first": first, "first_two": first_two, "first_three": first_three, "nats": nats, "brier": brier}


def test_the_led_display_is_read_as_well_as_is_possible() -> None:
    ledger = exact_ledger(DIGITS, np.full(10, 0.1), led_tables(LED["noise"]))
    figures = led_figures(ledger, exact_settings(), LED["noise"])
    limit = LED["limit"]
    assert figures["first"] == pytest.approx(float(Fraction(limit["first"])), abs=1e-8)
    for name in ("first_two", "first_three"):
        assert figures[name] == pytest.approx(limit[name], abs=1e-8)
    assert figures["nats"] == pytest.approx(limit["nats"], abs=1e-6)
    assert figures["nats"] / math.log(2) == pytest.approx(limit["bits_left"], abs=1e-6)
    assert figures["brier"] == pytest.approx(limit["brier"], abs=1e-6)


@pytest.mark.parametrize("noise", LED["other_noise"])
def test_the_led_limit_moves_with_the_noise_as_computed(noise: str) -> None:
    ledger = exact_ledger(DIGITS, np.full(10, 0.1), led_tables(float(noise)))
    figures = led_figures(ledger, exact_settings(), float(noise))
    assert figures["first"] == pytest.approx(LED["other_noise"][noise], abs=1e-6)


def test_one_segment_tells_as_many_bits_as_computed() -> None:
    ledger = exact_ledger(DIGITS, np.full(10, 0.1), led_tables(LED["noise"]))
    candidates = [Candidate(str(n), "symptom", f"segment {n}", False, 1.0) for n in range(7)]
    found = next_measurements(ledger, Evidence(), exact_settings(), candidates)
    bits = {int(one.candidate.label): one.bits for one in found}
    for number, expected in enumerate(LED["segment_bits"]):
        assert bits[number] == pytest.approx(expected, abs=1e-6)
    assert [one.candidate.label for one in found[:2]] == ["1", "4"]


@pytest.mark.parametrize(
    "size", [50, *(pytest.param(size, marks=pytest.mark.long) for size in (100, 200, 500))]
)
def test_the_led_display_is_learned_at_the_published_pace(size: int) -> None:
    """Mean exact accuracy within three standard errors of the difference of the two means."""
    learned = LED["learned"]
    runs = {50: 60, 100: 40, 200: 25, 500: 12}[size]
    settings = plain_settings(learned["alpha"], alpha_fault=1.0)
    reached = []
    for run in range(runs):
        rng = np.random.default_rng([20240501, size, run])
        digits = rng.integers(0, 10, size)
        lit = (LIT[digits] == 1) ^ (rng.random((size, 7)) < LED["noise"])
        ledger = Ledger()
        for number, (digit, line) in enumerate(zip(digits.tolist(), lit.tolist(), strict=True)):
            symptoms = {f"segment {place}": bool(on) for place, on in enumerate(line)}
            ledger.add(labelled(number, str(digit), symptoms, {}))
        reached.append(led_figures(ledger, settings, LED["noise"])["first"])
    mean, deviation = learned["accuracy"][str(size)]
    error = deviation * math.sqrt(1 / runs + 1 / learned["runs"])
    assert float(np.mean(reached)) == pytest.approx(mean, abs=3 * error + 5e-5)
