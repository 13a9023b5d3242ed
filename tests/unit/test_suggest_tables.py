"""The tables kept between questions: renewed after a save, by section in a large store."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from dependent_world import DependentWorld
from known_world import RAILS, SYMPTOMS, cases_of
from suggest_builders import case, ledger_of

from kb.suggest import (
    Candidate,
    CaseFacts,
    Evidence,
    Ledger,
    RailFact,
    Ranking,
    Settings,
    choose_strength,
    next_measurements,
    rank,
)
from kb.suggest import tables as kept
from kb.suggest.posterior import posterior
from kb.suggest.questions import SILENT

WORLD = DependentWorld(21)


def boards(many: int, seed: int, name: str) -> list[CaseFacts]:
    return cases_of(WORLD, WORLD.sample(many, seed), name)  # type: ignore[arg-type]


def asked(one: CaseFacts) -> Evidence:
    return Evidence(one.family, one.kind, one.symptoms, one.rails)


@pytest.fixture(scope="module")
def fitted() -> tuple[list[CaseFacts], Settings]:
    cases = boards(400, 3, "case")
    settings = choose_strength(ledger_of(*cases)).settings
    assert settings.fitted is not None
    assert settings.fitted.patterns is not None
    return cases, settings


def chances(ledger: Ledger, evidence: Evidence, settings: Settings) -> dict[tuple[str, str], float]:
    return {(one.section, one.part_class): one.probability for one in rank(ledger, evidence, settings).causes}


def test_a_case_more_or_less_counts_at_the_next_question(fitted: tuple[list[CaseFacts], Settings]) -> None:
    cases, settings = fitted
    ledger, fresh = ledger_of(*cases), ledger_of(*cases, *boards(3, 9, "late"))
    evidence = asked(boards(1, 10, "asked")[0])
    before = chances(ledger, evidence, settings)
    for one in boards(3, 9, "late"):
        ledger.add(one)
    assert chances(ledger, evidence, settings) == pytest.approx(chances(fresh, evidence, settings), abs=1e-12)
    for one in boards(3, 9, "late"):
        ledger.withdraw(one.uid)
    assert chances(ledger, evidence, settings) == pytest.approx(before, abs=1e-12)


def test_what_was_chosen_fits_counts_made_in_another_order(fitted: tuple[list[CaseFacts], Settings]) -> None:
    cases, settings = fitted
    evidence = asked(boards(1, 10, "asked")[0])
    forward, backward = ledger_of(*cases), ledger_of(*reversed(cases))
    assert chances(forward, evidence, settings) == pytest.approx(
        chances(backward, evidence, settings), abs=1e-9
    )


def test_in_a_large_store_a_save_renews_its_section_and_leaves_the_root(
    fitted: tuple[list[CaseFacts], Settings], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, settings = fitted
    ledger = ledger_of(*boards(1_500, 4, "more"))
    monkeypatch.setattr(kept, "_SECTIONS_FROM", 1_000)
    monkeypatch.setattr(kept, "_ROOT_STALE", 0.005)
    evidence = [asked(one) for one in boards(20, 10, "asked")]
    chances(ledger, evidence[0], settings)
    tables = ledger.tables
    late = boards(5, 9, "late")
    for one in late:
        ledger.add(one)
    renewed = [chances(ledger, one, settings) for one in evidence]
    assert ledger.tables is tables
    fresh = ledger_of(*boards(1_500, 4, "more"), *late)
    for one, said in zip(evidence, renewed, strict=True):
        assert said == pytest.approx(chances(fresh, one, settings), abs=2e-3)
        assert sum(said.values()) <= 1.0 + 1e-9
    for one in boards(10, 11, "later"):
        ledger.add(one)
    chances(ledger, evidence[0], settings)
    assert ledger.tables is not tables


def test_a_new_fault_and_a_new_symptom_are_known_at_once(fitted: tuple[list[CaseFacts], Settings]) -> None:
    cases, settings = fitted
    ledger = ledger_of(*cases)
    chances(ledger, Evidence(), settings)
    ledger.add(case("new", ("protection", "thermistor"), symptoms=(("smells of tar", True),)))
    said = rank(ledger, Evidence("HX-210", symptoms=(("smells of tar", True),)), settings)
    assert said.ignored == ()
    assert said.causes[0].part_class == "thermistor"
    assert all(math.isfinite(line.weight) for one in said.causes for line in one.evidence)


@pytest.mark.parametrize("left_out", [frozenset[int](), frozenset({SILENT})])
def test_the_bits_agree_with_the_ranking_under_sub_patterns_too(
    fitted: tuple[list[CaseFacts], Settings], left_out: frozenset[int]
) -> None:
    cases, settings = fitted
    assert settings.fitted is not None
    patterns = settings.fitted.patterns
    assert patterns is not None
    # Silence may take no part in the sub-patterns.
    patterns = replace(patterns, kinds=patterns.kinds - left_out)
    settings = replace(settings, fitted=replace(settings.fitted, patterns=patterns))
    ledger = ledger_of(*cases)
    evidence = asked(boards(3, 10, "asked")[1])
    candidates = [Candidate(name, "symptom", name, False, 1.0) for name in SYMPTOMS]
    candidates += [Candidate(rail[0], "rail", rail[:3], False, 1.0) for rail in RAILS]

    def entropy(ranking: Ranking) -> float:
        shares = np.array([one.probability for one in ranking.causes] + [ranking.unseen_probability])
        return float(-(shares[shares > 0] * np.log2(shares[shares > 0])).sum())

    now = entropy(rank(ledger, evidence, settings))
    found = next_measurements(ledger, evidence, settings, candidates, limit=4)
    assert len(found) == 4
    for one in found:
        left = 0.0
        for outcome in one.outcomes:
            if isinstance(one.candidate.name, str):
                more = (*evidence.symptoms, (one.candidate.name, outcome.label == "present"))
                after = replace(evidence, symptoms=more)
            else:
                after = replace(
                    evidence, rails=(*evidence.rails, RailFact(*one.candidate.name, outcome.label))
                )
            left += outcome.probability * entropy(rank(ledger, after, settings))
        assert one.bits == pytest.approx(now - left, abs=1e-3)


def test_what_a_line_says_of_a_cause_under_sub_patterns_is_what_its_log_odds_would_lose_without_it(
    fitted: tuple[list[CaseFacts], Settings],
) -> None:
    """log P(line | cause) - log of its mean over all other causes and the unknown one, by their shares before."""
    cases, settings = fitted
    ledger, evidence = ledger_of(*cases), asked(boards(3, 10, "asked")[1])
    evidence = replace(evidence, complete=True)
    said = {
        (cause.section, cause.part_class, one.line): one.weight
        for cause in rank(ledger, evidence, settings).causes
        for one in cause.evidence
    }
    found, seen = posterior(ledger, evidence, settings), 0
    assert len(evidence.rails) > 2
    for rail in evidence.rails:
        (item,), _ = ledger.lines.find(Evidence(rails=(rail,)))
        rest = tuple(one for one in evidence.rails if one != rail)
        without = posterior(ledger, replace(evidence, rails=rest), settings)
        moved = np.exp(found.log_known - without.log_known)
        of_unknown = found.prior_unseen * math.exp(found.log_any - without.log_any)
        everything = float(found.prior @ moved) + of_unknown
        for fault, ratio, share in zip(found.faults, moved, found.prior, strict=True):
            weight = said.get((*ledger.faults.values[fault], ledger.lines.label(item)))
            if weight is not None:
                others = (everything - ratio * share) / (1.0 - share)
                assert weight == pytest.approx(math.log(ratio / others), abs=1e-9)
                seen += 1
    assert seen > 20
