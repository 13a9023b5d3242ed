"""The judged queries: that they are sound, and how well they are answered, against plain BM25."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from factories import a_case
from judging import JUDGED, Judge, demo_records, grade, plain_bm25, queries, this_search

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import ACTIONS, FAILURE_MODES, SECTIONS, VERDICTS, values
from kb.model import NotedSymptom

KNOWN = {
    "symptoms": {symptom.name for symptom in SYMPTOMS},
    "classes": {part.name for part in PART_CLASSES},
    "failures": set(FAILURE_MODES),
    "actions": set(ACTIONS),
    "sections": set(values(SECTIONS)),
    "verdicts": set(values(VERDICTS)),
}
# Measured 0.951 and 0.568 held out, 0.952 and 0.635 tuned on; a store made again may shift them a little.
HELD_OUT_NDCG, HELD_OUT_MRR, GAIN = 0.92, 0.97, 0.25


def all_wants() -> Iterator[dict[str, Any]]:
    for query in queries():
        for want in query.wants:
            while want:
                yield dict(want)
                want = want.get("near", {})


@pytest.fixture(scope="module")
def judge() -> Judge:
    return Judge()


def test_there_are_enough_queries_of_every_kind_and_a_third_is_held_out() -> None:
    found = queries()
    assert len(found) >= 80
    assert len({query.text for query in found}) == len(found)
    assert sum(query.held_out for query in found) == len(found) // 3
    for kind in ("symptom", "misspelt", "designator", "code", "value", "part and failure", "fix", "mixed"):
        assert {query.held_out for query in found if query.kind == kind} == {True, False}, kind


def test_every_want_names_things_that_exist() -> None:
    cases, families = demo_records()
    parts = {attempt.part for case in cases for attempt in case.attempts}
    known = {**KNOWN, "families": set(families), "parts": parts}
    for want in all_wants():
        assert want.keys() <= known.keys() | {"said", "written", "near", "needed"}, want
        for name in want.keys() & known.keys():
            assert set(want[name]) <= known[name], want
        for name in want.keys() & {"said", "written"}:
            re.compile(want[name])
    used = {name for entry in JUDGED["queries"] for name in entry["wants"] if isinstance(name, str)}
    assert used == JUDGED["meanings"].keys() & used


def test_every_query_has_a_case_worth_finding(judge: Judge) -> None:
    lacking = [text for text, grades in judge.grades.items() if max(grades.values()) == 0]
    assert lacking == []


def test_grades_follow_the_written_rule() -> None:
    case = a_case("one", family="HX-210", complaint="stays dark")
    tried = case.model_copy(
        update={"attempts": [case.attempts[0].model_copy(update={"result": "no change"})]}
    )
    clicks, c9 = {"symptoms": ["relay clicks repeatedly"]}, {"parts": ["C9"], "failures": ["high ESR"]}
    other = {"families": ["QK-118"]}
    assert grade(case, [clicks]) == 3
    assert grade(case, [clicks, c9]) == 3
    assert grade(tried, [clicks, c9]) == 2
    assert grade(case, [clicks, other]) == 1
    assert grade(case, [clicks, {**other, "needed": True}]) == 0
    assert grade(case, [{"said": "DARK"}]) == 3
    assert grade(case, [{"said": "bright", "near": clicks}]) == 1
    assert grade(case, [{"written": "dark"}]) == 0
    absent = case.model_copy(update={"symptoms": [NotedSymptom(name="no picture", present=False)]})
    assert grade(absent, [{"symptoms": ["no picture"]}]) == 0


def test_queries_kept_out_of_tuning_are_answered_well_and_far_better_than_by_plain_bm25(
    judge: Judge,
) -> None:
    ours = judge.each(this_search(judge.documents))
    plain = judge.each(plain_bm25(judge.documents))
    held_out, baseline = judge.figures(ours, held_out=True), judge.figures(plain, held_out=True)
    assert held_out.ndcg >= HELD_OUT_NDCG
    assert held_out.mrr >= HELD_OUT_MRR
    assert held_out.ndcg - baseline.ndcg >= GAIN
    # Tuning has not bent the search to the queries it was tuned on.
    assert held_out.ndcg >= judge.figures(ours, held_out=False).ndcg - 0.05
