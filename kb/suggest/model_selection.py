"""Choosing weights, exponents and sub-patterns on the store's own cases, by leave-one-out.

In this order: how often a right fix cures; what cases of other shops count; weights of the back-off from the evidence
of the counts; one exponent for each kind of answer, with the weights of the prior and of general knowledge;
sub-patterns, scored on folds of the cases that they were not learned from; one exponent for each question and that of
the sub-patterns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest import evidence_weights
from kb.suggest.attempts import usual_fix
from kb.suggest.exponents import Columns, Questions
from kb.suggest.fitted import Fitted
from kb.suggest.leave_one_out import (
    Chosen,
    Held,
    choose_cases,
    forecasts,
    held_out,
    held_patterns,
    held_priors,
    is_new,
)
from kb.suggest.ledger import Ledger
from kb.suggest.opinions import candidates
from kb.suggest.pattern_fit import learn_patterns
from kb.suggest.pooled_counts import counted, weigh
from kb.suggest.questions import ABSENT, FOUND, KINDS, MENTION, NOT_NAMED, RAIL, SILENT, Floats, layout_of
from kb.suggest.reading_values import held_values
from kb.suggest.scores import LEAST
from kb.suggest.settings import Settings

OTHERS_WEIGHTS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
ROUGH_OTHERS_WEIGHTS = (
    0.0,
    0.2,
    0.5,
    1.0,
)  # each takes a fifth of a second, and a rough choice is waited for
FAMILY_WEIGHTS = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
KIND_WEIGHTS = (4.0, 8.0, 16.0, 32.0, 64.0, 256.0)
CATALOGUE_WEIGHTS = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
GENERAL_WEIGHTS = (0.0, 2.0, 6.0, 20.0, 60.0, 200.0)
FEWEST_CASES = 30  # below this a store says too little about itself: the given settings stay
# Exponents by kind of answer from which a store's own are pulled away: found, rail, mention, mention of an
# absence, silence, not named though looked for.
USUAL = np.array([0.7, 0.7, 0.7, 0.0, 0.5, 0.3])
_PULL_KINDS, _PULL_QUESTIONS = 3.0, 15.0
_OPTIMISM = 20.0  # so many cases' worth: measured on `tests/dependent_world.py` from 60 to 1,000 cases
_IDLE = 0.05  # kinds with an exponent below this take no part in the sub-patterns
_USUAL_VALUE = 0.7  # the exponent of values, where they are of use at all
_ERRORS = 2.0  # standard errors by which values must foresee the cases better, or they stay out
_CELLS = 1_000_000  # cases x faults kept at once
_FEW = 800  # cases by which general knowledge and other shops are weighed
_WORTH = 1.2  # the store must have grown or shrunk by a fifth
PATTERNS_FROM = 60  # a store smaller than this cannot tell sub-patterns from chance


@dataclass(frozen=True, slots=True)
class Tuning:
    """What was chosen, and on how much.

    `settings` with the chosen values; `log_loss` of them and `plain_log_loss` of evidence taken as independent
    (nats per case, leave-one-out); `cases` scored, `known` cases in the ledger and `others` of other shops in it
    at the time; `thorough` whether sub-patterns and each question were looked at.
    """

    settings: Settings
    log_loss: float
    plain_log_loss: float
    cases: int
    known: int
    others: int = 0
    thorough: bool = True

    @property
    def chose(self) -> bool:
        """Whether there were cases enough to choose by; else the settings are those that were given."""
        return self.known >= FEWEST_CASES

    @property
    def strength(self) -> float:
        return self.settings.effective_strength

    def worth_redoing(self, ledger: Ledger) -> bool:
        """Whether the ledger has changed by a fifth since, or has just become large enough."""
        if ledger.known < FEWEST_CASES:
            return False
        if not self.chose or not self.known / _WORTH < ledger.known < self.known * _WORTH:
            return True
        others = _others(ledger)
        return others != self.others and not self.others / _WORTH < others < self.others * _WORTH


def _with(settings: Settings, name: str, value: float) -> Settings:
    """The settings with one weight changed."""
    changed: Any = {name: value}
    return replace(settings, **changed)


def _others(ledger: Ledger) -> int:
    return ledger.others.known if ledger.others is not None else 0


def choose_strength(
    ledger: Ledger,
    settings: Settings | None = None,
    *,
    max_cases: int = 10_000,
    patterns: bool = True,
    thorough: bool = True,
) -> Tuning:
    """Choose everything that can be chosen on the store, by the log loss of the shop's own cases.

    At most `max_cases` cases are scored, evenly spaced in order of uid, fewer where there are very many faults.
    `patterns=False` leaves the sub-patterns out, which take most of the time; without `thorough` there is one
    exponent for each kind of answer and no more, chosen on few cases in a second or two, and other shops' cases are
    weighed with four weights instead of twelve. Fewer of these than `FEWEST_CASES` keep the weight that was given:
    it would be chosen by chance. Deterministic; the ledger's counts stay as they are.
    """
    settings = settings or Settings()
    counted(ledger, settings)  # names what general knowledge has
    most = max(1, min(max_cases, _CELLS // max(1, len(candidates(weigh(ledger, 1.0))))))
    if ledger.known < 1:
        return Tuning(settings, 0.0, 0.0, 0, ledger.known, _others(ledger))
    if ledger.known >= FEWEST_CASES:
        settings = replace(settings, general_fix=usual_fix(ledger, settings))
        if _others(ledger) >= FEWEST_CASES:
            weights = OTHERS_WEIGHTS if thorough else ROUGH_OTHERS_WEIGHTS
            settings = _with_others(ledger, settings, most, weights)
        fit = _Fit(weigh(ledger, settings.others_weight), settings, most if thorough else min(most, _FEW))
        if fit.can_choose:
            settings = fit.all(patterns) if thorough else fit.by_kind()
    sums = weigh(ledger, settings.others_weight)
    chosen = choose_cases(sums, most)
    plain = replace(settings, fitted=None, strength=1.0)
    return Tuning(
        settings,
        _loss(ledger, sums, chosen, settings),
        _loss(ledger, sums, chosen, plain),
        len(chosen.rows),
        ledger.known,
        _others(ledger),
        thorough,
    )


def ways_to_be_new(ledger: Ledger, sums: Ledger, chosen: Chosen) -> Floats:
    """Into how many equal parts an unknown fault falls for each case (n,), on the list with others' faults.

    Without the others' cases the faults that only they had are among what is not recorded yet; one of them must
    be told from another there as well, or saying less would be the better forecast.
    """
    ways = np.ones(len(chosen.rows))
    if sums is ledger and _others(ledger):
        everything = weigh(ledger, 1.0)
        only_others = len(everything.known_faults()) - len(ledger.known_faults())
        alone = ledger.rows.get("fault")[chosen.rows]
        if only_others:
            ways += only_others + (everything.holders()[alone] > 1)
    return ways


def _loss(ledger: Ledger, sums: Ledger, chosen: Chosen, settings: Settings) -> float:
    """Mean leave-one-out log loss in nats."""
    total, at = 0.0, 0
    ways = ways_to_be_new(ledger, sums, chosen)
    for part in chosen.parts():
        said = forecasts(sums, part, settings)
        lines = np.arange(len(said.truth))
        known = said.probability[lines, np.maximum(said.truth, 0)]
        of_truth = np.where(said.truth < 0, said.unseen / ways[at : at + len(lines)], known)
        total -= float(np.log(np.clip(of_truth, LEAST, 1.0)).sum())
        at += len(lines)
    return total / max(1, len(chosen.rows))


def _with_others(ledger: Ledger, settings: Settings, most: int, weights: tuple[float, ...]) -> Settings:
    """The settings with the one of some weights of other shops' cases that foresees own cases best; the larger of two
    equals."""
    losses = []
    for weight in weights:
        sums = weigh(ledger, weight)
        tried = _Fit(sums, replace(settings, others_weight=weight), min(most, _FEW)).kinds_only()
        losses.append((round(_loss(ledger, sums, choose_cases(sums, min(most, _FEW)), tried), 12), -weight))
    return replace(settings, others_weight=-min(losses)[1])


class _Fit:
    """One choice on one ledger, step by step; the settings so far are in `settings`."""

    def __init__(self, ledger: Ledger, settings: Settings, most: int) -> None:
        self.ledger = ledger
        self.most = most
        self.layout = layout_of(ledger.lines)
        everything = choose_cases(ledger, most)
        kept = ~is_new(ledger, everything)
        self.chosen = Chosen(
            everything.rows[kept], everything.faults, everything.truth[kept], everything.copies[kept]
        )
        self.truth = self.chosen.truth
        self.lines = np.arange(len(self.truth))
        self.exponents = USUAL.copy()
        # The log likelihood of values within their conditions (0 or 1, n, K), and its exponent.
        values = held_values(ledger, self.chosen.rows, self.chosen.faults, self.truth)
        self.values: NDArray[Any] = np.zeros((0, len(self.truth), len(self.chosen.faults)), dtype=np.float32)
        if values is not None:
            self.values = values.astype(np.float32)[None]
        self.of_values = np.zeros(len(self.values))
        self.settings = settings
        self.general = ledger.opinions is not None
        if self.general:
            self.settings = replace(settings, k_general_rail=0.0, k_general_symptom=0.0)

    @property
    def can_choose(self) -> bool:
        """Whether there are cases whose fault would be known without them: nothing else can be foreseen."""
        return len(self.truth) > 1

    def all(self, patterns: bool) -> Settings:
        """Everything."""
        self.by_kind()
        if len(self.truth) < 2 or not self.layout.items:
            return self.settings
        log_prior = self._log_prior(self.settings).astype(np.float32)
        held = held_out(self.ledger, self.chosen, self.settings, np.float32)
        columns = np.zeros((0, *log_prior.shape), dtype=np.float32)
        by_kind = np.concatenate([self.exponents, self.of_values])
        if patterns and self.ledger.known >= PATTERNS_FROM:
            columns, by_kind = self._patterns(held, log_prior)
        columns = np.concatenate([self.values, columns])
        kind = held.layout.kind[held.row]
        group = kind * len(self.layout.place) + held.layout.feature[held.row]
        groups, where = np.unique(group, return_inverse=True)
        start = np.concatenate([by_kind[groups // len(self.layout.place)], by_kind[KINDS:]])
        found, _ = Questions(log_prior, held, where, columns).fit(start, _PULL_QUESTIONS)
        table = np.repeat(by_kind[:KINDS, None], len(self.layout.place), axis=1)
        table.reshape(-1)[groups] = found[: len(groups)]
        self.of_values = found[len(groups) :][: len(self.values)]
        weight = float(found[-1]) if len(columns) > len(self.values) else 0.0
        self._keep(table, by_kind[:KINDS], held, weight)
        return self.settings

    def kinds_only(self) -> Settings:
        """Weights of the back-off and one exponent for each kind, at the given prior."""
        if not self.can_choose:
            return self.settings
        self._weights()
        held = held_out(self.ledger, self.chosen, self.settings, np.float32)
        self._fit_kinds(held, self._log_prior(self.settings))
        self._keep(
            np.repeat(self.exponents[:, None], len(self.layout.place), axis=1), self.exponents, held, 0.0
        )
        return self.settings

    def by_kind(self) -> Settings:
        """Weights of the back-off, of the prior and of general knowledge, and an exponent for each kind."""
        self._weights()
        for turn in range(2):
            if self.general:
                self._choose_general()
                if turn == 0:
                    self._weights()
            held = held_out(self.ledger, self.chosen, self.settings, np.float32)
            sums = held.sums(self.exponents[held.layout.kind[held.row]])
            self._choose_prior(sums + np.tensordot(self.of_values.astype(np.float32), self.values, 1))
            self._fit_kinds(held, self._log_prior(self.settings))
        self._keep(
            np.repeat(self.exponents[:, None], len(self.layout.place), axis=1), self.exponents, held, 0.0
        )
        return self.settings

    def _weights(self) -> None:
        """The weights of the back-off, from the evidence of the counts."""
        if not self.layout.items:
            return
        plain = replace(self.settings, fitted=None)
        k = evidence_weights.choose(self.ledger, self.layout, self.chosen.faults, plain)
        names = tuple(self.ledger.faults.values[fault] for fault in self.chosen.faults.tolist())
        fitted = Fitted(
            tuple(self.ledger.lines.features.values),
            names,
            *k,
            np.repeat(self.exponents[:, None], len(self.layout.place), axis=1),
            tuple(self.exponents.tolist()),
            self.settings.strength,
        )
        self.settings = replace(self.settings, fitted=fitted)

    def _keep(self, table: Floats, defaults: Floats, held: Held, weight: float) -> None:
        """Put the exponents into the settings, with the mean of those of what was noted.

        They were chosen on the very cases that they are judged by, so they are drawn in as regression
        coefficients are (J. C. van Houwelingen and S. le Cessie, Predictive value of statistical models, Statistics
        in Medicine 9 (1990) 1303-1325, from memory): much with few cases, not at all with many.
        """
        if self.settings.fitted is None:
            return
        held_in = len(self.truth) / (len(self.truth) + _OPTIMISM)
        table, defaults, weight = table * held_in, defaults * held_in, weight * held_in
        kind = held.layout.kind[held.row]
        noted = held.answered.sum(axis=0) * np.isin(kind, (FOUND, RAIL, MENTION))
        used = table[kind, held.layout.feature[held.row]]
        strength = float(noted @ used / max(float(noted.sum()), 1e-12))
        patterns = self.settings.fitted.patterns
        if patterns is not None:
            patterns = replace(patterns, weight=weight)
        fitted = replace(
            self.settings.fitted,
            exponents=table,
            defaults=tuple(defaults.tolist()),
            strength=strength + weight,
            patterns=patterns if weight > 0.0 else None,
            value_exponent=max(
                (held_in * one for one in self.of_values.tolist() if one > _IDLE), default=0.0
            ),
        )
        self.settings = replace(self.settings, fitted=fitted)

    def _log_prior(self, settings: Settings) -> Floats:
        return np.log(np.maximum(held_priors(self.ledger, self.chosen, settings), LEAST))

    def _losses(self, scores: NDArray[Any]) -> NDArray[Any]:
        """Log loss (n,) of each case for unnormalised log probabilities (n, K)."""
        top = scores.max(axis=1)
        total: NDArray[Any] = np.log(np.exp(scores - top[:, None]).sum(axis=1)) + top
        return total - scores[self.lines, self.truth]

    def _mean_loss(self, scores: NDArray[Any]) -> float:
        return float(self._losses(scores).mean()) if len(self.truth) else 0.0

    def _choose_prior(self, sums: NDArray[Any]) -> None:
        """The weights of the prior, one after another, with the evidence as it is."""
        for name, grid in (
            ("k_family", FAMILY_WEIGHTS),
            ("k_kind", KIND_WEIGHTS),
            *((("k_catalogue", CATALOGUE_WEIGHTS),) if self.ledger.catalogue else ()),
        ):
            # A catalogue several times as firm as the store is not for the store to choose.
            most = 3.0 * self.ledger.known if name == "k_catalogue" else np.inf
            tried = [_with(self.settings, name, value) for value in grid if value <= most]
            self.settings = min(tried, key=lambda one: round(self._mean_loss(self._log_prior(one) + sums), 9))

    def _choose_general(self) -> None:
        """The weights of general knowledge for rails and for symptoms; the smaller of two equals."""
        few = self.chosen.rows[:: max(1, len(self.chosen.rows) // _FEW)]
        step = max(1, len(self.chosen.rows) // _FEW)
        some = Chosen(few, self.chosen.faults, self.truth[::step], self.chosen.copies[::step])
        log_prior = np.log(np.maximum(held_priors(self.ledger, some, self.settings), LEAST))
        lines = np.arange(len(some.rows))
        for name in ("k_general_rail", "k_general_symptom"):
            losses = []
            for value in GENERAL_WEIGHTS:
                tried = _with(self.settings, name, value)
                held = held_out(self.ledger, some, tried, np.float32)
                scores = log_prior + held.sums(self.exponents[held.layout.kind[held.row]])
                top = scores.max(axis=1)
                total = np.log(np.exp(scores - top[:, None]).sum(axis=1)) + top
                losses.append((round(float((total - scores[lines, some.truth]).mean()), 9), value))
            self.settings = _with(self.settings, name, min(losses)[1])

    def _columns(self, held: Held) -> NDArray[Any]:
        """Log likelihoods of each kind of answer by itself: (kinds, n, K)."""
        kind = held.layout.kind[held.row]
        return np.stack([held.sums((kind == one).astype(np.float64)) for one in range(KINDS)])

    def _fit_kinds(self, held: Held, log_prior: Floats) -> None:
        logs = self._columns(held)
        problem = Columns(log_prior.astype(np.float32), logs, self.truth)
        found, _ = problem.fit(USUAL.copy(), _PULL_KINDS)
        if len(self.values):
            with_values = replace(problem, logs=np.concatenate([logs, self.values]))
            both, _ = with_values.fit(np.append(found, _USUAL_VALUE), _PULL_KINDS)
            gains = self._losses(problem.score(found)) - self._losses(with_values.score(both))
            if gains.sum() > _ERRORS * np.sqrt((gains**2).sum()):
                found = both
            else:
                self.values = self.values[:0]
        self.exponents, self.of_values = found[:KINDS], found[KINDS:]

    def _patterns(self, held: Held, log_prior: NDArray[Any]) -> tuple[NDArray[Any], Floats]:
        """Learn the sub-patterns: their log likelihoods (1, n, K) out of fold, and the exponents by kind with those
        of values and theirs behind; (0, n, K) and those without them where they do not help."""
        alike = {MENTION: (MENTION, ABSENT), SILENT: (SILENT,), FOUND: (FOUND, NOT_NAMED), RAIL: (RAIL,)}
        kinds = frozenset(
            kind for kind, own in alike.items() if max(self.exponents[one] for one in own) > _IDLE
        )
        nothing = np.zeros((0, *log_prior.shape), dtype=np.float32)
        by_kind = np.concatenate([self.exponents, self.of_values])
        learned = learn_patterns(self.ledger, self.settings, kinds) if kinds else None
        if learned is None or self.settings.fitted is None:
            return nothing, by_kind
        patterns, _ = learned
        without = self.settings
        self.settings = replace(without, fitted=replace(self.settings.fitted, patterns=patterns))
        scores = held_patterns(self.ledger, self.chosen, held, self.settings)
        assert scores is not None
        column = scores[0].astype(np.float32)[None]
        start = np.concatenate([USUAL * 0.6, np.full(len(self.values), _USUAL_VALUE), [0.3]])
        logs = np.concatenate([self._columns(held), self.values, column])
        problem = Columns(log_prior, logs, self.truth)
        found, _ = problem.fit(start, _PULL_KINDS)
        if found[-1] <= _IDLE:
            self.settings = without
            return nothing, by_kind
        return column, found
