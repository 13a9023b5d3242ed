"""Worded queries of strangers in six languages, pasted as they came, over the demo store."""

from __future__ import annotations

import pytest
import worded
from judging import Judge

from kb.facts import word_lists
from kb.reading import Known
from kb.reading.denied_parts import denied_parts
from kb.search import Analysis, CaseDocument, SearchIndex
from kb.service.find.query_meaning import meaning

# Measured: 0.96 held out, 0.96 tuned on, 0.93 of those developed with, 0.87 unseen. Held out by language: en 0.93,
# de 0.98, fr 0.95, nl 0.98, es 1.00, it 0.96, of two to seven queries each, so that one query moves them by much.
CHAIN = Analysis()
HELD_OUT, TUNED_ON, DEVELOPED_WITH, STRANGERS = 0.94, 0.94, 0.91, 0.85
BY_LANGUAGE = {"en": 0.90, "de": 0.96, "fr": 0.92, "nl": 0.95, "es": 0.97, "it": 0.93}


@pytest.fixture(scope="module")
def figures() -> dict[str, float]:
    cases, found = worded.documents()
    return worded.each(cases, worded.as_read(found))


@pytest.fixture(scope="module")
def index() -> SearchIndex:
    made = SearchIndex.open(None)
    made.rebuild(worded.documents()[1], (1, "worded"))
    return made


def test_queries_kept_out_of_tuning_are_answered_as_well_as_those_tuned_on(figures: dict[str, float]) -> None:
    held_out, tuned_on = worded.mean(figures, held_out=True), worded.mean(figures, held_out=False)
    assert held_out >= HELD_OUT
    assert tuned_on >= TUNED_ON
    assert held_out >= tuned_on - 0.05


def test_queries_of_strangers_that_took_no_part_are_answered() -> None:
    cases, found = worded.documents()
    search = worded.as_read(found)
    for file, held_out, floor in ((worded.EVENTS, False, DEVELOPED_WITH), (worded.UNSEEN, True, STRANGERS)):
        assert worded.mean(worded.each(cases, search, file), held_out=held_out, file=file) >= floor, file.name


@pytest.mark.parametrize("language", worded.LANGUAGES)
def test_every_language_is_answered(figures: dict[str, float], language: str) -> None:
    assert worded.mean(figures, held_out=True, language=language) >= BY_LANGUAGE[language]


def test_a_third_is_held_out_and_every_query_has_an_answer() -> None:
    queries = worded.queries()
    assert [query.held_out for query in queries] == [number % 3 == 2 for number in range(len(queries))]
    cases, _ = worded.documents()
    assert all(any(worded.worth(case, query) for case in cases) for query in queries)


def test_short_trade_queries_are_answered_no_worse_when_they_are_read_first() -> None:
    judge = Judge()
    found = judge.each(worded.as_read(judge.documents))
    assert judge.figures(found, held_out=True).ndcg >= 0.95
    assert judge.figures(found, held_out=False).ndcg >= 0.95


def test_the_same_words_in_two_languages_find_the_same_cases_first(index: SearchIndex) -> None:
    def first(text: str) -> set[str]:
        return {hit.uid for hit in index.search(text, limit=10, meant=meaning(text, Known(), CHAIN)).hits}

    assert len(first("relais klickt, kein Bild") & first("relay clicks, no picture")) >= 8
    for text in ("Kaffeemaschine", "koffiezetter", "cafetera", "cafetière", "macchina del caffè"):
        assert len(first(text) & first("coffee machine")) >= 8, text


def test_what_it_is_not_is_lowered() -> None:
    fixed = {
        "family": "RC-1",
        "complaint": "charger does not charge",
        "symptoms": ("does not charge",),
        "cured": True,
    }
    made = SearchIndex.open(None)
    made.rebuild(
        [
            CaseDocument("cell", part_classes=("battery",), day=2, **fixed),
            CaseDocument("fuse", part_classes=("fuse",), day=1, **fixed),
        ],
        (1, "two"),
    )

    def order(text: str) -> list[str]:
        return [hit.uid for hit in made.search(text, meant=meaning(text, Known(), CHAIN)).hits]

    assert order("charger does not charge, battery") == ["cell", "fuse"]
    assert order("charger does not charge, it's not the battery") == ["fuse", "cell"]
    assert order("Ladegerät lädt nicht, an der Batterie liegt es nicht") == ["fuse", "cell"]


@pytest.mark.parametrize(
    ("text", "classes"),
    [
        ("it's not the battery", ["battery"]),
        ("an der Batterie liegt es nicht", ["battery"]),
        ("ce n'est pas la batterie", ["battery"]),
        ("no es la bateria", ["battery"]),
        ("non è la batteria", ["battery"]),
        ("no battery detected", []),
        ("the battery does not charge", []),
        ("lädt die Batterie nicht", []),
        ("accu is nieuw dus die is het niet", ["battery"]),
        ("the fuse is not blown but the relay is dead", []),
        ("dead, not the fuse, relay clicks", ["fuse"]),
    ],
)
def test_a_part_that_is_not_to_blame_is_told_from_one_that_is_missing(text: str, classes: list[str]) -> None:
    assert [one.value for one in denied_parts(text)] == classes


def test_a_designator_stands_for_the_class_of_its_letters_unless_the_text_says_the_class() -> None:
    assert [name for name, _, _ in meaning("T2 hums", Known(), CHAIN).of_letters] == ["transformer"]
    assert meaning("HX-210 no picture", Known(), CHAIN).of_letters == ()


def test_disc_and_disk_are_one_word() -> None:
    analysis = Analysis()
    assert {token.term for text in ("disc", "discs", "disk") for token in analysis.tokens(text)} == {"disk"}


def test_chatter_of_a_long_complaint_weighs_little(index: SearchIndex) -> None:
    plain = "coffee machine on deck 5, water stays cold and it shows an error"
    chatty = plain + ", please call before sunday, many thanks to you all, the crew really needs it this week"
    best = [
        [hit.uid for hit in index.search(text, limit=5, meant=meaning(text, Known(), CHAIN)).hits]
        for text in (plain, chatty)
    ]
    assert len(set(best[0]) & set(best[1])) >= 4


def test_no_word_names_two_devices() -> None:
    seen: dict[str, str] = {}
    twice = [
        (word, name, seen[word])
        for name, words in word_lists.devices().items()
        for word in words
        if seen.setdefault(word, name) != name
    ]
    assert twice == []
    assert word_lists.told_by_device() < word_lists.devices().keys()
