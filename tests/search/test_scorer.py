"""The array scorer against Whoosh's own postings and against a reading of every case."""

from __future__ import annotations

import math
import random
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from search_cases import generated_cases
from whoosh import query, scoring

from kb.search import Analysis, SearchIndex
from kb.search.bm25 import K1, B
from kb.search.engine import score_groups
from kb.search.folder import IndexFolder
from kb.search.prepare import LENGTH, Preparer
from kb.search.query import Group
from kb.search.schema import ALL, BODY

CASES = list(generated_cases(500))
ANALYSIS = Analysis()


def formula(holding: int, documents: int, weight: float, length: float, mean: float) -> float:
    idf = math.log(1 + (documents - holding + 0.5) / (holding + 0.5))
    return idf * weight * (K1 + 1) / (weight + K1 * (1 - B + B * length / mean))


def some_queries(terms: list[str], count: int) -> list[list[str]]:
    rng = random.Random(5)
    return [rng.sample(terms, rng.randint(1, 5)) for _ in range(count)]


def group(term: str) -> Group:
    return Group(term, term, "word", ((term, 1.0),), 0, 1)


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> SearchIndex:
    folder: Path = tmp_path_factory.mktemp("index")
    made = SearchIndex.open(folder)
    made.rebuild(CASES[:400], (1, "a"))
    made.apply(CASES[400:], (), (2, "a"))
    made.close()
    return SearchIndex.open(folder)


def test_scores_equal_whoosh_reading_every_posting_itself(index: SearchIndex) -> None:
    state = index._state
    reader, _ = index._folder.reader()
    from whoosh.searching import Searcher

    def bm25(searcher, field, text, matcher):  # type: ignore[no-untyped-def]
        lengths = searcher.postings(field, LENGTH.encode())
        lengths.skip_to(matcher.id())
        length = lengths.weight()
        holding = searcher.get_parent().doc_frequency(field, text)
        return formula(holding, state.count, matcher.weight(), length, state.mean_length)

    terms = sorted({term for segment in state.segments for term in segment.terms})
    with Searcher(reader, weighting=scoring.FunctionWeighting(bm25)) as searcher:
        for wanted in some_queries(terms, 60):
            tree = query.Or([query.Term(ALL, term.encode()) for term in wanted])
            hits = searcher.search(tree, limit=None)
            theirs = {hit[BODY][0]: hits.score(at) for at, hit in enumerate(hits)}
            scores, _, _ = score_groups(state, [group(term) for term in wanted])
            ours = {state.document(int(slot)).uid: float(scores[slot]) for slot in np.flatnonzero(scores)}
            assert ours == pytest.approx(theirs, rel=1e-4), wanted


def test_scores_equal_a_reading_of_every_case(index: SearchIndex) -> None:
    preparer = Preparer(ANALYSIS)
    prepared = [preparer.prepare(case) for case in CASES]
    weights = [{key.decode(): weight for key, weight, _ in case.postings} for case in prepared]
    lengths = [case.length for case in prepared]
    mean = sum(lengths) / len(lengths)
    holding = Counter(term for each in weights for term in each)
    state = index._state
    assert state.mean_length == pytest.approx(mean)
    for wanted in some_queries(sorted(holding), 60):
        expected = {}
        for case, each, length in zip(CASES, weights, lengths, strict=True):
            score = sum(
                formula(holding[term], len(CASES), each[term], length, mean)
                for term in wanted
                if term in each
            )
            if score:
                expected[case.uid] = score
        scores, _, _ = score_groups(state, [group(term) for term in wanted])
        ours = {state.document(int(slot)).uid: float(scores[slot]) for slot in np.flatnonzero(scores)}
        assert ours == pytest.approx(expected, rel=1e-4), wanted


def test_the_page_is_the_best_of_all_matches(index: SearchIndex) -> None:
    for words in ("fuse relay", "C9", "ripple high mosfet", "no picture"):
        everything = [hit.score for hit in index.search(words, limit=200).hits]
        assert everything == sorted(everything, reverse=True)
        first = index.search(words, limit=5).hits
        assert [hit.score for hit in first] == everything[:5]


def test_answered_share_counts_each_thing_asked_for_once(index: SearchIndex) -> None:
    state = index._state
    twice = Group("x", "x", "word", (("fuse", 1.0), ("part:fuse", 0.5)), 0, 1)
    _, answered, asked = score_groups(state, [twice])
    assert asked > 0
    assert set(np.round(np.unique(answered) / asked, 5)) == {0.0, 1.0}


def test_an_empty_index_scores_nothing() -> None:
    folder = IndexFolder(None)
    assert folder.create(ANALYSIS).doc_count_all() == 1
    empty = SearchIndex.open(None)
    assert empty.search("fuse").total == 0
    assert empty.search("").facets["family"] == ()
