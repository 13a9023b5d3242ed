"""What the evidence makes of the prior: the probability of every fault and of an unknown one.

    score(k) = log P(k) + sum_q w_q log P(a_q | k) + v log sum_z pi_kz prod_q P(a_q | k, z)
               + u sum_r log P(value_r | condition, k) + sum_tried log(1 - q_k)

over the questions q that the evidence answers and the readings r that have a value. What was not measured is no
answer. Silence about a symptom is one, times `completeness`: while a board is just coming in, what has not been said
yet says little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.attempts import cure_chances, doubt, failed_faults, fix_chances
from kb.suggest.back_off import prior
from kb.suggest.evidence_lines import steps_of, value_label
from kb.suggest.facts_of_case import (
    Evidence,
    Fault,
    PartFound,
    RailFact,
    Tried,
    refuse_contradictions,
)
from kb.suggest.general import WeighsTogether
from kb.suggest.ledger import Ledger
from kb.suggest.levels import LEAST
from kb.suggest.memo import kept
from kb.suggest.opinions import name_what_is_asked
from kb.suggest.patterns import PatternTables, log_mix
from kb.suggest.pooled_counts import counted, own_of
from kb.suggest.questions import Floats, Whole
from kb.suggest.reading_values import value_lines
from kb.suggest.rows import NO_VALUE
from kb.suggest.settings import Settings
from kb.suggest.tables import Tables, tables_of
from kb.suggest.unseen import outside_catalogue, singles, unseen_share

SILENCE = "what was not mentioned"
TRIED = "already tried, no change"
TOGETHER = "how all of it goes together"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of evidence: `logs` (K,) its tempered log likelihood and `on_any` on boards in general, without the
    sub-patterns; `patterns` (K, Z) its log likelihood in each of these, None where there are none; `rows` those
    of the count table that it answers."""

    label: str
    logs: Floats
    on_any: float
    patterns: Floats | None
    rows: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ValueRead:
    """What a rail read, as a share of its nominal voltage, beside the ledger's numbers of rail and condition."""

    feature: int
    item: int
    share: float
    label: str


@dataclass(frozen=True, slots=True)
class Posterior:
    """Shapes: K faults.

    `faults` (K,) ledger numbers; `prior` (K,) and `prior_unseen` sum to 1, so do `probability` (K,) and
    `unseen`; `log_known` (K,) and `log_any` are the log weights that `settle` turned into probabilities;
    `lines` what they were made of, `told` (K,) the part of `log_known` that no sub-pattern has a hand in; `cures`
    (K,) the chance that a fix cures when it is the right one; `noted` symptoms count for `completeness`.
    """

    faults: NDArray[Any]
    family: int
    kind: int
    items: Whole
    ignored: tuple[str, ...]
    prior: Floats
    prior_unseen: float
    lines: tuple[Line, ...]
    probability: Floats
    unseen: float
    told: Floats
    log_known: Floats
    log_any: float
    cures: Floats
    tables: Tables
    complete: bool
    noted: int

    @property
    def completeness(self) -> float:
        """How far silence counts, 0 to 1."""
        return completeness(self.tables, self.noted, self.complete)


def completeness(tables: Tables, noted: int, complete: bool) -> float:
    """Symptoms noted so far over what cases note on average, at most 1; 1 where nothing else is to come."""
    if complete:
        return 1.0
    usual = tables.mentions_per_case
    return min(1.0, noted / usual) if usual > 0.0 else float(noted > 0)


def posterior(ledger: Ledger, evidence: Evidence, settings: Settings) -> Posterior:
    """The probabilities for a board. Raises BadInput when the evidence contradicts itself."""
    if settings.warranty_days != ledger.warranty_days:
        raise ValueError(
            f"the ledger was counted with a warranty of {ledger.warranty_days} days, "
            f"the settings say {settings.warranty_days}: count it again"
        )
    refuse_contradictions(evidence)
    if settings.general is not None:
        counted(ledger, settings)
        name_what_is_asked(own_of(ledger), evidence)
    ledger = counted(ledger, settings)
    family, kind = place(ledger, evidence)
    known, ignored = ledger.lines.find(evidence)
    return posterior_of(
        ledger,
        family,
        kind,
        np.array(known, dtype=np.int64),
        settings,
        tuple(ignored),
        complete=evidence.complete,
        tried=evidence.tried,
        found=evidence.found,
        together=_together(evidence, settings),
        read=_read_of(ledger, evidence.rails),
    )


def posterior_of(
    ledger: Ledger,
    family: int,
    kind: int,
    items: Whole,
    settings: Settings,
    ignored: tuple[str, ...] = (),
    *,
    complete: bool = True,
    tried: tuple[Tried, ...] = (),
    found: tuple[PartFound, ...] = (),
    together: Mapping[Fault, float] | None = None,
    read: tuple[ValueRead, ...] = (),
) -> Posterior:
    """The same from ledger numbers; -1 for an unknown family or kind. `read` are the values beside the conditions,
    `together` by how much everything fits each fault better at once than each for itself."""
    tables = tables_of(ledger, settings)
    faults = tables.faults
    before, unseen_before = _before(ledger, faults, family, kind, settings)
    lines = [_line(ledger, tables, int(item)) for item in items.tolist()]
    noted = int((tables.layout.place[ledger.lines.feature_of.view[items]] >= 0).sum())
    silence = silence_line(tables, lines, completeness(tables, noted, complete))
    if silence is not None:
        lines.append(silence)
    cures = kept(ledger, settings, "cures", lambda: cure_chances(ledger, faults, settings))
    failed, unknown = failed_faults(ledger, family, faults, tried)
    told = _log(before)
    lines += [_line_of_part(ledger, faults, one) for one in found]
    if together is not None:
        lines.append(_line_of_all(ledger, faults, together, settings))
    lines += _lines_of_values(ledger, tables, family, read)
    for line in lines:
        told = told + line.logs
    log_known = told + of_patterns(tables.patterns, lines)
    for line in _lines_of_tries(ledger, faults, failed, log_known, settings):
        lines.append(line)
        told, log_known = told + line.logs, log_known + line.logs
    log_any = np.array(sum((line.on_any for line in lines), 0.0))
    probability, unseen = settle(
        log_known, log_any, unseen_before, before, unseen_evidence_of(ledger, settings)
    )
    return Posterior(
        faults,
        family,
        kind,
        items,
        (*ignored, *unknown),
        before * (1.0 - unseen_before),
        unseen_before,
        tuple(lines),
        probability,
        float(unseen),
        told,
        log_known,
        float(log_any),
        cures,
        tables,
        complete,
        noted,
    )


def _before(
    ledger: Ledger, faults: NDArray[Any], family: int, kind: int, settings: Settings
) -> tuple[Floats, float]:
    """The prior (K,) of the known faults, summing to 1, and that of an unknown one."""

    def make() -> tuple[Floats, float]:
        unseen = unseen_share(ledger, family, kind, settings) if len(faults) else 1.0
        if ledger.catalogue:
            unseen *= float(outside_catalogue(ledger, *singles(ledger)))
        return prior(ledger, faults, family, kind, settings), unseen

    return kept(ledger, settings, ("before", family, kind), make)


def unseen_evidence_of(ledger: Ledger, settings: Settings) -> float:
    """How far evidence moves the share of unknown faults; without a case nobody knows what boards in general show."""
    return settings.unseen_evidence if ledger.known else 0.0


def _line_of_part(ledger: Ledger, faults: NDArray[Any], found: PartFound) -> Line:
    ratios = dict(found.log_ratios)
    logs = np.array([ratios.get(ledger.faults.values[fault], 0.0) for fault in faults.tolist()])
    return Line(found.label, logs, 0.0, None)


def _lines_of_tries(
    ledger: Ledger,
    faults: NDArray[Any],
    failed: list[tuple[str, NDArray[np.bool_]]],
    log_known: Floats,
    settings: Settings,
) -> list[Line]:
    """What failed fixes say: log(1 - q) of those causes (K,), which were at most 1 - `doubt` sure together before.

    What is taken from them for that falls to the other causes as the evidence has it.
    """
    if not failed:
        return []
    fixes, doubted = fix_chances(ledger, faults, settings), doubt(ledger)
    lines = [
        Line(f"{label} {TRIED}", np.where(hit, np.log1p(-fixes), 0.0), 0.0, None) for label, hit in failed
    ]
    if np.isfinite(log_known).any():
        any_of_them = np.logical_or.reduce([hit for _, hit in failed])
        share = np.exp(log_known - log_known.max())
        theirs, others = share[any_of_them].sum(), share[~any_of_them].sum()
        if 0.0 < others < theirs and theirs * doubted > others * (1.0 - doubted):
            back = np.log(others * (1.0 - doubted)) - np.log(theirs * doubted)
            lines[0] = replace(lines[0], logs=lines[0].logs + np.where(any_of_them, back, 0.0))
    return lines


def _read_of(ledger: Ledger, rails: tuple[RailFact, ...]) -> tuple[ValueRead, ...]:
    """The first value of each rail, the last rail first; those in a condition that no case had say nothing."""
    first = {rail.key: rail for rail in reversed(rails) if steps_of(rail) != NO_VALUE}
    found = ((rail, ledger.lines.find_rail(rail)) for rail in first.values())
    return tuple(
        ValueRead(int(ledger.lines.feature_of.view[item]), item, rail.value, value_label(rail))
        for rail, item in found
        if item >= 0 and rail.value is not None
    )


def _lines_of_values(ledger: Ledger, tables: Tables, family: int, read: tuple[ValueRead, ...]) -> list[Line]:
    """What the value of each rail says beyond the condition that it left the rail in."""
    weight = tables.settings.value_exponent
    if weight <= 0.0 or not read:
        return []
    places = [(one.feature, one.item, one.share) for one in read]
    logs = weight * value_lines(tables.reading_values(ledger), family, places)
    lines = (Line(one.label, line, 0.0, None) for one, line in zip(read, logs, strict=True) if line.any())
    return list(lines)[::-1]


def _together(evidence: Evidence, settings: Settings) -> Mapping[Fault, float] | None:
    """How well everything fits each fault at once in general; None where that is not known, or not two things are."""
    general = settings.general
    if not isinstance(general, WeighsTogether) or len(evidence.symptoms) + len(evidence.rails) < 2:
        return None
    return general.together(evidence.symptoms, evidence.rails)


def _line_of_all(
    ledger: Ledger, faults: NDArray[Any], gains: Mapping[Fault, float], settings: Settings
) -> Line:
    """What general knowledge says of everything at once; the less the more cases the section of a fault has."""
    lent = kept(ledger, settings, "lent", lambda: _lent(ledger, faults, settings.k_general_rail))
    names = ledger.faults.values
    logs = np.array([gains.get(names[fault], 0.0) for fault in faults.tolist()])
    return Line(TOGETHER, settings.effective_strength * lent * logs, 0.0, None)


def _lent(ledger: Ledger, faults: NDArray[Any], k: float) -> Floats:
    """How far general knowledge is heard (K,) beside the cases that each fault's section has: k / (cases + k)."""
    sections = ledger.section_of.view
    held = np.bincount(sections, ledger.cases_of_fault.view, len(ledger.sections))[sections[faults]]
    return np.where(held > 0.0, k / np.maximum(held + k, LEAST), 1.0)


def _log(values: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.log(values)


def _line(ledger: Ledger, tables: Tables, item: int) -> Line:
    rows = tables.layout.answers(item, ledger.lines)
    return line_of_rows(tables, rows, ledger.lines.label(item))


def line_of_rows(tables: Tables, rows: list[int], label: str) -> Line:
    """What some rows of the count table say together."""
    weights = tables.weights.exponent[rows]
    on_any = float(weights @ tables.root_logs[rows])
    patterns = None
    if tables.patterns is not None:
        patterns = tables.patterns.of_rows(rows)
        part = [row for row in rows if tables.patterns.answers.of_row[row] >= 0]
        on_any += tables.patterns.weight * float(tables.root_logs[part].sum())
    return Line(label, weights @ tables.logs[rows], on_any, patterns, tuple(rows))


def silence_line(tables: Tables, lines: list[Line], share: float) -> Line | None:
    """What the symptoms say of which nothing was said, for that share of their weight; None for nothing."""
    if share <= 0.0 or not len(tables.layout.symptoms):
        return None
    first = tables.layout.items
    spoken = {(row - first) // 4 for line in lines for row in line.rows if row >= first}
    rows = tables.layout.silent[sorted(spoken)].tolist()
    weights = tables.weights.exponent[rows]
    logs = share * (tables.silent - weights @ tables.logs[rows])
    on_any = share * (tables.silent_root - float(weights @ tables.root_logs[rows]))
    patterns = None
    if tables.patterns is not None:
        patterns = share * (tables.patterns.silent - tables.patterns.of_rows(rows))
        part = np.setdiff1d(tables.layout.silent, rows)
        part = part[tables.patterns.answers.of_row[part] >= 0]
        on_any += share * tables.patterns.weight * float(tables.root_logs[part].sum())
    if not weights.any() and not logs.any() and patterns is None:
        return None
    return Line(SILENCE, logs, on_any, patterns)


def of_patterns(patterns: PatternTables | None, lines: list[Line] | tuple[Line, ...]) -> Floats | float:
    """v log of the sum over the sub-patterns, (K,); 0 where there are none."""
    if patterns is None:
        return 0.0
    total = patterns.mixing
    for line in lines:
        if line.patterns is not None:
            total = total + line.patterns
    return patterns.weight * log_mix(total)


def place(ledger: Ledger, evidence: Evidence) -> tuple[int, int]:
    """Ledger numbers of the family and kind, -1 where unknown; a known family brings its usual kind."""
    family = ledger.families.find(evidence.family) if evidence.family else -1
    kind = ledger.kinds.find(evidence.kind) if evidence.kind else -1
    if kind < 0 and family >= 0:
        kind = ledger.usual_kind(family)
    return family, kind


def settle(
    log_known: Floats, log_any: Floats, unseen_before: ArrayLike, before: Floats, unseen_evidence: float
) -> tuple[Floats, Floats]:
    """Probabilities (..., K) of the known faults and (...) of an unknown one; together 1 in each row.

    log_known          (..., K) log of prior times tempered likelihood, the prior summing to 1
    log_any            (...) tempered log likelihood of the evidence on boards in general
    unseen_before      (...) prior probability of an unknown fault
    before             (..., K) prior, returned where every likelihood is zero; where it is all zero
                       itself, everything is left to the unknown fault
    unseen_evidence    the share with which `log_any` decides about the unknown fault; the rest is the
                       average over the known faults, which leaves its probability as it was
    """
    unseen_before = np.asarray(unseen_before, dtype=np.float64)
    if not log_known.shape[-1]:
        return np.zeros(log_known.shape), np.ones(log_known.shape[:-1])
    top = log_known.max(axis=-1)
    possible = np.isfinite(top)
    if not possible.all():
        with np.errstate(divide="ignore"):
            log_known = np.where(possible[..., None], log_known, np.log(before))
        log_any = np.where(possible, log_any, 0.0)
        top = log_known.max(axis=-1)
        nothing_known = ~np.isfinite(top)
        top = np.where(nothing_known, 0.0, top)
        unseen_before = np.where(nothing_known, 1.0, unseen_before)
    scaled = np.exp(log_known - top[..., None])
    total = np.maximum(scaled.sum(axis=-1), 1e-300)
    ratio = np.exp(np.clip(unseen_evidence * (log_any - top - np.log(total)), -700.0, 700.0))
    odds = unseen_before * np.where(possible, ratio, 1.0)
    whole = odds + (1.0 - unseen_before)
    return scaled * ((1.0 - unseen_before) / (whole * total))[..., None], odds / whole
