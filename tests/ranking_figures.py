"""Figures of a ranking on boards that it has not seen, and those of other learners on the same boards."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kb.suggest import CaseFacts, Evidence, Ledger, Settings
from kb.suggest.facts_of_case import Fault
from kb.suggest.posterior import posterior
from kb.suggest.scores import calibration_error, log_loss


@dataclass(frozen=True)
class Figures:
    """Share first, share among the first three, log loss in nats, calibration error of the first."""

    first: float
    first_three: float
    log_loss: float
    calibration_error: float

    def __str__(self) -> str:
        return f"{self.first:.3f}  {self.first_three:.3f}  {self.log_loss:.3f}  {self.calibration_error:.3f}"


def figures(said: NDArray[np.float64], truth: NDArray[np.int64]) -> Figures:
    """Of probabilities (n, faults) against the places of the faults (n,)."""
    order = np.argsort(-said, axis=1, kind="stable")
    first = order[:, 0] == truth
    return Figures(
        float(first.mean()),
        float((order[:, :3] == truth[:, None]).any(axis=1).mean()),
        log_loss(said[np.arange(len(truth)), truth]),
        calibration_error(said.max(axis=1), first),
    )


def said_by_product(
    ledger: Ledger,
    settings: Settings,
    boards: Sequence[CaseFacts],
    faults: Sequence[Fault],
    *,
    complete: bool,
) -> NDArray[np.float64]:
    """Probabilities (n, faults); what is left for unknown faults is shared out over those the store has not seen."""
    place = {fault: number for number, fault in enumerate(faults)}
    said = np.zeros((len(boards), len(faults)))
    for line, board in enumerate(boards):
        evidence = Evidence(board.family, board.kind, board.symptoms, board.rails, complete=complete)
        found = posterior(ledger, evidence, settings)
        known = [place[ledger.faults.values[fault]] for fault in found.faults.tolist()]
        said[line] = found.unseen / max(1, len(faults) - len(known))
        said[line, known] = found.probability
        assert abs(found.probability.sum() + found.unseen - 1.0) < 1e-9
    return said


def said_by_others(
    train: NDArray[np.int64], truth: NDArray[np.int64], test: NDArray[np.int64], faults: int
) -> dict[str, NDArray[np.float64]]:
    """Logistic regression and a random forest of scikit-learn on one column for each value, missing being one.

    A fault they have not seen gets a thousandth, so that one miss is not infinite.
    """
    from sklearn.ensemble import RandomForestClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.preprocessing import OneHotEncoder

    coder = OneHotEncoder(handle_unknown="ignore").fit(train)
    answers = {}
    learners = {
        "logistic": LogisticRegression(max_iter=300),
        "forest": RandomForestClassifier(300, min_samples_leaf=2, random_state=0),
    }
    for name, learner in learners.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that the iterations end is part of the learner
            learner.fit(coder.transform(train), truth)
        said = np.zeros((len(test), faults))
        said[:, learner.classes_] = learner.predict_proba(coder.transform(test))
        answers[name] = 0.999 * said + 0.001 / faults
    return answers
