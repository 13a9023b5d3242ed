"""Which reading or check to make next: expected fall of the ranking's entropy, in bits per minute."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.evidence_lines import FeatureKey, rail_key, symptom_key
from kb.suggest.facts_of_case import Evidence, Fault, RailKey
from kb.suggest.ledger import Ledger
from kb.suggest.patterns import log_mix
from kb.suggest.pooled_counts import counted
from kb.suggest.posterior import (
    SILENCE,
    Posterior,
    completeness,
    of_patterns,
    posterior,
    settle,
    silence_line,
    unseen_evidence_of,
)
from kb.suggest.questions import Floats, Whole
from kb.suggest.rows import spread
from kb.suggest.settings import Settings
from kb.suggest.tables import Tables

UNPOWERED_BONUS = 1.25  # an unpowered check wins against a powered one that is up to a fifth better
_SHORTEST_MINUTES = 0.05
_ROUNDING = 1e-12
_SAYS_SOMETHING = 1e-6  # causes less likely than this keep their sub-patterns as they are


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that could be looked at. `name` is a symptom's name or a rail key (role, supply, load).

    `dead_check` marks the unpowered checks that must be done before anything is energised.
    """

    label: str
    kind: Literal["symptom", "rail"]
    name: str | RailKey
    powered: bool
    minutes: float
    dead_check: bool = False

    @property
    def key(self) -> FeatureKey:
        if self.kind == "symptom":
            if not isinstance(self.name, str):
                raise ValueError(f"a symptom is named by text, not by {self.name!r}")
            return symptom_key(self.name)
        if isinstance(self.name, str) or len(self.name) != 3:
            raise ValueError(f"a rail is named by role, supply state and load, not by {self.name!r}")
        return rail_key(self.name)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One result the measurement may have: how likely it is, and which cause would then lead."""

    label: str
    probability: float
    leading: Fault
    leading_probability: float


@dataclass(frozen=True, slots=True)
class Measurement:
    """A candidate with what it is expected to tell. `bits` is the expected fall in entropy."""

    candidate: Candidate
    bits: float
    bits_per_minute: float
    outcomes: tuple[Outcome, ...]
    why: str


def next_measurements(
    ledger: Ledger,
    evidence: Evidence,
    settings: Settings | None = None,
    candidates: Sequence[Candidate] = (),
    *,
    limit: int | None = None,
) -> tuple[Measurement, ...]:
    """The candidates not yet in the evidence, the one that tells most per minute first.

    The entropy is that of the ranking with its unseen row, before and after each outcome, weighted by how
    likely the outcome is. As long as a dead check is not in the evidence nothing
    powered is offered; dead checks are offered even when no case ever noted them.
    """
    settings = settings or Settings()
    noted = {symptom_key(name) for name, _ in evidence.symptoms} | {
        rail_key(one.key) for one in evidence.rails
    }
    open_ones = [one for one in dict.fromkeys(candidates) if one.key not in noted]
    waiting = any(one.dead_check for one in open_ones)
    if waiting:
        open_ones = [one for one in open_ones if not one.powered]
    found = posterior(ledger, evidence, settings)
    ledger = counted(ledger, settings)
    features = [ledger.lines.features.find(one.key) for one in open_ones]
    usable = [feature for feature in dict.fromkeys(features) if feature >= 0]
    answers = _answers(ledger, found, usable, settings)
    bits = dict(zip(usable, answers.bits.tolist(), strict=True)) if answers is not None else {}
    told = [
        (_urgency(one, saved := bits.get(feature, 0.0)), saved, one, feature)
        for one, feature in zip(open_ones, features, strict=True)
        if one.dead_check or bits.get(feature, 0.0) > 0.0
    ]
    told.sort(key=lambda one: one[0])
    return tuple(
        Measurement(
            one,
            saved,
            _per_minute(one, saved),
            answers.outcomes(ledger, found, usable.index(feature)) if answers and feature in bits else (),
            _why(one, saved),
        )
        for _, saved, one, feature in (told if limit is None else told[: max(0, limit)])
    )


def _per_minute(one: Candidate, bits: float) -> float:
    return bits / max(one.minutes, _SHORTEST_MINUTES)


def _urgency(one: Candidate, bits: float) -> tuple[float, bool, str]:
    bonus = 1.0 if one.powered else UNPOWERED_BONUS
    return (-round(_per_minute(one, bits) * bonus, 12), one.powered, one.label)


@dataclass(frozen=True, slots=True)
class _Answers:
    """What every outcome of F features would do: L outcomes in all, those of a feature in the order of its items."""

    bits: Floats  # (F,) expected fall in entropy
    first: Whole  # (F,) place of the first outcome of each
    items: Whole  # (L,)
    chance: Floats  # (L,) sums to 1 over each feature
    leading: Whole  # (L,) place of the leading fault
    leading_probability: Floats  # (L,)

    def outcomes(self, ledger: Ledger, found: Posterior, number: int) -> tuple[Outcome, ...]:
        """The outcomes of one of the features."""
        first = int(self.first[number])
        end = int(self.first[number + 1]) if number + 1 < len(self.first) else len(self.items)
        return tuple(
            Outcome(
                ledger.lines.outcome_label(int(self.items[place])),
                float(self.chance[place]),
                ledger.faults.values[int(found.faults[self.leading[place]])],
                float(self.leading_probability[place]),
            )
            for place in range(first, end)
        )


def _answers(ledger: Ledger, found: Posterior, features: list[int], settings: Settings) -> _Answers | None:
    """All features at once: the step that `posterior` makes for one more item, for each outcome.

    None where there is nothing to ask or no fault to tell from another.
    """
    if not features or not len(found.faults):
        return None
    first = ledger.lines.first_item.view[features]
    levels = ledger.lines.levels.view[features]
    items = spread(first, levels)
    of_item = np.repeat(np.arange(len(features)), levels)
    symptom = found.tables.layout.place[np.asarray(features)][of_item] >= 0
    given, on_any = _chances(ledger, found.tables, items, symptom)
    chance = given @ found.probability + on_any * found.unseen
    known, unseen = _after(ledger, found, items, symptom, settings)
    entropy = entropy_bits(known, unseen)
    leading = known.argmax(axis=1)
    begins = np.cumsum(levels) - levels
    chance = chance / np.add.reduceat(chance, begins)[of_item]
    now = float(entropy_bits(found.probability, found.unseen))
    bits = now - np.add.reduceat(chance * entropy, begins)
    bits = np.where(bits > _ROUNDING, bits, 0.0)
    return _Answers(bits, begins, items, chance, leading, known[np.arange(len(known)), leading])


def _chances(
    ledger: Ledger, tables: Tables, items: Whole, symptom: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """P(outcome | fault) (L, K) and on any board (L,) of looking: of a rail its conditions, of a symptom both ways.

    Where absences are noted, a symptom is there as often as it was found among the cases that noted it. Where
    hardly anybody notes one, those that do not mention it count as cases without it.
    """
    given, on_any = np.exp(tables.logs[items]), np.exp(tables.root_logs[items])
    layout = tables.layout
    present = np.flatnonzero(symptom)[::2]
    if tables.settings.mentions:
        mention = layout.items + 4 * layout.place[layout.feature[items[present]]]
        quiet = np.maximum(0.0, 1.0 - 4.0 * on_any[present + 1])
        for table, mentioned in (
            (given, np.exp(tables.logs[mention])),
            (on_any, np.exp(tables.root_logs[mention])),
        ):
            heard = mentioned / (
                mentioned + (quiet if table.ndim == 1 else quiet[:, None]) * (1.0 - mentioned)
            )
            table[present] = table[present] * heard
            table[present + 1] = 1.0 - table[present]
    return given, on_any


def _after(
    ledger: Ledger, found: Posterior, items: Whole, symptom: NDArray[np.bool_], settings: Settings
) -> tuple[Floats, Floats]:
    """The ranking (L, K) and its unseen row (L,) after each of L outcomes: one more line, and silence without it.

    Sub-patterns are worked out again for the causes that have a say; for the rest they stay as they are.
    """
    tables = found.tables
    layout, weights = tables.layout, tables.weights.exponent
    silence = [line for line in found.lines if line.label == SILENCE]
    said = [line for line in found.lines if line.label != SILENCE]
    rows, use = layout.answers_of(items, ledger.lines)
    quiet = np.where(symptom, layout.items + 4 * layout.place[layout.feature[items]] + 2, 0)
    share = np.where(symptom, completeness(tables, found.noted + 1, found.complete), found.completeness)
    whole = silence_line(tables, said, 1.0)
    told = found.told - sum((line.logs for line in silence), np.zeros(1))
    on_any = found.log_any - sum(line.on_any for line in silence)
    tempered = use * weights[rows]
    hushed = share * symptom * weights[quiet]
    log_known = (
        np.einsum("lr,lrk->lk", tempered, tables.logs[rows]) - hushed[:, None] * tables.logs[quiet] + told
    )
    log_any = (tempered * tables.root_logs[rows]).sum(axis=1) - hushed * tables.root_logs[quiet] + on_any
    if whole is not None:
        log_known = log_known + share[:, None] * whole.logs
        log_any = log_any + share * whole.on_any
    patterns = tables.patterns
    if patterns is not None:
        live = np.flatnonzero(found.probability >= _SAYS_SOMETHING)
        place, hush = patterns.answers.of_row[rows], patterns.answers.of_row[quiet]
        part = use * (place >= 0)
        silent = share * symptom * (hush >= 0)
        base = patterns.mixing[live] + sum(
            (line.patterns[live] for line in said if line.patterns is not None), np.zeros(1)
        )
        logs = patterns.logs[:, live]
        total = np.einsum("lr,lrkz->lkz", part, logs[place]) - silent[:, None, None] * logs[hush] + base
        if whole is not None and whole.patterns is not None:
            total = total + share[:, None, None] * whole.patterns[live]
        log_known = log_known + of_patterns(patterns, found.lines)
        log_known[:, live] += patterns.weight * log_mix(total) - (found.log_known - found.told)[live]
        log_any = log_any + patterns.weight * (
            (part * tables.root_logs[rows]).sum(axis=1) - silent * tables.root_logs[quiet]
        )
    before = np.broadcast_to(found.prior / (1.0 - found.prior_unseen), log_known.shape)
    return settle(log_known, log_any, found.prior_unseen, before, unseen_evidence_of(ledger, settings))


def entropy_bits(known: Floats, unseen: ArrayLike) -> Floats:
    """Entropy (...) in bits of rankings (..., K) with their unseen rows (...), each summing to 1."""
    unseen = np.asarray(unseen, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        bits = -np.where(known > 0.0, known * np.log2(known), 0.0).sum(axis=-1)
        return bits - np.where(unseen > 0.0, unseen * np.log2(unseen), 0.0)


def _why(candidate: Candidate, bits: float) -> str:
    if candidate.dead_check and bits < 0.01:
        return "to be done before the board is energised"
    return "before the board is energised" if candidate.dead_check else f"expected to settle {bits:.2f} bits"
