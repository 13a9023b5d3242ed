"""Which of the ways in which a sound was heard is meant on the page.

Only what was heard is chosen from, nothing is put in its place, and everything is read back before it counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from kb.speech.dialogue import doubts, standings
from kb.speech.language import SPOKEN_UNITS, Language
from kb.speech.listener import Proposal
from kb.speech.meaning import Heard, Value, meaning_of
from kb.speech.pages import Page
from kb.speech.recogniser import Recognised, fitting_warp

# All in the natural logarithm of the path's likelihood, as the recogniser counts it. Found on the development half.
_FIT_OF_A_DOUBT = 50.0
_DOUBTS_OF_NOTHING = 3
# The recogniser looks at each hundredth of a second as if the one before said nothing of it, so its likelihoods are
# far too sure of themselves; those of the network are not.
_FIT_OF_A_PROPOSAL = 10.0
_FIT_OF_A_WORD = -40.0
_FIT_OF_ODD_DIGITS = -50.0
_FIT_OF_STANDING = 30.0
_BELOW_PROPOSALS = 2.0
"""What only the recogniser heard counts so much less than the network's last proposal, by the network's measure."""
_MOST_CANDIDATES = 40
_MOST_RECOMBINED = 12
_SWAPPED = ("V", "ohm")
_MOST_DIGITS = 4
"""Of a number in all: what a bench meter shows (common practice, no published source)."""


def likeliest(
    found: Sequence[Recognised], page: Page, language: Language
) -> tuple[Heard | None, tuple[str, ...]]:
    """The meaning and the words that fit the sound best, less what is doubtful about them on this page."""
    best: tuple[float, Heard | None, tuple[str, ...]] = (float("-inf"), None, ())
    for one in found:
        heard = meaning_of(one.words, page, language)
        score = one.fit - _FIT_OF_A_DOUBT * _doubts(page, heard)
        if one.words and score > best[0]:
            best = (score, heard, one.words)
    return best[1], best[2]


def decided(
    found: Sequence[Recognised],
    proposals: Sequence[Proposal],
    page: Page,
    language: Language,
    choose: Callable[[Mapping[tuple[str, ...], float], float], Recognised],
) -> tuple[Heard | None, tuple[str, ...]]:
    """The meaning and the words of what the recogniser and the network heard.

    `choose` compares the candidates with the sound once more, in the vocal tract that fitted it (`recogniser.choose`).
    """
    weights = candidates(found, proposals, page, language)
    if not weights:
        return None, ()
    words = choose(weights, fitting_warp(found)).words
    return meaning_of(words, page, language), words


def candidates(
    found: Sequence[Recognised], proposals: Sequence[Proposal], page: Page, language: Language
) -> dict[tuple[str, ...], float]:
    """What the recogniser and the network heard, each sentence with what speaks for it apart from the sound.

    Empty where both heard nothing. The words of a digit are one here (`recogniser.choose` tells them apart).
    """
    fits: dict[tuple[str, ...], float] = {}
    for proposal in proposals:
        for sentence in proposal.sentences:
            words = _one_word_a_digit(sentence, language)
            if meaning_of(words, page, language) is not None:
                fits[words] = max(fits.get(words, float("-inf")), proposal.fit)
    least = min(fits.values(), default=0.0) - _BELOW_PROPOSALS
    for one in found:
        if one.words:
            fits.setdefault(_one_word_a_digit(one.words, language), least)
    for more in (_recombined(fits, page), _other_units(fits, language)):
        for words, fit in more.items():
            fits.setdefault(words, fit - _BELOW_PROPOSALS)
    weights = {}
    for words, fit in fits.items():
        heard = meaning_of(words, page, language)
        weights[words] = (
            _FIT_OF_A_PROPOSAL * fit - _FIT_OF_A_DOUBT * _doubts(page, heard) + _FIT_OF_A_WORD * len(words)
        )
        if heard:
            weights[words] += _FIT_OF_ODD_DIGITS * sum(map(_odd_digits, heard.values.values()))
            weights[words] += _FIT_OF_STANDING * standings(page, heard)
    likely = sorted(weights.items(), key=lambda one: -one[1])
    return dict(likely[:_MOST_CANDIDATES])


def _recombined(fits: Mapping[tuple[str, ...], float], page: Page) -> dict[tuple[str, ...], float]:
    """The place of each of the likeliest sentences with what each other one says of it: one ear may have caught the
    rail and the other the number."""
    called = [tuple(phrase.split()) for place in (*page.places, *page.connectors) for phrase in place.called]
    called.sort(key=len, reverse=True)
    parted = []
    for words, fit in sorted(fits.items(), key=lambda one: -one[1])[:_MOST_RECOMBINED]:
        name = next((name for name in called if words[: len(name)] == name and len(words) > len(name)), ())
        parted.append((name, words[len(name) :], fit))
    made: dict[tuple[str, ...], float] = {}
    for name in dict.fromkeys(name for name, _, _ in parted):
        for other, rest, fit in parted:
            if other != name:
                made[name + rest] = max(made.get(name + rest, float("-inf")), fit)
    return made


def _other_units(fits: Mapping[tuple[str, ...], float], language: Language) -> dict[tuple[str, ...], float]:
    """The likeliest sentences with each unit of the same quantity in the place of theirs: units are said fast."""
    made: dict[tuple[str, ...], float] = {}
    for words, fit in sorted(fits.items(), key=lambda one: -one[1])[:_MOST_RECOMBINED]:
        for at, word in enumerate(words):
            base = SPOKEN_UNITS[language.units[word]][0] if word in language.units else ""
            for other, unit in language.units.items() if base in _SWAPPED else ():
                if other != word and " " not in other and SPOKEN_UNITS[unit][0] == base:
                    made.setdefault((*words[:at], other, *words[at + 1 :]), fit)
    return made


def _doubts(page: Page, heard: Heard | None) -> int:
    return _DOUBTS_OF_NOTHING if heard is None else doubts(page, heard)


def _one_word_a_digit(words: Sequence[str], language: Language) -> tuple[str, ...]:
    """The words with the first word there is for each digit, where that says the same."""
    first: dict[int, str] = {}
    for word, digit in language.digits.items():
        first.setdefault(digit, word)
    return tuple(first[language.digits[word]] if word in language.digits else word for word in words)


def _odd_digits(value: Value) -> int:
    """How many digits a value has more than a meter shows or than are said of it."""
    if value.number is None:
        return 0
    whole, _, parts = value.number.text.lstrip("-").partition(".")
    shown = len((whole + parts).lstrip("0"))
    more = max(0, shown - _MOST_DIGITS) + max(0, len(parts) - 3)
    more += len(parts) == 3 and int(whole) > 0
    return more + (bool(parts) and value.unit == "mV" and shown > 3)
