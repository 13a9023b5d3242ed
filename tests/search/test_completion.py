"""Completion against a reading of every phrase, letter by letter."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from kb.search.completion import Completer

KINDS = ("symptom", "family", "alias", "part", "part_class", "section", "complaint")
WORD = st.text("abÄ19", min_size=1, max_size=3)
PHRASE = st.lists(WORD, min_size=1, max_size=8).flatmap(
    lambda words: st.sampled_from([" ".join(words), "-".join(words), "  ".join(words)])
)


def plain(text: str) -> str:
    return " ".join(text.lower().replace("ä", "a").replace("-", " ").split())


def begins(kind: str, phrase: str, wanted: str) -> bool:
    """Whether `wanted` begins the phrase, its code written in one, or what follows one of its first words."""
    words = plain(phrase).split(" ")
    first_words = 6 if kind in ("symptom", "part_class", "section", "alias") else 1
    starts = [" ".join(words[at:]) for at in range(min(first_words, len(words)))]
    if kind in ("family", "alias", "part"):
        starts.append("".join(words))
    return any(start.startswith(wanted) for start in starts)


@given(st.dictionaries(st.sampled_from(KINDS), st.lists(PHRASE, max_size=6), max_size=7), WORD)
def test_all_phrases_are_offered_that_a_word_begins_and_no_others(
    listed: dict[str, list[str]], prefix: str
) -> None:
    expected = {
        (KINDS.index(kind), phrase)
        for kind, phrases in listed.items()
        for phrase in phrases
        if begins(kind, phrase, plain(prefix))
    }
    assert Completer(listed).phrases(prefix) == sorted(expected)


@given(st.lists(WORD), WORD)
def test_words_are_offered_in_their_order(words: list[str], prefix: str) -> None:
    expected = sorted({word for word in words if word.startswith(prefix)})
    assert Completer({"word": words}).words(prefix) == expected


def test_a_start_takes_no_string_of_its_own() -> None:
    phrase = "relay clicks and no light at all"
    completer = Completer({"symptom": [phrase]})
    assert completer._keys == [phrase]
    assert completer._keys[0] is phrase
    assert len(completer._key_of) == 6
