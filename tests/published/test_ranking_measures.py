"""nDCG and reciprocal rank against published worked values."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ranking_measures import dcg, ndcg, reciprocal_rank

PUBLISHED = json.loads((Path(__file__).parent / "data" / "ranking_measures.json").read_text("utf-8"))
EXAMPLE, TOY = PUBLISHED["example"], PUBLISHED["toy_run"]


def near(value: float) -> object:
    return pytest.approx(value, abs=PUBLISHED["tolerance"])


def test_the_worked_example_has_its_published_gain_and_ideal() -> None:
    grades = EXAMPLE["grades"]
    assert dcg(grades) == near(EXAMPLE["dcg"])
    assert dcg(sorted(grades, reverse=True)) == near(EXAMPLE["ideal_dcg"])
    assert ndcg(grades, grades) == near(EXAMPLE["ndcg"])


def test_judged_documents_that_were_not_retrieved_lower_the_measure() -> None:
    judged = EXAMPLE["grades"] + EXAMPLE["also_judged"]
    assert ndcg(EXAMPLE["grades"], judged, 6) == near(EXAMPLE["ndcg_at_6_of_all_judged"])


def test_a_ranking_with_two_good_answers_has_its_published_measures() -> None:
    grades = [1.0 if place in TOY["relevant_at"] else 0.0 for place in range(1, 6)]
    assert ndcg(grades, grades, 10) == near(TOY["ndcg_at_10"])
    assert reciprocal_rank(grades) == near(TOY["reciprocal_rank"])


def test_a_ranking_without_a_good_answer_is_worth_nothing() -> None:
    assert ndcg([0, 0], [0, 0]) == reciprocal_rank([0, 0]) == 0.0
