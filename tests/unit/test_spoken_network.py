"""What the network may write for the sentences of a page, and how the two that listen are weighed. No browser.

How a sentence is written in figures is common practice (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import pytest
from speech.sounds import as_bytes, spoken, workshop
from speech.spoken_set import CONNECTORS, PLACES

from kb.speech import listener, recogniser
from kb.speech.automaton import automaton_of
from kb.speech.choice import candidates
from kb.speech.grammar import grammar_of
from kb.speech.language import ENGLISH
from kb.speech.listener import Proposal, propose
from kb.speech.meaning import meaning_of
from kb.speech.pages import Page
from kb.speech.pieces import Pieces, pieces_of
from kb.speech.recogniser import Recognised, choose
from kb.speech.sound import speech_in
from kb.speech.written import At, Writing

LINES = Page("lines", PLACES)
STEP = Page("step", PLACES, "12V", "dc_v")
DROP = Page("step", PLACES, "12V", "diode_v")
PINS = Page("pins", connectors=CONNECTORS)


@pytest.fixture(scope="module")
def pieces() -> Pieces:
    folder = listener._files()
    assert folder is not None
    return pieces_of(folder / "tokenizer.bin")


automaton = cache(automaton_of)  # made once for each grammar


def sentences(pieces: Pieces, page: Page, text: str) -> set[str]:
    """The sentences of a page's grammar that a text may stand for, its commas being pauses."""
    writing = Writing(automaton(grammar_of(page, ENGLISH)), ENGLISH, pieces.cut)
    (comma,) = pieces.cut(",")
    places: set[tuple[At, tuple[int, ...]]] = {(At(0), ())}
    for piece in pieces.cut(text):
        reached: set[tuple[At, tuple[int, ...]]] = set()
        for at, to_come in places:
            if to_come:
                reached |= {(at, to_come[1:])} if to_come[0] == piece else set()
                continue
            if piece == comma and writing.may_pause(at):
                reached.add((writing.after_pause(at), ()))
            reached |= {(there, way[1:]) for way, there in writing.onward(at) if way[0] == piece}
        places = reached
    return {" ".join(at.words) for at, to_come in places if not to_come and writing.may_end(at)}


@pytest.mark.parametrize(
    ("page", "text", "sentence"),
    [
        (LINES, " 12 volts, 12.6 volts, running", "twelve volts twelve point six volts running"),
        (LINES, " 12 volts 12.6 V", "twelve volts one two point six volts"),
        (LINES, " Twelve volts twelve point six", "twelve volts twelve point six"),
        (LINES, " 5VSB 4.07 volts stand by", "five vee ess bee four point oh seven volts standby"),
        (LINES, " VCC 15", "vee see see fifteen"),
        (LINES, " TP1, 11.57 volts", "tee pee one eleven point five seven volts"),
        (LINES, " Bulk ripple 235 mV", "bulk ripple two hundred and thirty five millivolts"),
        (LINES, " bulk 305 volts", "bulk three hundred five volts"),
        (LINES, " bulk 400", "bulk four hundred"),
        (LINES, " 24 volts, 22.6", "twenty four volts twenty two point six"),
        (STEP, " 20", "twenty"),
        (PINS, " CN1 pin 4, red 0.494 volts", "see en one pin four red zero point four nine four volts"),
        (
            PINS,
            " C N two pin 21, black 3.2 k ohms",
            "see en two pin twenty one black three point two kilohms",
        ),
    ],
)
def test_a_reading_in_figures_stands_for_its_sentence(
    pieces: Pieces, page: Page, text: str, sentence: str
) -> None:
    assert sentence in sentences(pieces, page, text)


@pytest.mark.parametrize(
    ("text", "never"),
    [
        (" 205", "twenty five"),
        (" 20.5", "twenty five"),
        (" 15", "fifty"),
        (" 50", "fifteen"),
        (" 2 5", "twenty five"),
    ],
)
def test_figures_stand_for_no_other_number(pieces: Pieces, text: str, never: str) -> None:
    found = sentences(pieces, STEP, text)
    assert found
    assert never not in found


def test_every_sentence_that_figures_stand_for_means_the_same_number(pieces: Pieces) -> None:
    for text, value in (
        (" 235 mV", "235"),
        (" 12.6", "12.6"),
        (" 340", "340"),
        (" 0.05", "0.05"),
        (" 111", "111"),
    ):
        heard = [meaning_of(sentence.split(), STEP, ENGLISH) for sentence in sentences(pieces, STEP, text)]
        numbers = {one.values["value"].number for one in heard if one}
        assert {one.text for one in numbers if one} == {value}, text


def test_text_is_cut_as_the_network_learned_it_and_back(pieces: Pieces) -> None:
    def back(numbers: Iterable[int]) -> list[str]:
        return [pieces.texts[one].decode().replace("▁", " ") for one in numbers]

    for text in (" 12 volts, 12.6 kilohms", " Stand by", " CN1"):
        assert "".join(back(pieces.cut(text))) == text
    # Figures are pieces of their own, so that every number can be written.
    assert back(pieces.cut(" 12.6")) == [" ", "1", "2", ".", "6"]
    assert len(pieces.cut(" volts")) < len(" volts")


def sound(text: str) -> bytes:
    return as_bytes(workshop(spoken(text), snr_db=30, clicks=0, before_s=0.4, after_s=0.4, seed=5))


def test_the_network_proposes_what_was_said_and_nothing_outside_the_grammar() -> None:
    speech = speech_in(sound("twelve point six volts"))
    assert speech is not None
    grammar = grammar_of(STEP, ENGLISH)
    proposals = propose(speech.softened, grammar)
    assert ("twelve", "point", "six", "volts") in proposals[0].sentences
    assert [one.fit for one in proposals] == sorted((one.fit for one in proposals), reverse=True)
    accepted = automaton_of(grammar)
    assert all(accepted.accepts(list(words)) for one in proposals for words in one.sentences)


def test_the_sound_decides_between_candidates_unless_much_speaks_against_one() -> None:
    speech = speech_in(sound("fifteen volts"))
    assert speech is not None
    said, other = ("fifteen", "volts"), ("thirty", "volts")
    assert choose(speech.samples, {said: 0.0, other: 0.0}, 0.9).words == said
    assert choose(speech.samples, {said: -640.0, other: 0.0}, 0.9).words == other


def test_a_digit_is_recognised_by_any_of_its_words() -> None:
    speech = speech_in(sound("four point oh five"))
    assert speech is not None
    found = choose(speech.samples, {("four", "point", "zero", "five"): 0.0}, 0.9)
    assert found.words == ("four", "point", "oh", "five")


def test_the_vocal_tract_that_fitted_better_is_asked_again() -> None:
    worse, better = Recognised(("four",), -900.0), Recognised(("five",), -800.0)
    assert recogniser.fitting_warp([worse, better]) == list(recogniser.WARPS)[1]
    assert recogniser.fitting_warp([better, worse]) == next(iter(recogniser.WARPS))


def heard_by_one(text: str, fit: float = -5.0) -> Recognised:
    return Recognised(tuple(text.split()), fit)


def proposed(text: str, fit: float) -> Proposal:
    return Proposal((tuple(text.split()),), fit)


def test_a_rail_that_one_heard_goes_with_the_number_that_the_other_heard() -> None:
    weights = candidates(
        [heard_by_one("bulk three nine oh volts")],
        [proposed("backlight three eight oh volts", -4.0)],
        LINES,
        ENGLISH,
    )
    found = {" ".join(words) for words in weights}
    assert {"bulk three eight zero volts", "backlight three nine zero volts"} <= found


def test_other_units_of_the_quantity_are_candidates_and_doubtful_ones_weigh_less() -> None:
    weights = {
        " ".join(words): weight
        for words, weight in candidates(
            [], [proposed("zero point two millivolts", -4.0)], DROP, ENGLISH
        ).items()
    }
    assert weights["zero point two volts"] > weights["zero point two millivolts"]
    assert "zero point two kilohms" not in weights


def test_more_digits_than_a_meter_shows_weigh_less() -> None:
    weights = candidates(
        [],
        [proposed("twelve point six zero zero five", -4.0), proposed("twelve point six", -4.0)],
        STEP,
        ENGLISH,
    )
    long, short = ("twelve", "point", "six", "zero", "zero", "five"), ("twelve", "point", "six")
    assert weights[short] - weights[long] > 30 * (len(long) - len(short))


def test_a_value_near_its_rail_weighs_more_and_one_above_it_less() -> None:
    weights = candidates(
        [],
        [proposed(text, -4.0) for text in ("twelve point one", "nine point one", "nineteen point one")],
        STEP,
        ENGLISH,
    )
    near, low, high = (weights[(word, "point", "one")] for word in ("twelve", "nine", "nineteen"))
    assert near > low > high


def test_what_neither_can_mean_is_no_candidate_of_the_network() -> None:
    assert candidates([], [], STEP, ENGLISH) == {}
    assert candidates([], [proposed("running", -1.0)], STEP, ENGLISH) == {}
    only = candidates([heard_by_one("running")], [], STEP, ENGLISH)
    assert list(only) == [("running",)]


def test_models_are_loaded_before_somebody_speaks() -> None:
    grammar = grammar_of(STEP, ENGLISH)
    assert listener.get_ready(grammar)
    assert recogniser.get_ready(grammar, "", True)
