"""The ranking against two published networks, as far as a model with one fault at a time can express them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from plain_bayes import exact_ledger, exact_settings, items_of, share_known
from suggest_values import published

from kb.suggest import Candidate, Evidence, next_measurements

Nodes = Mapping[str, Mapping[str, Any]]
ASIA = published("asia_network")
CHILD = published("child_network")


def joint(nodes: Nodes, keep: list[str]) -> NDArray[np.float64]:
    """Exact joint distribution of the kept variables, one axis each, all others summed out."""
    letters = {name: chr(ord("a") + number) for number, name in enumerate(nodes)}
    factors, subscripts = [], []
    for name, node in nodes.items():
        parents = list(node["parents"])
        states = [nodes[parent]["states"] for parent in parents]
        if parents:
            lines = [node["table"][" | ".join(combination)] for combination in itertools.product(*states)]
            table = np.array(lines).reshape([len(one) for one in states] + [len(node["states"])])
        else:
            table = np.array(node["table"])
        factors.append(table)
        subscripts.append("".join(letters[one] for one in [*parents, name]))
    wanted = ",".join(subscripts) + "->" + "".join(letters[name] for name in keep)
    table = np.einsum(wanted, *factors, optimize=True)
    return table / table.sum()


def given_class(law: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """P(outcome | class) (outcomes, classes) of one variable from a joint with the class first."""
    table = law.sum(axis=tuple(other for other in range(1, law.ndim) if other != axis))
    return (table / table.sum(axis=1, keepdims=True)).T


@pytest.mark.parametrize("query", ASIA["expected"]["given"])
def test_the_chest_clinic_gives_the_published_posteriors(query: dict[str, Any]) -> None:
    """Each combination of the three diseases is one fault; given it, the four findings are independent."""
    ills, findings = ["tub", "lung", "bronc"], ["asia", "smoke", "xray", "dysp"]
    law = joint(ASIA["nodes"], [*ills, *findings]).reshape(8, 2, 2, 2, 2)
    classes = [" ".join(one) for one in itertools.product(*(ASIA["nodes"][name]["states"] for name in ills))]
    prior = law.sum(axis=(1, 2, 3, 4))
    tables = {name: given_class(law, axis) for axis, name in enumerate(findings, start=1)}
    ledger = exact_ledger(classes, prior, tables)
    levels = {name: ASIA["nodes"][name]["states"].index(state) for name, state in query["evidence"].items()}
    shares = share_known(ledger, items_of(ledger, levels), exact_settings())
    for place, name in enumerate(ills):
        share = sum(p for label, p in shares.items() if label.split()[place] == "yes")
        assert share == pytest.approx(query[name], abs=ASIA["expected"]["tolerance"])


def child() -> tuple[NDArray[np.float64], list[str], dict[str, NDArray[np.float64]]]:
    observed = CHILD["expected"]["observed"]
    law = joint(CHILD["nodes"], ["Disease", *observed])
    tables = {name: given_class(law, axis) for axis, name in enumerate(observed, start=1)}
    return law, CHILD["nodes"]["Disease"]["states"], tables


def test_the_child_network_has_the_published_limit() -> None:
    law, diseases, _ = child()
    expected = CHILD["expected"]["limit"]
    flat = law.reshape(len(diseases), -1)
    ordered = -np.sort(-flat, axis=0)
    assert flat.shape[1] == 2160
    assert ordered[0].sum() == pytest.approx(expected["first"], abs=1e-6)
    assert ordered[:2].sum() == pytest.approx(expected["first_two"], abs=1e-6)
    assert ordered[:3].sum() == pytest.approx(expected["first_three"], abs=1e-6)
    nats = -float((flat * np.log(flat / flat.sum(axis=0))).sum())
    assert nats == pytest.approx(expected["nats"], abs=1e-6)


def test_the_ranking_comes_as_near_the_child_limit_as_independence_allows() -> None:
    law, diseases, tables = child()
    ledger = exact_ledger(diseases, law.reshape(len(diseases), -1).sum(axis=1), tables)
    settings = exact_settings()
    expected = CHILD["expected"]["independent"]
    first = first_three = nats = 0.0
    names = list(tables)
    for cell, levels in enumerate(itertools.product(*(range(len(tables[name])) for name in names))):
        said = share_known(ledger, items_of(ledger, dict(zip(names, levels, strict=True))), settings)
        p = np.array([said[disease] for disease in diseases])
        truth = law.reshape(len(diseases), -1)[:, cell]
        order = np.argsort(-p)
        first += truth[order[0]]
        first_three += truth[order[:3]].sum()
        nats -= float(truth @ np.log(p))
    assert first == pytest.approx(expected["first"], abs=1e-6)
    assert first_three == pytest.approx(expected["first_three"], abs=1e-6)
    assert nats == pytest.approx(expected["nats"], abs=1e-6)
    assert first < CHILD["expected"]["limit"]["first"]


def test_the_next_measurement_knows_what_each_finding_of_the_child_network_tells() -> None:
    law, diseases, tables = child()
    prior = law.reshape(len(diseases), -1).sum(axis=1)
    assert dict(zip(diseases, prior.tolist(), strict=True)) == pytest.approx(
        CHILD["expected"]["prior"], abs=CHILD["expected"]["tolerance"]
    )
    ledger = exact_ledger(diseases, prior, tables)
    candidates = [
        Candidate(name, "symptom", name, False, 1.0)
        if len(table) == 2
        else Candidate(name, "rail", (name, "running", "none"), False, 1.0)
        for name, table in tables.items()
    ]
    found = next_measurements(ledger, Evidence(), exact_settings(), candidates)
    bits = {one.candidate.label: one.bits for one in found}
    assert bits == pytest.approx(CHILD["expected"]["bits"], abs=CHILD["expected"]["tolerance"])
    assert [one.candidate.label for one in found] == sorted(bits, key=lambda name: -bits[name])
    for one in found:
        assert math.isclose(sum(outcome.probability for outcome in one.outcomes), 1.0, abs_tol=1e-9)
