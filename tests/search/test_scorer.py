"""The array scorer against Whoosh's own searching, as an independent reference, and against every case."""

from __future__ import annotations

import json
import math
import random
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from search_cases import generated_cases
from whoosh import fields, formats, query, scoring
from whoosh.analysis import Analyzer, Token
from whoosh.filedb.filestore import RamStorage
from whoosh.index import Index
from whoosh.matching import Matcher
from whoosh.searching import Searcher

from kb.search import Analysis, SearchIndex
from kb.search.bm25 import K1, B
from kb.search.case_terms import TermReader
from kb.search.engine import State, holding_phrase, score_groups
from kb.search.query import Group

LENGTH = "(length)"  # a term that each case has in the reference, with its length as its weight
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


def ours(state: State, wanted: list[str]) -> dict[str, float]:
    scores, _, _ = score_groups(state, [group(term) for term in wanted])
    return {state.document(int(slot)).uid: float(scores[slot]) for slot in np.flatnonzero(scores)}


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> SearchIndex:
    folder: Path = tmp_path_factory.mktemp("index")
    made = SearchIndex.open(folder)
    made.rebuild(CASES[:400], (1, "a"))
    made.apply(CASES[400:], (), (2, "a"))
    made.close()
    return SearchIndex.open(folder)


class Ready(Analyzer):
    """Hands Whoosh the terms of a case with their weights, or its words in order, from a JSON text."""

    def __call__(self, value: str, **_: Any) -> Iterator[Token]:
        for place, (term, weight) in enumerate(json.loads(value)):
            yield Token(text=term, boost=weight, pos=place)


@pytest.fixture(scope="module")
def reference() -> Index:
    """The same cases in an index of Whoosh, made and searched through its public interface."""
    schema = fields.Schema(
        uid=fields.STORED(),
        terms=fields.FieldType(formats.Frequency(), Ready(), scorable=True),
        words=fields.FieldType(formats.Positions(), Ready(), scorable=True),
    )
    made = RamStorage().create_index(schema)
    writer = made.writer()
    reader = TermReader(ANALYSIS)
    for case in CASES:
        read = reader.read(case)
        terms = [*read.weights.items(), (LENGTH, read.length)]
        words: list[tuple[str, float]] = [("", 1.0)] * (read.occurrences[-1][1] + 1)
        for term, place in read.occurrences:
            words[place] = term, 1.0
        writer.add_document(uid=case.uid, terms=json.dumps(terms), words=json.dumps(words))
    writer.commit()
    return made


def found_by(searcher: Searcher, tree: query.Query) -> set[str]:
    return {hit["uid"] for hit in searcher.search(tree, limit=None)}


def test_scores_equal_those_of_whoosh_for_the_same_formula(index: SearchIndex, reference: Index) -> None:
    state = index._state

    def bm25(searcher: Searcher, field: str, text: bytes, matcher: Matcher) -> float:
        lengths = searcher.postings(field, LENGTH)
        lengths.skip_to(matcher.id())
        holding = searcher.doc_frequency(field, text)
        return formula(holding, len(CASES), matcher.weight(), lengths.weight(), state.mean_length)

    terms = sorted({term for part in state.parts for term in part.segment.terms["text"]})
    with reference.searcher(weighting=scoring.FunctionWeighting(bm25)) as searcher:
        for wanted in some_queries(terms, 60):
            tree = query.Or([query.Term("terms", term) for term in wanted])
            hits = searcher.search(tree, limit=None)
            theirs = {hit["uid"]: hits.score(at) for at, hit in enumerate(hits)}
            assert ours(state, wanted) == pytest.approx(theirs, rel=1e-4), wanted


def test_phrases_and_exclusions_equal_those_of_whoosh(index: SearchIndex, reference: Index) -> None:
    rng = random.Random(3)
    words = [term for case in CASES[:80] for term, _ in TermReader(ANALYSIS).read(case).occurrences]
    everything = {case.uid for case in CASES}
    found_some = 0
    with reference.searcher() as searcher:
        for _ in range(200):
            at = rng.randrange(len(words) - 3)
            phrase = words[at : at + rng.randint(2, 3)]
            if rng.random() < 0.2:
                phrase.reverse()
            expected = found_by(searcher, query.Phrase("words", phrase))
            slots = np.flatnonzero(holding_phrase(index._state, phrase))
            found = {document.uid for document in index._state.documents(slots.tolist())}
            assert found == expected, phrase
            assert everything - found == found_by(searcher, query.Not(query.Phrase("words", phrase))), phrase
            found_some += bool(expected)
    assert found_some > 50


def test_scores_equal_a_reading_of_every_case(index: SearchIndex) -> None:
    reader = TermReader(ANALYSIS)
    read = [reader.read(case) for case in CASES]
    mean = sum(case.length for case in read) / len(read)
    holding = Counter(term for case in read for term in case.weights)
    state = index._state
    assert state.mean_length == pytest.approx(mean)
    for wanted in some_queries(sorted(holding), 60):
        expected = {}
        for case in read:
            score = sum(
                formula(holding[term], len(CASES), case.weights[term], case.length, mean)
                for term in wanted
                if term in case.weights
            )
            if score:
                expected[case.document.uid] = score
        assert ours(state, wanted) == pytest.approx(expected, rel=1e-4), wanted


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
    empty = SearchIndex.open(None)
    assert empty.search("fuse").total == 0
    assert empty.search("").facets["family"] == ()
