"""Exponents of the evidence that foresee the store's own cases best: a convex problem, solved by Newton's method.

minimise over w in [0, 2]:  mean of -log softmax(log prior + sum_g w_g L_g)[truth]  +  pull/n |w - w0|^2

Tempering the likelihood where its parts are not independent: P. Grünwald, The safe Bayesian, Algorithmic Learning
Theory 2012, 169-183; with an exponent for each question this is a logistic regression on log likelihoods.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.leave_one_out import Held
from kb.suggest.questions import Floats, Whole

MOST = 2.0
_STEPS = 40
_DONE = 1e-5

Moments = Callable[[Floats], tuple[Floats, Floats]]


def _probabilities(scores: NDArray[Any], truth: Whole) -> tuple[float, NDArray[Any]]:
    """Mean log loss and the probabilities (n, K) of scores (n, K)."""
    top = scores.max(axis=1, keepdims=True)
    scaled = np.exp(scores - top)
    total = scaled.sum(axis=1)
    own = scores[np.arange(len(truth)), truth] - top[:, 0]
    return float((np.log(total) - own).mean()), scaled / total[:, None]


def minimise(
    score: Callable[[Floats], NDArray[Any]], moments: Moments, truth: Whole, start: Floats, pull: float
) -> tuple[Floats, float]:
    """(w (G,), mean log loss without the pull).

    `score(w)` gives (n, K); `moments(p)` for probabilities (n, K) gives, per group, the sums over the cases of
    mean minus truth of L_g under p, and of its variance: the gradient and the diagonal of the Hessian.
    """
    n, w, rate = max(1, len(truth)), start.copy(), 1.0
    loss, p = _probabilities(score(w), truth)
    penalty = 0.0
    for _ in range(_STEPS):
        slope, curve = moments(p)
        slope = slope / n + 2.0 * pull * (w - start) / n
        curve = curve / n + 2.0 * pull / n + 1e-9
        while rate > 1e-3:
            other = np.clip(w - rate * slope / curve, 0.0, MOST)
            new_loss, new_p = _probabilities(score(other), truth)
            new_penalty = float((pull * (other - start) ** 2).sum() / n)
            if new_loss + new_penalty <= loss + penalty:
                break
            rate *= 0.5
        else:
            break
        gained = loss + penalty - new_loss - new_penalty
        w, loss, p, penalty = other, new_loss, new_p, new_penalty
        rate = min(1.0, rate * 1.5)
        if gained < _DONE:
            break
    return w, loss


def _sums(group: Whole, values: NDArray[Any], many: int) -> Floats:
    """Sums of values (A,) by their group."""
    return np.bincount(group, values, many).astype(np.float64)


@dataclass(frozen=True, slots=True)
class Columns:
    """Few groups, each with its own log likelihoods: `logs` (G, n, K) beside the log prior (n, K)."""

    log_prior: NDArray[Any]
    logs: NDArray[Any]
    truth: Whole

    def score(self, w: Floats) -> NDArray[Any]:
        """Unnormalised log probabilities (n, K) with exponents (G,)."""
        total: NDArray[Any] = self.log_prior + np.tensordot(w.astype(self.logs.dtype), self.logs, 1)
        return total

    def fit(self, start: Floats, pull: float) -> tuple[Floats, float]:
        logs, truth = self.logs, self.truth
        of_truth = logs[:, np.arange(len(truth)), truth].sum(axis=1)

        def moments(p: NDArray[Any]) -> tuple[Floats, Floats]:
            mean = np.einsum("nk,gnk->gn", p, logs)
            square = np.einsum("nk,gnk,gnk->gn", p, logs, logs)
            return mean.sum(axis=1) - of_truth, (square - mean * mean).sum(axis=1)

        return minimise(self.score, moments, truth, start, pull)


@dataclass(frozen=True, slots=True)
class Questions:
    """Many groups of answers, `group` (A,) of each, worked out by matrix products; further columns as above."""

    log_prior: NDArray[Any]
    held: Held
    group: Whole
    columns: NDArray[Any]  # (C, n, K); their groups come last

    def fit(self, start: Floats, pull: float) -> tuple[Floats, float]:
        held, truth = self.held, self.held.truth
        lines = np.arange(len(truth))
        dtype = held.outside.dtype
        same = held.section_of[None, :] == held.section_of[truth][:, None]
        own = held.own[:, truth].T
        squares = held.outside**2, held.inside**2, own**2
        answered = held.answered
        many = len(start) - len(self.columns)
        of_truth = _sums(self.group, (answered * own).sum(axis=0), many)
        columns_of_truth = self.columns[:, lines, truth].sum(axis=1)

        def score(w: Floats) -> NDArray[Any]:
            total = self.log_prior + held.sums(w[:many][self.group])
            if len(self.columns):
                total = total + np.tensordot(w[many:].astype(dtype), self.columns, 1)
            return total

        def moments(p: NDArray[Any]) -> tuple[Floats, Floats]:
            p = p.astype(dtype)
            far = np.where(same, 0, p)
            near = np.where(same, p, 0)
            mine = p[lines, truth][:, None]
            near[lines, truth] = 0
            mean = far @ held.outside.T + near @ held.inside.T + mine * own
            square = far @ squares[0].T + near @ squares[1].T + mine * squares[2]
            slope = _sums(self.group, (answered * mean).sum(axis=0), many) - of_truth
            curve = _sums(self.group, (answered * (square - mean * mean)).sum(axis=0), many)
            if not len(self.columns):
                return slope, curve
            mean = np.einsum("nk,gnk->gn", p, self.columns)
            square = np.einsum("nk,gnk,gnk->gn", p, self.columns, self.columns)
            return (
                np.concatenate([slope, mean.sum(axis=1) - columns_of_truth]),
                np.concatenate([curve, (square - mean * mean).sum(axis=1)]),
            )

        return minimise(score, moments, truth, start, pull)
