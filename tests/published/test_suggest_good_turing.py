"""The share of what was never seen, against published examples and exact expectations."""

from __future__ import annotations

import math
import warnings
from collections import Counter

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.unseen import missing_mass, missing_mass_error, simple_good_turing

VALUES = published("good_turing")


def test_the_fishing_example_has_the_published_missing_mass() -> None:
    fish = VALUES["fish"]
    times = Counter(fish["counts"])
    total = sum(fish["counts"])
    assert missing_mass(total, times[1]) == pytest.approx(fish["missing_mass"], abs=fish["tolerance"])
    assert missing_mass_error(total, times[1], times[2]) == pytest.approx(
        fish["standard_error"], abs=fish["tolerance"]
    )
    adjusted = 2 * times[2] / times[1]
    assert adjusted == pytest.approx(fish["seen_once_adjusted"], abs=fish["tolerance"])
    assert adjusted / total == pytest.approx(fish["seen_once_probability"], abs=fish["tolerance"])


def test_the_prosody_data_are_smoothed_as_published() -> None:
    prosody = VALUES["prosody"]
    frequencies = dict(prosody["frequencies"])
    assert sum(frequencies.values()) == prosody["types"]
    assert sum(r * species for r, species in frequencies.items()) == prosody["total"]
    smooth = simple_good_turing(frequencies)
    assert smooth.slope == pytest.approx(prosody["slope"], abs=1e-6)
    assert smooth.intercept == pytest.approx(prosody["intercept"], abs=1e-6)
    assert smooth.unseen == pytest.approx(prosody["unseen"], abs=1e-9)
    assert smooth.adjusted[1] == pytest.approx(prosody["adjusted_1"], abs=1e-6)
    for times, probability in prosody["probability"].items():
        assert smooth.probability[int(times)] == pytest.approx(probability, rel=prosody["tolerance"])
    whole = smooth.unseen + sum(frequencies[r] * p for r, p in smooth.probability.items())
    assert whole == pytest.approx(1.0, abs=1e-12)


def test_the_line_through_the_frequencies_is_that_of_nltk() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # nltk's import is not ours to judge
        from nltk.probability import (  # type: ignore[import-untyped]
            FreqDist,
            SimpleGoodTuringProbDist,
        )
    counts: FreqDist = FreqDist()
    for times, species in VALUES["prosody"]["frequencies"]:
        for number in range(species):
            counts[f"{times}-{number}"] = times
    theirs = SimpleGoodTuringProbDist(counts)
    ours = simple_good_turing(dict(VALUES["prosody"]["frequencies"]))
    assert (ours.slope, ours.intercept) == pytest.approx((theirs._slope, theirs._intercept), abs=1e-9)


def test_the_estimate_has_the_exact_expectation() -> None:
    exact = VALUES["equally_likely"]
    causes, cases = exact["causes"], exact["cases"]
    assert (1 - 1 / causes) ** cases == pytest.approx(exact["missing"], abs=exact["tolerance"])
    rng = np.random.default_rng(3)
    shares = []
    for _ in range(4_000):
        times = np.bincount(rng.integers(0, causes, cases), minlength=causes)
        shares.append(missing_mass(cases, int((times == 1).sum())))
    error = float(np.std(shares)) / math.sqrt(len(shares))
    assert float(np.mean(shares)) == pytest.approx(exact["singles_share"], abs=4 * error)
