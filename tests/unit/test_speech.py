"""Number words, what a page can mean, and the dialogue that lets no value through without its yes. No sound here."""

from __future__ import annotations

import re
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest

from kb.errors import BadInput
from kb.facts.pin_lines import parse_pin_line
from kb.facts.reading_lines import parse_reading_line
from kb.speech import recogniser
from kb.speech.automaton import automaton_of, tree_of
from kb.speech.choice import likeliest
from kb.speech.dialogue import Answer, Entry, answer, doubts, entry_of
from kb.speech.grammar import grammar_of
from kb.speech.language import ENGLISH, language_of, words_of
from kb.speech.meaning import meaning_of
from kb.speech.numbers import by_digits, number_of
from kb.speech.pages import Page, distinct, point_place, rail_place
from kb.speech.recogniser import Recognised
from kb.speech.sound import LONGEST_BYTES, speech_in

PLACES = distinct(
    [
        rail_place("5VSB", "standby", 5.0, ENGLISH),
        rail_place("3V3", "logic", 3.3, ENGLISH),
        rail_place("12V", "intermediate", 12.0, ENGLISH),
        rail_place("-12V", "other", -12.0, ENGLISH),
        point_place("TP1", ENGLISH),
    ]
)
LINES = Page("lines", PLACES)
STEP = Page("step", PLACES, "12V", "dc_v", ("lowest", "highest", "load current"))
PINS = Page("pins", connectors=distinct([point_place("CN2", ENGLISH)]))
automaton = cache(automaton_of)  # made once for each grammar


def said(page: Page, *turns: str) -> Answer:
    """The last answer when these things are said one after the other; what waits is sent along as a page does."""
    waiting: Entry | None = None
    found = Answer("again", "")
    for words in turns:
        found = answer(page, waiting, meaning_of(words.split(), page, ENGLISH))
        waiting = found.entry if found.outcome in ("wait", "again") else None
    return found


@pytest.mark.parametrize(
    ("words", "typed"),
    [
        ("four point seven", "4.7"),
        ("one two point zero four", "12.04"),
        ("twelve point oh four", "12.04"),
        ("three hundred and eighty five", "385"),
        ("three hundred eighty five", "385"),
        ("three eighty five", "385"),
        ("minus twelve point one", "-12.1"),
        ("point four seven", "0.47"),
        ("oh point four seven zero", "0.470"),
        ("two hundred and five", "205"),
        ("one thousand two hundred", "1200"),
        ("nine nine nine", "999"),
        ("zero", "0"),
    ],
)
def test_number_words_are_one_exact_number(words: str, typed: str) -> None:
    found = number_of(words.split(), ENGLISH)
    assert found is not None
    assert found.value == Decimal(typed)


@pytest.mark.parametrize(
    "words",
    [
        "",
        "point",
        "twelve twelve",
        "four point",
        "four point fifteen",
        "hundred",
        "twenty eleven",
        "and five",
    ],
)
def test_what_is_no_one_number_is_none(words: str) -> None:
    assert number_of(words.split(), ENGLISH) is None


@pytest.mark.parametrize(("teen", "ty"), [(13 + at, 30 + 10 * at) for at in range(7)])
def test_every_teen_sounds_like_its_ten(teen: int, ty: int) -> None:
    by_number = {number: word for word, number in {**ENGLISH.small, **ENGLISH.tens}.items()}
    for one, other in ((teen, ty), (ty, teen)):
        found = number_of([by_number[one]], ENGLISH)
        behind = number_of(["three", by_number[one], "point", "two"], ENGLISH)
        assert found is not None
        assert behind is not None
        assert found.twin == str(other)
        assert behind.twin == f"{300 + other}.2"


def test_a_number_can_be_read_back_digit_by_digit() -> None:
    assert by_digits("-15.20") == "minus one five point two zero"


def words_in(grammar: str) -> set[str]:
    """The words that the rules of a grammar are made of, without its head and the names of rules."""
    rules = [line.partition(" = ")[2].rstrip(";") for line in grammar.splitlines() if " = " in line]
    return {word for rule in rules for word in re.sub(r"[()\[\]|]", " ", rule).split() if word[0] != "<"}


def test_every_word_of_a_grammar_has_a_sound() -> None:
    assert {"yes", "no"} <= words_in(grammar_of(LINES, ENGLISH, answering=True))
    for page in (LINES, STEP, PINS):
        assert words_in(grammar_of(page, ENGLISH)) <= set(ENGLISH.sounds)
    assert words_of(ENGLISH) <= set(ENGLISH.sounds)


@pytest.mark.parametrize(
    ("page", "words"),
    [
        (LINES, "five volts standby four point seven standby"),
        (LINES, "standby four point seven volts"),
        (LINES, "tee pee one resistance four kay seven unplugged"),
        (LINES, "twelve volts ripple one hundred and twenty millivolts running test load"),
        (LINES, "minus twelve volts minus eleven point nine running in the set"),
        (STEP, "lowest nine point four volts"),
        (STEP, "twelve volts eleven point nine eight volts"),
        (PINS, "see en two pin four red four kay seven black open"),
        (PINS, "pin twenty one black point four five volts"),
        (LINES, "undo"),
    ],
)
def test_what_can_be_meant_can_be_recognised_and_understood(page: Page, words: str) -> None:
    assert automaton(grammar_of(page, ENGLISH)).accepts(words.split())
    assert meaning_of(words.split(), page, ENGLISH) is not None


def test_an_automaton_accepts_what_its_grammar_says_and_nothing_else() -> None:
    made = automaton_of("public <s> = a <b> [c] | d;\n<b> = (b | b b);\n")
    for sentence in ("a b", "a b b", "a b c", "a b b c", "d"):
        assert made.accepts(sentence.split()), sentence
    for sentence in ("", "a", "a c", "a b b b", "d c", "b", "a b c c"):
        assert not made.accepts(sentence.split()), sentence
    assert made.states == 5  # counted by hand


def test_a_tree_of_sentences_takes_any_word_of_a_digit_and_knows_where_each_ends() -> None:
    sentences = [("two", "zero"), ("two", "zero", "volts"), ("two", "one")]
    made, states = tree_of(sentences, ENGLISH)
    assert all(made.accepts(one.split()) for one in ("two oh", "two zero volts", "two one"))
    assert not any(made.accepts(one.split()) for one in ("two", "two oh one"))
    assert not made.accepts(["nine"])
    assert {(states["two",], states["two", "zero"], word) for word in ("zero", "oh")} <= set(made.arcs)
    assert made.final == {states[words] for words in sentences}


def test_a_value_counts_after_its_yes_only() -> None:
    heard = said(STEP, "eleven point nine volts")
    assert heard.outcome == "wait"
    assert heard.say == "12 volt, 11.9 volts?"
    assert said(STEP, "eleven point nine volts", "next").outcome == "again"
    assert said(STEP, "eleven point nine volts", "no") == Answer("again", "Left out. Say it again.")
    kept = said(STEP, "eleven point nine volts", "yes")
    assert (kept.outcome, kept.entry and kept.entry.text) == ("keep", "11.9 V")


def test_a_value_that_is_said_while_another_waits_takes_its_place_and_waits_itself() -> None:
    heard = said(STEP, "eleven point nine volts", "eleven point five volts")
    assert (heard.outcome, heard.entry and heard.entry.text) == ("wait", "11.5 V")


def test_what_is_not_understood_keeps_nothing_and_loses_nothing() -> None:
    heard = said(STEP, "eleven point nine volts", "volts volts")
    assert (heard.outcome, heard.entry and heard.entry.text) == ("again", "11.9 V")
    assert said(STEP, "yes").outcome == "again"


def test_fifteen_is_asked_digit_by_digit_and_no_asks_for_fifty() -> None:
    heard = said(Page("step", (), "", "ohm"), "fifteen ohms")
    assert heard.say == "15 ohms, one five?"
    other = said(Page("step", (), "", "ohm"), "fifteen ohms", "no")
    assert (other.outcome, other.say) == ("wait", "50 ohms, five zero?")
    kept = said(Page("step", (), "", "ohm"), "fifteen ohms", "no", "yes")
    assert kept.entry is not None
    assert kept.entry.text == "50 Ω"


def test_of_two_that_sound_alike_the_one_that_the_rail_can_show_is_asked_for() -> None:
    heard = said(STEP, "fifty volts")
    assert (heard.outcome, heard.say) == ("wait", "12 volt, 15 volts, one five?")
    assert said(STEP, "fifty volts", "no").entry is None


def test_a_value_that_the_rail_cannot_show_is_asked_again_and_never_kept_at_once() -> None:
    heard = said(STEP, "two hundred volts")
    assert heard.outcome == "again"
    assert "Say it again" in heard.say
    assert said(STEP, "two hundred volts", "yes").outcome == "again"
    twice = said(STEP, "two hundred volts", "two hundred volts")
    assert twice.outcome == "wait"
    assert said(STEP, "two hundred volts", "eleven volts").say == "12 volt, 11 volts?"


def test_another_rail_than_that_of_the_step_is_refused() -> None:
    assert said(STEP, "five volts standby five point one").say == "This step measures 12V, not 5VSB."


def test_a_bare_ripple_asks_for_its_unit() -> None:
    heard = said(LINES, "twelve volts ripple forty running")
    assert (heard.outcome, heard.say) == ("again", "40 of what? Say it with volts or millivolts.")


def test_undo_asks_before_it_takes_anything_back() -> None:
    assert said(STEP, "undo").outcome == "wait"
    kept = said(STEP, "undo", "yes")
    assert (kept.outcome, kept.entry and kept.entry.field) == ("keep", "undo")


def test_a_numbered_answer_is_read_back_by_its_words() -> None:
    page = Page("step", (), "", answers=("It came on", "Nothing happens"))
    assert said(page, "answer two").say == "Nothing happens?"
    assert said(page, "answer three").outcome == "again"


@pytest.mark.parametrize(
    ("words", "typed"),
    [
        ("five volts standby four point seven standby", "5VSB 4.7 standby"),
        ("twelve volts ripple forty millivolts running test load", "12V ripple 40 mV running test load"),
        (
            "twelve volts lowest nine highest eleven point five running unloaded",
            "12V min 9 max 11.5 running no load",
        ),
        ("tee pee one resistance four kay seven unplugged", "TP1 ohm 4.7 kΩ unpowered"),
    ],
)
def test_a_spoken_line_is_what_the_strict_parser_of_lines_reads(words: str, typed: str) -> None:
    entry = said(LINES, words).entry
    assert entry is not None
    assert entry.text == typed
    assert parse_reading_line(entry.text, [one.name for one in PLACES]).written == typed


def test_a_spoken_pin_is_what_the_strict_parser_of_pins_reads() -> None:
    entry = said(PINS, "see en two pin four red four kay seven black open").entry
    assert entry is not None
    line = parse_pin_line(entry.text)
    assert (line.connector, line.pin, line.values, line.open) == (
        "CN2",
        4,
        {"ohm_red": 4700.0},
        ("ohm_black",),
    )
    drop = said(PINS, "see en two pin twelve black point four five volts").entry
    assert drop is not None
    assert parse_pin_line(drop.text).values == {"diode_v_black": 0.45}


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("twelve point one volts", 0),
        ("twelve point one", 0),
        ("next", 0),
        ("forty millivolts", 1),
        ("fourteen point one millivolts", 2),
        ("forty volts", 2),
        ("three kilovolts", 3),
        ("three volts twelve volts", 3),
    ],
)
def test_a_value_is_the_more_doubtful_the_less_a_meter_at_the_rail_shows_it(
    words: str, expected: int
) -> None:
    heard = meaning_of(words.split(), STEP, ENGLISH)
    found = 3 if heard is None else doubts(STEP, heard)
    assert found == expected


def test_of_two_ways_to_hear_a_sound_the_less_doubtful_wins_unless_the_other_fits_far_better() -> None:
    likely, doubtful = ("twelve", "volts"), ("forty", "volts")
    close = [Recognised(doubtful, -700.0), Recognised(likely, -760.0)]
    assert likeliest(close, STEP, ENGLISH)[1] == likely
    far = [Recognised(doubtful, -700.0), Recognised(likely, -900.0)]
    assert likeliest(far, STEP, ENGLISH)[1] == doubtful
    # Where both mean the same kind of thing the better fit alone counts, and nothing unheard is made up.
    equal = [Recognised(("twelve", "point", "one"), -701.0), Recognised(("twelve", "point", "two"), -700.0)]
    assert likeliest(equal, STEP, ENGLISH)[1] == ("twelve", "point", "two")
    assert likeliest([Recognised((), float("-inf"))], STEP, ENGLISH) == (None, ())


def test_what_a_page_sends_back_must_be_an_entry() -> None:
    with pytest.raises(BadInput, match="waits for its yes"):
        entry_of({"field": "", "text": "4.7"})
    with pytest.raises(BadInput, match="waits for its yes"):
        entry_of({"field": "value", "text": "4" * 500})


def test_a_long_sound_is_refused_and_a_quiet_or_even_one_is_no_speech() -> None:
    with pytest.raises(BadInput, match="longer than 12 s"):
        speech_in(b"\0" * (LONGEST_BYTES + 2))
    with pytest.raises(BadInput, match="16-bit"):
        speech_in(b"\0" * 31_999)
    assert speech_in(b"") is None
    assert speech_in(b"\0" * 64_000) is None
    assert speech_in((b"\xe8\x03" * 8 + b"\x18\xfc" * 8) * 2_000) is None  # a hum of one loudness


GERMAN = {
    "code": "de",
    "digits": {"null": 0, "eins": 1, "zwei": 2, "drei": 3, "vier": 4, "fünf": 5, "sechs": 6, "sieben": 7, "acht": 8,
               "neun": 9},
    "numbers": {"zwölf": 12},
    "point": ["komma"],
    "minus": ["minus"],
    "commands": {"ja": "yes", "nein": "no"},
    "units": {"volt": "V"},
    "sounds": {
        word: ["A B"]
        for word in (
            *("null", "eins", "zwei", "drei", "vier", "fünf", "sechs", "sieben", "acht", "neun", "zwölf"),
            *("komma", "minus", "ja", "nein", "volt"),
        )
    },
}  # fmt: skip


def test_another_language_is_a_file_of_words() -> None:
    language = language_of(GERMAN)
    page = Page("step", (), "", "dc_v")
    assert automaton_of(grammar_of(page, language)).accepts(["zwölf", "komma", "null", "vier", "volt"])
    heard = meaning_of(["zwölf", "komma", "null", "vier", "volt"], page, language)
    assert heard is not None
    assert heard.values["value"].text == "12.04 V"


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"digits": {"null": 0}}, "each digit from 0 to 9"),
        ({"commands": {"ja": "yes"}}, "no word for yes or none for no"),
        ({"commands": {"ja": "sure", "nein": "no"}}, "means “sure”"),
        ({"units": {"volt": "volts"}}, "means “volts”"),
        ({"point": []}, "decimal mark"),
        ({"sounds": {}}, "nothing says how"),
        ({"unit": {}}, "“unit” is no entry"),
        ({"numbers": {"zwei": 2}}, "outside 10 to 9999"),
    ],
)
def test_a_file_of_words_that_is_wrong_is_refused_by_its_entry(change: dict[str, object], wrong: str) -> None:
    with pytest.raises(BadInput, match=wrong) as refused:
        language_of({**GERMAN, **change})
    assert refused.value.field == "KB_SPEECH_MODEL"


def test_a_model_folder_that_is_wrong_is_refused_with_what_it_lacks(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no acoustic/mdef"):
        recogniser.language_in(str(tmp_path))
