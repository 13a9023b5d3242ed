"""Choosing the evidence strength and the back-off weights on the store's own cases, by leave-one-out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kb.suggest.back_off import Floats
from kb.suggest.leave_one_out import (
    Chosen,
    choose_cases,
    held_likelihoods,
    held_priors,
    held_unseen,
)
from kb.suggest.ledger import Ledger
from kb.suggest.scores import LEAST
from kb.suggest.settings import Settings
from kb.suggest.weighing import weigh

STRENGTHS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
FAULT_WEIGHTS = (0.5, 1.0, 2.0, 4.0, 7.0, 10.0, 15.0, 25.0, 40.0)
SECTION_WEIGHTS = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
KIND_WEIGHTS = (4.0, 8.0, 16.0, 32.0, 64.0)
FAMILY_WEIGHTS = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
OTHERS_WEIGHTS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
FEWEST_CASES = 30  # below this a store says too little about itself: the given settings stay
_CELLS = 2_000_000  # cases x faults kept at once: some seconds with ten thousand faults
_WORTH = 1.2  # the store must have grown or shrunk by a fifth


@dataclass(frozen=True, slots=True)
class Tuning:
    """What was chosen, and on how much.

    `settings` with the chosen values; `log_loss` of them and `plain_log_loss` at full strength (nats per
    case, leave-one-out); `cases` scored, `known` cases in the ledger and `others` of other shops in it at
    the time.
    """

    settings: Settings
    log_loss: float
    plain_log_loss: float
    cases: int
    known: int
    others: int = 0

    @property
    def chose(self) -> bool:
        """Whether there were cases enough to choose by; else the settings are those that were given."""
        return self.known >= FEWEST_CASES

    @property
    def strength(self) -> float:
        return self.settings.strength

    def worth_redoing(self, ledger: Ledger) -> bool:
        """Whether the ledger has changed by a fifth since, or has just become large enough."""
        if ledger.known < FEWEST_CASES:
            return False
        if not self.chose or not self.known / _WORTH < ledger.known < self.known * _WORTH:
            return True
        others = _others(ledger)
        return others != self.others and not self.others / _WORTH < others < self.others * _WORTH


def _others(ledger: Ledger) -> int:
    return ledger.others.known if ledger.others is not None else 0


def choose_strength(ledger: Ledger, settings: Settings | None = None, *, max_cases: int = 10_000) -> Tuning:
    """Choose mentions, strength and the weights k_ of all levels by exact leave-one-out log loss.

    Where there are cases of other shops, what they count is chosen first and with the rest. Only the shop's
    own cases are scored, so others' cases count as far as they help to foresee these.

    One value at a time, twice round, on small grids; the larger of two equals. At most `max_cases` cases
    are scored, evenly spaced in order of uid, fewer where there are very many faults. Deterministic.
    """
    settings = settings or Settings()
    search = _Search(ledger, max_cases)
    cases = search.cases
    if not cases:
        return Tuning(settings, 0.0, 0.0, 0, ledger.known, _others(ledger))
    if ledger.known >= FEWEST_CASES:
        for _ in range(2):
            for name, grid in (
                *((("others_weight", OTHERS_WEIGHTS),) if _others(ledger) else ()),
                ("mentions", (True, False)),
                ("strength", STRENGTHS),
                ("k_fault", FAULT_WEIGHTS),
                ("k_section", SECTION_WEIGHTS),
                ("k_kind", KIND_WEIGHTS),
                ("k_family", FAMILY_WEIGHTS),
            ):
                settings = search.best(settings, name, grid)
        fine = tuple(round(settings.strength + step, 3) for step in (-0.05, -0.025, 0.0, 0.025, 0.05))
        settings = search.best(settings, "strength", tuple(one for one in fine if 0.0 < one <= 1.0))
    loss = search.loss(settings)
    plain = search.loss(replace(settings, strength=1.0))
    return Tuning(settings, loss, plain, cases, ledger.known, _others(ledger))


class _Search:
    """Keeps the pieces that a change of one setting leaves as they are."""

    def __init__(self, ledger: Ledger, max_cases: int) -> None:
        everything = weigh(ledger, 1.0)
        names = len(everything.known_faults())
        self._most = max(1, min(max_cases, _CELLS // max(1, names)))
        # Without the others' cases the faults that only they had are among what is not recorded yet; one
        # of them must be told from another there as well, or saying less would be the better forecast.
        self._only_others = names - len(ledger.known_faults())
        self._holders = everything.holders()
        self._own = ledger
        self._weight = -1.0
        self._weigh(1.0)
        self._priors: tuple[tuple[float, ...], Floats] | None = None
        self._likelihoods: tuple[tuple[float, ...], tuple[Floats, Floats]] | None = None
        self._losses: dict[Settings, float] = {}

    @property
    def cases(self) -> int:
        return len(self._chosen.rows)

    def _weigh(self, weight: float) -> None:
        """Makes `_ledger` the counts at a weight of the others' cases, and `_chosen` the own cases in it."""
        if weight == self._weight:
            return
        self._weight = weight
        self._ledger = weigh(self._own, weight)
        self._chosen = choose_cases(self._ledger, self._most)
        names = np.ones(self.cases)
        if self._ledger is self._own and self._only_others:
            alone = self._own.rows.get("fault")[self._chosen.rows]
            names += self._only_others + (self._holders[alone] > 1)
        self._log_names = np.log(names)

    def best(self, settings: Settings, name: str, grid: tuple[float, ...]) -> Settings:
        """The settings with `name` at its best value on the grid (or as it is, if that is best)."""
        tried = [replace(settings, **{name: value}) for value in (*grid, getattr(settings, name))]
        return min(tried, key=lambda one: (round(self.loss(one), 12), -getattr(one, name)))

    def loss(self, settings: Settings) -> float:
        """Mean leave-one-out log loss in nats."""
        if settings not in self._losses:
            self._weigh(settings.others_weight)
            log_prior = self._log_prior(settings)
            log_known, log_any = self._log_likelihood(settings)
            unseen = held_unseen(self._ledger, self._chosen, settings)
            self._losses[settings] = _mean_loss(
                log_prior, unseen, log_known, log_any, self._chosen, settings, self._log_names
            )
        return self._losses[settings]

    def _log_prior(self, settings: Settings) -> Floats:
        key = (settings.others_weight, settings.k_family, settings.k_kind, settings.alpha_fault)
        if self._priors is None or self._priors[0] != key:
            with np.errstate(divide="ignore"):
                self._priors = (key, np.log(held_priors(self._ledger, self._chosen, settings)))
        return self._priors[1]

    def _log_likelihood(self, settings: Settings) -> tuple[Floats, Floats]:
        key = (
            settings.others_weight,
            settings.mentions,
            settings.k_fault,
            settings.rail_weight,
            settings.k_section,
            settings.alpha,
        )
        if self._likelihoods is None or self._likelihoods[0] != key:
            self._likelihoods = (key, held_likelihoods(self._ledger, self._chosen, settings))
        return self._likelihoods[1]


def _mean_loss(
    log_prior: Floats,
    unseen: Floats,
    log_known: Floats,
    log_any: Floats,
    chosen: Chosen,
    settings: Settings,
    log_names: Floats,
) -> float:
    """As scoring `tempered` forecasts, but working out the probability of the truth alone.

    `log_names` (N,) is the logarithm of the number of equal parts into which an unknown fault falls.
    """
    weights = log_prior + settings.strength * log_known
    top = weights.max(axis=1)
    possible = np.isfinite(top)
    top = np.where(possible, top, 0.0)
    total = np.log(np.maximum(np.exp(weights - top[:, None]).sum(axis=1), 1e-300)) + top
    ratio = np.clip(settings.unseen_evidence * (settings.strength * log_any - total), -700.0, 700.0)
    odds = unseen * np.where(possible, np.exp(ratio), 1.0)
    whole = odds + (1.0 - unseen)
    own = weights[np.arange(len(weights)), chosen.truth]
    with np.errstate(divide="ignore"):
        log_seen = np.log((1.0 - unseen) / whole) + own - total
        log_new = np.log(odds / whole) - log_names
    losses = -np.where(chosen.copies == 1, log_new, log_seen)
    return float(np.minimum(np.nan_to_num(losses, nan=0.0), -np.log(LEAST)).mean())
