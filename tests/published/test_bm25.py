"""BM25 against a worked example on which three published libraries agree."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from kb.search.bm25 import idf, length_norms, saturated

EXAMPLE = json.loads((Path(__file__).parent / "data" / "bm25_six_documents.json").read_text("utf-8"))
DOCUMENTS = [text.split() for text in EXAMPLE["documents"]]


def robertson_idf(documents: int, holding: int) -> float:
    """The original idf, as other libraries use it; negative for a term that most documents hold."""
    return math.log((documents - holding + 0.5) / (holding + 0.5))


def scores(weigh) -> list[float]:  # type: ignore[no-untyped-def]
    lengths = np.array([len(words) for words in DOCUMENTS], np.float32)
    norms = length_norms(lengths, float(lengths.mean()), k1=EXAMPLE["k1"], b=EXAMPLE["b"])
    total = np.zeros(len(DOCUMENTS))
    for term in EXAMPLE["query"]:
        counts = np.array([words.count(term) for words in DOCUMENTS], np.float32)
        holding = int(np.count_nonzero(counts))
        total += weigh(len(DOCUMENTS), holding) * saturated(counts, norms, k1=EXAMPLE["k1"])
    return total.tolist()


def test_scores_with_the_original_idf_are_those_of_okapi_and_fts5() -> None:
    # The arrays hold 32-bit numbers, good for six digits.
    assert scores(robertson_idf) == pytest.approx(EXAMPLE["robertson"], abs=EXAMPLE["tolerance"])


def test_scores_with_the_positive_idf_are_those_of_lucene_times_the_constant_factor() -> None:
    without_factor = [score / (EXAMPLE["k1"] + 1) for score in scores(idf)]
    assert without_factor == pytest.approx(EXAMPLE["lucene_without_factor"], abs=EXAMPLE["tolerance"])


def test_a_term_in_most_documents_keeps_a_positive_idf() -> None:
    holding = sum(EXAMPLE["common_term"] in words for words in DOCUMENTS)
    value = idf(len(DOCUMENTS), holding)
    assert value == pytest.approx(EXAMPLE["common_term_lucene_idf"], abs=EXAMPLE["common_term_tolerance"])
    assert robertson_idf(len(DOCUMENTS), holding) < 0
