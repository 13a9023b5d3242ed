"""Spellings that must meet, and spellings that must stay apart."""

from __future__ import annotations

import pytest

from kb.search import Analysis
from kb.search.normalization import word_term

ANALYSIS = Analysis()


def terms(text: str) -> set[str]:
    tokens = ANALYSIS.tokens(text)
    found = {term for token in tokens for term in (token.term, *token.extras)}
    for concept in ANALYSIS.concepts(tokens, text):
        if concept.present:
            found.update(concept.keys)
    return found


def first_terms(text: str) -> list[str]:
    return [token.term for token in ANALYSIS.tokens(text)]


SAME = [
    ("C9", "c 9"),
    ("C9", "C-9"),
    ("HX-210", "hx210"),
    ("HX-210", "hx 210"),
    ("HX-210", "HX_210"),
    ("HX-210", "HX\u2013210"),
    ("HX-210", "HX\u2011210"),
    ("470 µF", "470\u00a0µF"),
    ("5VSB", "5\u202fV\u202fSB"),
    ("bulging", "bulgy"),
    ("shorted", "short circuit"),
    ("4k7", "4.7k"),
    ("4k7", "4700 ohm"),
    ("4,7 kΩ", "4k7"),
    ("4.7 kOhm", "4700R"),
    ("5VSB", "5V standby"),
    ("5VSB", "5 V SB"),
    ("5VSB", "+5V-SB"),
    ("5VSB", "5 V stand-by"),
    ("470 µF", "470uF"),
    ("470 μF", "0.47 mF"),
    ("3V3", "3.3 V"),
    ("1M", "1000 k"),
    ("2u2", "2.2 µF"),
    ("won't turn on", "will not turn on"),
    ("won’t turn on", "does not turn on"),
    ("start-up", "startup"),
    ("start up", "startup"),
    ("back light", "backlight"),
    ("stand-by", "standby"),
    ("caps", "capacitor"),
    ("elcos", "cap"),
    ("FETs", "mosfet"),
    ("opto", "optocoupler"),
    ("opto coupler", "opto-isolator"),
    ("Kondensator", "capacitor"),
    ("café", "cafe"),
    ("cafe\u0301", "café"),
    ("fuses", "fuse"),
    ("burnt", "burned"),
    ("ﬁlter", "filter"),
    ("relays", "relay"),
]
SHARE = [
    ("HX 210 rev B", "hx210"),
    ("HX210-R2", "HX-210"),
    ("HX-210B", "HX-210"),
    ("hx-210revb", "HX-210"),
    ("HX210rev2", "HX-210"),
    ("hx210r2", "HX-210"),
    ("1000uF16V", "1000 µF"),
    ("1000uF16V", "16 V"),
    ("10ohm0.5W", "500 mW"),
    ("2SK-2645", "K2645"),
    ("2SK-2645", "2645"),
    ("2SK2645", "2SK-2645"),
    ("AB-1234.5", "ab12345"),
    ("KIA78L05", "78L05"),
    ("T3.15A", "3.15 A"),
    ("UC3842", "uc 3842"),
    ("UC3842", "3842"),
    ("-12V", "12 V"),
    ("dead", "no power"),
    ("dead", "won't turn on"),
    ("relay chatter", "relay ticking"),
    ("psu", "power supply"),
    ("SMPS", "power supply"),
    ("elco", "electrolytic"),
    ("photocoupler", "opto"),
    ("fuse gone", "blown fuse"),
    ("bulging capacitor", "swollen elco"),
    ("5VSB low", "standby voltage low"),
]
APART = [
    ("C9", "C91"),
    ("C9", "C10"),
    ("3.3V", "33V"),
    ("3V3", "33V"),
    ("R10", "R100"),
    ("R10", "10R"),
    ("UC3842", "UC3843"),
    ("HX-210", "HX-211"),
    ("470uF", "47uF"),
    ("4k7", "47k"),
    ("5VSB", "3.3V standby"),
    ("1m5", "1u5"),
    ("10mA", "10A"),
    ("1N4007", "1N4148"),
    ("HX210R2", "HX21"),
    ("100nF16V", "100nF1"),
    ("no hum", "hum from speakers"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_spellings_of_one_thing_have_the_same_term(one: str, other: str) -> None:
    assert first_terms(one)[:1] == first_terms(other)[:1], (terms(one), terms(other))


@pytest.mark.parametrize(("one", "other"), SHARE)
def test_names_of_one_thing_share_a_term(one: str, other: str) -> None:
    assert terms(one) & terms(other), (terms(one), terms(other))


@pytest.mark.parametrize(("one", "other"), APART)
def test_different_things_share_no_telling_term(one: str, other: str) -> None:
    everyday = {"standbi", "hum", "not"}
    assert not (terms(one) & terms(other)) - everyday, (terms(one), terms(other))


def test_negations_and_switch_words_are_kept() -> None:
    assert first_terms("no not on off") == ["not", "not", "on", "off"]


def test_a_unit_after_a_number_makes_it_a_value_and_not_a_designator() -> None:
    assert first_terms("c 9 V") == ["c", "9v"]
    assert first_terms("pin 5 about 12") == ["pin", "5", "about", "12"]


def test_each_token_points_at_the_text_it_came_from() -> None:
    text = "Größe: 5 V SB, relay-K1 C9/C10 won't"
    found = {token.term: text[token.start : token.end] for token in ANALYSIS.tokens(text)}
    assert found == {
        "gross": "Größe",
        "5vsb": "5 V SB",
        "relai": "relay",
        "k1": "K1",
        "c9": "C9",
        "c10": "C10",
        "not": "won't",
    }


def test_the_longest_name_wins() -> None:
    text = "relay ticks no picture"
    tokens = ANALYSIS.tokens(text)
    keys = [concept.keys for concept in ANALYSIS.concepts(tokens, text)]
    assert keys == [("symptom:relay clicks repeatedly",), ("symptom:no picture",)]


def test_a_shop_can_add_a_symptom_with_its_own_names() -> None:
    own = Analysis(symptoms=[("gurgles", ("blub blub", "aquarium sound"))])
    tokens = own.tokens("makes an aquarium sound")
    assert [c.keys for c in own.concepts(tokens, "makes an aquarium sound")] == [("symptom:gurgles",)]
    assert own.fingerprint != ANALYSIS.fingerprint
    assert Analysis().fingerprint == ANALYSIS.fingerprint


@pytest.mark.parametrize(
    "text", ["", " ", "\x00\x07", "🙂🙂", "\u202eabc", "-" * 500, "٣٣ V", "\ud800", "9" * 400]
)
def test_any_text_gives_terms_without_an_error(text: str) -> None:
    for token in ANALYSIS.tokens(text):
        assert 0 <= token.start < token.end <= len(text)
        token.term.encode()


def test_doubled_consonants_are_stemmed_as_in_the_published_algorithm() -> None:
    from nltk.stem.porter import PorterStemmer

    stemmer = PorterStemmer(mode=PorterStemmer.ORIGINAL_ALGORITHM)
    words = "stopped dropping tripped humming fitted plugged reprogrammed clipping tapped swapped chopped shipping"
    for word in words.split():
        assert word_term(word) == stemmer.stem(word), word
    for word in ("hissing", "buzzing", "falling", "blowing", "seeing", "drilled"):
        assert word_term(word) == stemmer.stem(word), word
