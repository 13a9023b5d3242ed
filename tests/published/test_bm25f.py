"""The whole scorer against BM25F as published, written out by hand, and against plain BM25 for one field.

S. Robertson, H. Zaragoza and M. Taylor, "Simple BM25 extension to multiple weighted fields", CIKM 2004. The
paper prints no worked numbers, so the formula is computed here once more from the texts themselves: counts and
lengths as plain sums over repeated fields, without any code of the search.
"""

from __future__ import annotations

import json
import math
import random
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from kb.search import CaseDocument, SearchIndex
from kb.search.bm25 import K1, B, idf
from kb.search.case_terms import ZONE_WEIGHTS
from kb.search.engine import score_groups
from kb.search.query import Group

EXAMPLE = json.loads((Path(__file__).parent / "data" / "bm25_six_documents.json").read_text("utf-8"))
# Made-up words that are neither stop words nor names, and that no stemmer shortens.
WORDS = [
    first + last for first in ("zor", "quim", "blat", "fron", "wug") for last in ("bok", "dap", "lim", "tud")
]
ZONES = ("complaint", "symptoms", "notes", "fixes", "part_classes", "parts", "kind", "family")
LISTS = ("symptoms", "fixes", "part_classes", "parts")


def robertson_idf(documents: int, holding: int) -> float:
    """The original idf, as other libraries use it; negative for a term that most documents hold."""
    return math.log((documents - holding + 0.5) / (holding + 0.5))


def texts_of(seed: int, count: int) -> list[dict[str, list[str]]]:
    """Words by zone of `count` cases; some zones are empty, some words come often."""
    rng = random.Random(seed)
    return [
        {
            zone: rng.choices(WORDS, [1 / (at + 1) for at in range(len(WORDS))], k=rng.choice((0, 1, 3, 9)))
            for zone in ZONES
        }
        for _ in range(count)
    ]


def document_of(uid: str, texts: dict[str, list[str]]) -> CaseDocument:
    fields = {zone: tuple(words) if zone in LISTS else " ".join(words) for zone, words in texts.items()}
    return CaseDocument(uid=uid, **fields)  # type: ignore[arg-type]


def bm25f(texts: list[dict[str, list[str]]], query: list[str]) -> list[float]:
    """The published formula, read off the paper: fields repeated by weight, then one BM25."""
    counts: list[Counter[str]] = []
    lengths = []
    for each in texts:
        weighted: Counter[str] = Counter()
        for zone, words in each.items():
            for word in words:
                weighted[word] += ZONE_WEIGHTS[zone]  # type: ignore[assignment]
        counts.append(weighted)
        lengths.append(sum(ZONE_WEIGHTS[zone] * len(words) for zone, words in each.items()))
    mean = sum(lengths) / len(lengths)
    scores = []
    for weighted, length in zip(counts, lengths, strict=True):
        score = 0.0
        for word in query:
            holding = sum(1 for other in counts if other[word] > 0)
            rarity = math.log(1 + (len(texts) - holding + 0.5) / (holding + 0.5))
            bound = K1 * ((1 - B) + B * length / mean)
            score += rarity * weighted[word] * (K1 + 1) / (bound + weighted[word])
        scores.append(score)
    return scores


def scored(index: SearchIndex, query: list[str]) -> dict[str, float]:
    state = index._state
    groups = [Group(word, word, "word", ((word, 1.0),), 0, 1) for word in query]
    scores, _, _ = score_groups(state, groups)
    alive = np.flatnonzero(state.alive())
    return {state.document(int(slot)).uid: float(scores[slot]) for slot in alive}


@pytest.mark.parametrize("how", ["built whole", "saved in parts", "opened again"])
def test_every_score_is_that_of_the_published_formula_over_weighted_fields(tmp_path: Path, how: str) -> None:
    texts = texts_of(4, 70)
    documents = [document_of(f"c{at}", each) for at, each in enumerate(texts)]
    index = SearchIndex.open(tmp_path)
    if how == "built whole":
        index.rebuild(documents, (1, "a"))
    else:
        index.rebuild([*documents[:30], document_of("gone", {"family": [], "notes": WORDS})], (1, "a"))
        index.apply(documents[30:55], ["gone"], (2, "a"))
        index.apply(documents[55:], (), (3, "a"))
    if how == "opened again":
        index = SearchIndex.open(tmp_path)
        assert index.was_rebuilt_because is None
    rng = random.Random(9)
    for _ in range(25):
        query = rng.sample(WORDS, rng.randint(1, 5))
        ours = scored(index, query)
        expected = {f"c{at}": score for at, score in enumerate(bm25f(texts, query))}
        assert ours == pytest.approx(expected, rel=2e-5, abs=1e-6), query


def test_one_field_of_weight_one_scores_as_plain_bm25_on_which_three_libraries_agree() -> None:
    # The complaint weighs 1. The libraries' numbers without the constant factor, and with their idf.
    assert ZONE_WEIGHTS["complaint"] == 1.0
    assert (EXAMPLE["k1"], EXAMPLE["b"]) == (K1, B)
    documents = [
        CaseDocument(uid=str(at), family="", complaint=text) for at, text in enumerate(EXAMPLE["documents"])
    ]
    index = SearchIndex.open(None)
    index.rebuild(documents, (1, "a"))
    capacitor, ripple = scored(index, ["capacitor"]), scored(index, ["rippl"])
    lucene = [(capacitor[str(at)] + ripple[str(at)]) / (K1 + 1) for at in range(len(documents))]
    assert lucene == pytest.approx(EXAMPLE["lucene_without_factor"], abs=EXAMPLE["tolerance"])
    original = [
        capacitor[str(at)] * robertson_idf(6, 2) / idf(6, 2)
        + ripple[str(at)] * robertson_idf(6, 1) / idf(6, 1)
        for at in range(len(documents))
    ]
    assert original == pytest.approx(EXAMPLE["robertson"], abs=EXAMPLE["tolerance"])
