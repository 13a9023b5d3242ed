"""Computes the reference figures that stand in `data/` again, with public libraries and plain NumPy.

    python tests/published/reference_figures.py

prints them beside those of the data files. Nothing of the program is used here: what it says is held against these
figures elsewhere. `test_reference_figures.py` holds the files against this script.
"""

from __future__ import annotations

import csv
import itertools
import json
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"
# Leave one out on the two tables: smoothing by table.
HELD_OUT = {"zoo": (0.1, 1.0), "house_votes_84": (1.0,)}
Figures = Iterator[tuple[str, float, float]]
Array = NDArray[np.float64]


def data(name: str) -> dict[str, Any]:
    """One of the data files."""
    found: dict[str, Any] = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return found


# Leave one out


def rows_of(name: str) -> list[dict[str, str]]:
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        next(lines)  # where the table comes from
        return list(csv.DictReader(lines))


def left_out(name: str, alpha: float) -> tuple[int, float, float, float]:
    """(first places, mean log loss, mean Brier score, calibration error in ten bins) of naive Bayes where each row
    is told by the others: missing values skipped, outcomes smoothed by `alpha`, prior (n + 1) / (N + classes)."""
    table = rows_of(name)
    truth_name = "type" if name == "zoo" else "Class"
    features = [column for column in table[0] if column not in ("animal", truth_name)]
    classes = sorted({row[truth_name] for row in table})
    levels = {column: sorted({row[column] for row in table} - {""}) for column in features}
    said = np.zeros((len(table), len(classes)))
    truth = np.array([classes.index(row[truth_name]) for row in table])
    prior = np.array([(truth == number).sum() for number in range(len(classes))], dtype=float)
    counts = {
        column: np.array(
            [
                [
                    sum(row[column] == level and row[truth_name] == one for row in table)
                    for level in levels[column]
                ]
                for one in classes
            ],
            dtype=float,
        )
        for column in features
    }
    for number, row in enumerate(table):
        own = np.eye(len(classes))[truth[number]]
        logs = np.log((prior - own + 1) / (len(table) - 1 + len(classes)))
        for column in features:
            if row[column] == "":
                continue
            place = levels[column].index(row[column])
            mine = np.outer(own, np.eye(len(levels[column]))[place])
            kept = counts[column] - mine + alpha
            logs += np.log(kept[:, place] / kept.sum(axis=1))
        p = np.exp(logs - logs.max())
        said[number] = p / p.sum()
    lines = np.arange(len(table))
    right = said.argmax(axis=1) == truth
    best = said.max(axis=1)
    bins = np.minimum((best * 10).astype(int), 9)
    gaps = [abs(right[bins == one].sum() - best[bins == one].sum()) for one in range(10)]
    brier = ((said - np.eye(len(classes))[truth]) ** 2).sum(axis=1).mean()
    return (
        int(right.sum()),
        float(-np.log(said[lines, truth]).mean()),
        float(brier),
        float(sum(gaps)) / len(table),
    )


def held_out() -> Figures:
    expected = data("held_out")["tables"]
    for name, alphas in HELD_OUT.items():
        for alpha in alphas:
            figures = left_out(name, alpha)
            wanted = expected[name][str(alpha)]
            for which, ours in zip(("first", "log_loss", "brier", "calibration_error"), figures, strict=True):
                if which in wanted:
                    yield f"{name} {alpha} {which}", ours, wanted[which]


# Published networks, by enumeration


def joint(nodes: Mapping[str, Any]) -> Array:
    """The joint distribution, one axis for each node."""
    place = {name: number for number, name in enumerate(nodes)}
    states = [nodes[name]["states"] for name in nodes]
    law = np.ones([len(one) for one in states])
    for name, node in nodes.items():
        for cell in itertools.product(*(range(len(nodes[parent]["states"])) for parent in node["parents"])):
            named = [
                nodes[parent]["states"][level] for parent, level in zip(node["parents"], cell, strict=True)
            ]
            row = node["table"][" | ".join(named)] if named else node["table"]
            where: list[Any] = [slice(None)] * len(states)
            for parent, level in zip(node["parents"], cell, strict=True):
                where[place[parent]] = level
            for level, share in enumerate(row):
                where[place[name]] = level
                law[tuple(where)] *= share
    return law


def asia() -> Figures:
    nodes, expected = data("asia_network")["nodes"], data("asia_network")["expected"]
    law, names = joint(nodes), list(nodes)
    for query in expected["given"]:
        where = tuple(
            nodes[name]["states"].index(query["evidence"][name]) if name in query["evidence"] else slice(None)
            for name in names
        )
        left = [name for name in names if name not in query["evidence"]]
        given = law[where] / law[where].sum()
        for ill in ("tub", "lung", "bronc"):
            others = tuple(axis for axis, name in enumerate(left) if name != ill)
            yield f"{ill} given {query['evidence']}", float(given.sum(axis=others)[0]), query[ill]


# Intervals, survival, scores, the weather table


def intervals() -> Figures:
    from scipy.stats import beta

    wanted = data("binomial_intervals")
    for k, n, low, high in wanted["jeffreys"]["computed"]:
        yield f"Jeffreys {k} of {n}, low", float(beta.ppf(0.025, k + 0.5, n - k + 0.5)), low
        yield f"Jeffreys {k} of {n}, high", float(beta.ppf(0.975, k + 0.5, n - k + 0.5)), high


def remissions() -> Figures:
    from lifelines import KaplanMeierFitter

    treated = data("remission_times")["treated"]
    days = [*treated["events"], *treated["censored"]]
    seen = [1] * len(treated["events"]) + [0] * len(treated["censored"])
    fitter = KaplanMeierFitter().fit(days, seen)
    yield "median of the treated", float(fitter.median_survival_time_), treated["median"]
    for day, _, _, share, _ in treated["steps"]:
        yield f"share at {day}", float(fitter.predict(day)), float(Fraction(share))


def scores() -> Figures:
    from sklearn.metrics import brier_score_loss, log_loss

    wanted = data("forecast_scores")
    one = wanted["yes_no"]
    yield "brier, yes or no", float(brier_score_loss(one["came_true"], one["said"])), one["brier"]
    yield "log loss, yes or no", float(log_loss(one["came_true"], one["said"])), one["log_loss"]
    three = wanted["three_way"]
    said, truth = np.array(three["said"]), np.array(three["truth"])
    yield "brier, three ways", float(((said - np.eye(3)[truth]) ** 2).sum(axis=1).mean()), three["brier"]
    yield "log loss, three ways", float(log_loss(truth, said, labels=[0, 1, 2])), three["log_loss"]


def play_tennis() -> Figures:
    from sklearn.naive_bayes import CategoricalNB

    table = data("worked_bayes")["play_tennis"]
    rows = [row.split() for row in table["rows"]]
    levels = [sorted({row[place] for row in rows}) for place in range(len(table["columns"]))]
    numbers = np.array([[levels[place].index(word) for place, word in enumerate(row)] for row in rows])
    query = [levels[place].index(table["query"][name]) for place, name in enumerate(table["columns"][:-1])]
    for smoothing, share in table["no"].items():
        model = CategoricalNB(alpha=max(float(smoothing), 1e-9), force_alpha=True)
        model.fit(numbers[:, :-1], numbers[:, -1])
        yield (
            f"no, smoothing {smoothing}",
            float(model.predict_proba([query])[0, levels[-1].index("no")]),
            share,
        )


# The seven segments of a display


def led_display() -> Figures:
    wanted = data("led_display")
    shapes = np.array([[int(bit) for bit in row] for row in wanted["segments"]])

    def law(noise: float) -> Array:
        """(digits, readings) joint probabilities."""
        readings = np.array(list(itertools.product((0, 1), repeat=7)))
        wrong = (readings[None] != shapes[:, None]).sum(axis=2)
        return np.asarray(noise**wrong * (1 - noise) ** (7 - wrong) / 10)

    table = law(wanted["noise"])
    ordered = -np.sort(-table, axis=0)
    limit = wanted["limit"]
    yield "first", float(ordered[0].sum()), float(Fraction(limit["first"]))
    yield "first two", float(ordered[:2].sum()), limit["first_two"]
    yield "first three", float(ordered[:3].sum()), limit["first_three"]
    posterior = table / table.sum(axis=0)
    nats = -float((table * np.log(posterior)).sum())
    yield "nats", nats, limit["nats"]
    yield "bits left", nats / float(np.log(2)), limit["bits_left"]
    yield "brier", 1 - float((table * posterior).sum()), limit["brier"]
    for noise, share in wanted["other_noise"].items():
        yield f"first at noise {noise}", float(law(float(noise)).max(axis=0).sum()), share


PARTS = {
    "held_out": held_out,
    "asia_network": asia,
    "binomial_intervals": intervals,
    "remission_times": remissions,
    "forecast_scores": scores,
    "worked_bayes": play_tennis,
    "led_display": led_display,
}


def main(parts: Sequence[str] = tuple(PARTS)) -> None:
    for part in parts:
        print(part)
        for name, ours, written in PARTS[part]():
            print(f"  {name:60} {ours:.9f} {written:.9f}")


if __name__ == "__main__":
    main()
