"""What the network may write for the sentences of a page, and how the two that listen are weighed. No browser.

How a sentence is written in figures is common practice (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache

import numpy as np
import pytest
from speech.sounds import as_bytes, spoken, workshop
from speech.spoken_set import CONNECTORS, PLACES

from kb.speech import listener, recogniser
from kb.speech.automaton import automaton_of
from kb.speech.choice import beside_the_sound, candidates, decided
from kb.speech.grammar import grammar_of
from kb.speech.language import ENGLISH
from kb.speech.listener import Proposal, propose, weigh
from kb.speech.meaning import meaning_of
from kb.speech.pages import Page
from kb.speech.pieces import Pieces, pieces_of
from kb.speech.recogniser import Recognised, choose
from kb.speech.sound import speech_in
from kb.speech.written import At, Writing, in_words

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


def sound(text: str, snr_db: float = 30) -> bytes:
    return as_bytes(workshop(spoken(text), snr_db=snr_db, clicks=0, before_s=0.4, after_s=0.4, seed=5))


def test_the_network_proposes_what_was_said_and_nothing_outside_the_grammar() -> None:
    speech = speech_in(sound("twelve point six volts"))
    assert speech is not None
    grammar = grammar_of(STEP, ENGLISH)
    proposals = propose(speech.softened, grammar).proposals
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


def test_what_the_recogniser_may_have_heard_is_a_sentence_of_the_grammar_each_once() -> None:
    speech = speech_in(sound("zero point five three volts", snr_db=10))
    assert speech is not None
    grammar = grammar_of(STEP, ENGLISH)
    found = recogniser.recognise(speech.samples, grammar, "", 0.9)
    # Five and nine are taken for each other.
    assert ("zero", "point", "nine", "three", "volts") in {found.words, *found.others}
    assert len({found.words, *found.others}) == 1 + len(found.others)
    accepted = automaton_of(grammar)
    assert all(accepted.accepts(list(words)) for words in found.others)


def test_noise_in_which_something_is_heard_has_other_ways_or_none_and_never_fails() -> None:
    grammar = grammar_of(STEP, ENGLISH)
    accepted = automaton_of(grammar)
    heard = 0
    for seed in (0, 1, 3, 5, 8):  # of all of these the recogniser names ways by nothing at all
        chance = np.random.default_rng(seed)
        times = np.arange(int(chance.uniform(0.4, 2) * 16_000)) / 16_000
        bursts = np.sin(2 * np.pi * chance.uniform(0.5, 6) * times) > 0
        speech = speech_in(as_bytes(chance.standard_normal(len(times)) * bursts * 0.1))
        assert speech is not None
        for warp in recogniser.WARPS:
            found = recogniser.recognise(speech.samples, grammar, "", warp)
            assert all(accepted.accepts(list(words)) for words in found.others)
            heard += bool(found.words)
    assert heard > 0


def test_all_that_either_may_have_heard_are_candidates_where_they_mean_something() -> None:
    one = Recognised(
        ("bulk", "twelve", "volts"), -5.0, (("running",), ("bulk", "oh"), ("bulk", "zero"), ("bulk", "nine"))
    )
    wrote = [proposed("backlight nineteen volts", -4.0), proposed("running", -5.0)]
    assert candidates([one], wrote, LINES, ENGLISH) == [
        ("bulk", "twelve", "volts"),
        ("bulk", "zero"),  # "oh" is the same digit
        ("bulk", "nine"),
        ("backlight", "nineteen", "volts"),
    ]


def test_eight_other_ways_are_taken_and_the_likeliest_eight_of_all_compared() -> None:
    others = tuple(("bulk", digit) for digit in ENGLISH.digits if digit != "oh")
    compared: list[tuple[str, ...]] = []

    def network(found: Sequence[tuple[str, ...]]) -> list[float]:
        assert [words for words in found if words in others] == list(others[:8])
        return [float(at) for at in range(len(found))]  # the later, the likelier

    def sound_again(found: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
        compared.extend(found)
        return Recognised(others[7], 0.0)

    both = [Recognised(("bulk", "twenty"), -5.0, others), heard_by_one("bulk thirty", -6.0)]
    _, words = decided(both, [proposed("bulk forty", -4.0)], LINES, ENGLISH, network, sound_again)
    assert words == others[7]
    # What was heard outright is always among them; of the rest the least likely are left out.
    assert compared[:2] == [("bulk", "twenty"), ("bulk", "thirty")]
    assert len(compared) == 8
    assert not {others[0], others[1], others[2]} & set(compared)


def test_volts_said_in_thousandths_of_a_volt_where_that_is_doubtful_weigh_less() -> None:
    volts, millivolts = (("zero", "point", "two", unit) for unit in ("volts", "millivolts"))
    assert beside_the_sound(volts, DROP, ENGLISH) > beside_the_sound(millivolts, DROP, ENGLISH)


def test_more_digits_than_a_meter_shows_weigh_less() -> None:
    long, short = ("twelve", "point", "six", "zero", "zero", "five"), ("twelve", "point", "six")
    assert beside_the_sound(short, STEP, ENGLISH) - beside_the_sound(long, STEP, ENGLISH) > 30


def test_a_value_near_its_rail_weighs_more_and_one_above_it_less() -> None:
    near, low, high = (
        beside_the_sound((word, "point", "one"), STEP, ENGLISH) for word in ("twelve", "nine", "nineteen")
    )
    assert near > low > high


def test_the_network_finds_what_was_said_likelier_than_what_was_not() -> None:
    speech = speech_in(sound("fifteen volts"))
    assert speech is not None
    said, by_digits, other = ("fifteen", "volts"), ("one", "five", "volts"), ("nine", "volts")
    heard = propose(speech.softened, grammar_of(STEP, ENGLISH)).heard
    alone = weigh(heard, [said])
    together = weigh(heard, [other, by_digits, said])
    # The network counts in whole numbers that are scaled to all that it computes at once, so they differ a little.
    assert together[2] == pytest.approx(alone[0], abs=1.0)
    assert together[2] - together[0] > 3
    # Both are written "15 volts".
    assert together[1] <= together[2]


def test_sentences_that_are_compared_are_written_in_words() -> None:
    for words, written in (
        ("twelve volts three point nine six standby", " Twelve volts three point nine six standby"),
        ("see en two pin one red two thirty five kay", " C N two pin one red two thirty five K"),
        ("see nine ee ess are point two ohms", " C nine E S R point two ohms"),
        ("vee see see minus four", " V C C minus four"),
        ("no", " No"),
    ):
        assert in_words(words.split(), ENGLISH) == written


def test_what_the_network_finds_likely_weighs_where_the_sound_is_compared_again() -> None:
    weighed: list[tuple[str, ...]] = []
    chosen: dict[tuple[str, ...], float] = {}
    said, other = ("twelve", "point", "one"), ("twelve", "point", "five")

    def network(found: Sequence[tuple[str, ...]]) -> list[float]:
        weighed.extend(found)
        return [-3.0 if words == said else -9.0 for words in found]

    def sound_again(found: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
        chosen.update(found)
        assert warp == next(iter(recogniser.WARPS))
        return Recognised(max(found, key=lambda words: found[words]), 0.0)

    both = [Recognised(("nineteen",), -5.0, (said,)), heard_by_one("nine", -900.0)]
    heard, words = decided(both, [proposed("twelve point five", -4.0)], STEP, ENGLISH, network, sound_again)
    assert {said, other, ("nine",)} <= set(weighed)
    assert words == said
    assert heard is not None
    assert heard.values["value"].text == "12.1"
    assert set(chosen) == set(weighed)
    assert all(chosen[said] > weight for words, weight in chosen.items() if words != said)


def test_what_was_heard_outright_and_is_the_likeliest_is_taken_without_the_sound() -> None:
    asked: list[tuple[str, ...]] = []

    def sound_again(found: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
        asked.extend(found)
        return Recognised(("nine",), warp)

    def network(found: Sequence[tuple[str, ...]]) -> list[float]:
        return [-3.0 if words == ("twelve", "point", "one") else -9.0 for words in found]

    def no_network(found: Sequence[tuple[str, ...]]) -> list[float]:
        return [0.0] * len(found)

    # The second vocal tract heard it; the first fitted better.
    both = [heard_by_one("nineteen"), heard_by_one("twelve point one", -900.0)]
    wrote = [proposed("twelve point five", -4.0)]
    assert decided(both, wrote, STEP, ENGLISH, network, sound_again)[1] == ("twelve", "point", "one")
    assert asked == []
    # A network that could not weigh says nothing, so the sound decides.
    assert decided(both, wrote, STEP, ENGLISH, no_network, sound_again)[1] == ("nine",)
    assert ("twelve", "point", "one") in asked


def test_where_both_heard_the_same_and_nothing_speaks_against_it_it_is_taken() -> None:
    def unasked(*_asked: object) -> list[float]:
        raise AssertionError

    def chosen(found: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
        raise NotImplementedError(warp)

    both = [heard_by_one("twelve point oh"), heard_by_one("nine", -900.0)]
    wrote = [proposed("twelve point zero", -1.0), proposed("nine", -2.0)]
    heard, words = decided(both, wrote, STEP, ENGLISH, unasked, chosen)
    assert words == ("twelve", "point", "zero")
    assert heard is not None
    # Fifty volts are doubtful on a rail of twelve, so these are compared with others.
    with pytest.raises(AssertionError):
        decided(
            [heard_by_one("fifty volts")] * 2, [proposed("fifty volts", -1.0)], STEP, ENGLISH, unasked, chosen
        )


def test_what_neither_can_mean_is_no_candidate_of_the_network() -> None:
    assert candidates([], [], STEP, ENGLISH) == []
    assert candidates([], [proposed("running", -1.0)], STEP, ENGLISH) == []
    only = candidates([heard_by_one("running")], [], STEP, ENGLISH)
    assert only == [("running",)]


def test_models_are_loaded_before_somebody_speaks() -> None:
    grammar = grammar_of(STEP, ENGLISH)
    assert listener.get_ready(grammar)
    assert recogniser.get_ready(grammar, "", next(iter(recogniser.WARPS)), True)
