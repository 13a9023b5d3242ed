"""Which of the ways in which a sound was heard is meant on the page.

Only what was heard, and what parts of it say together, is chosen from; everything is read back before it counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from kb.speech.dialogue import doubts, standings
from kb.speech.language import SPOKEN_UNITS, Language
from kb.speech.listener import Proposal
from kb.speech.meaning import Heard, Value, meaning_of
from kb.speech.numbers import words_of_numbers
from kb.speech.pages import Page
from kb.speech.recogniser import Recognised, fitting_warp

# All in the natural logarithm of the path's likelihood, as the recogniser counts it. Fitted on the development half and
# on 225 readings made like it, so that the right one of each reading's candidates is as likely as can be (a conditional
# logit, McFadden 1974; from memory), and rounded.
_FIT_OF_A_DOUBT = 25.0
_FIT_OF_A_DOUBT_ALONE = 50.0  # where the recogniser listens alone
_DOUBTS_OF_NOTHING = 3
# The recogniser looks at each hundredth of a second as if the one before said nothing of it, so its likelihoods are
# far too sure of themselves; those of the network are not.
_FIT_OF_THE_NETWORK = 13.5
_FIT_OF_A_WORD = 4.0
_FIT_OF_ODD_DIGITS = -87.0
_FIT_OF_STANDING = 37.0
_FIT_OF_NO_UNIT = -60.0
_BELOW_PROPOSALS = 2.0
"""What only the recogniser heard, or a part that was changed, comes so far behind, by the network's measure; it decides
which candidates are weighed at all."""
_BELOW_WHOLE_SENTENCES = 6.0
"""The same for what was put together, which is much more often wrong."""
_MOST_CANDIDATES = 12
_MOST_OF_A_PART = 10
_MOST_RECOMBINED = 150
_SWAPPED = ("V", "ohm")
_SAID_WITH_UNIT = ("ohm", "esr_ohm", "ripple_v")
_MOST_DIGITS = 4
"""Of a number in all: what a bench meter shows (common practice, no published source)."""


def likeliest(
    found: Sequence[Recognised], page: Page, language: Language
) -> tuple[Heard | None, tuple[str, ...]]:
    """The meaning and the words that fit the sound best, less what is doubtful about them on this page."""
    best: tuple[float, Heard | None, tuple[str, ...]] = (float("-inf"), None, ())
    for one in found:
        heard = meaning_of(one.words, page, language)
        score = one.fit - _FIT_OF_A_DOUBT_ALONE * _doubts(page, heard)
        if one.words and score > best[0]:
            best = (score, heard, one.words)
    return best[1], best[2]


def decided(
    found: Sequence[Recognised],
    proposals: Sequence[Proposal],
    page: Page,
    language: Language,
    weigh: Callable[[Sequence[tuple[str, ...]]], Sequence[float]],
    choose: Callable[[Mapping[tuple[str, ...], float], float], Recognised],
) -> tuple[Heard | None, tuple[str, ...]]:
    """The meaning and the words of what the recogniser and the network heard.

    `weigh` asks the network how likely each of the candidates is (`listener.weigh`), so that those which it did not
    propose are compared with those which it did; `choose` compares them with the sound once more, in the vocal tract
    that fitted it (`recogniser.choose`).
    """
    agreed = _agreed(found, proposals, page, language)
    if agreed:
        return meaning_of(agreed, page, language), agreed
    fits = candidates(found, proposals, page, language)
    if not fits:
        return None, ()
    likely = weigh(fits)
    weights = {
        words: _FIT_OF_THE_NETWORK * fit
        + _FIT_OF_A_WORD * len(words)
        + beside_the_sound(words, page, language)
        for words, fit in zip(fits, likely, strict=True)
    }
    words = choose(weights, fitting_warp(found)).words
    return meaning_of(words, page, language), words


def _agreed(
    found: Sequence[Recognised], proposals: Sequence[Proposal], page: Page, language: Language
) -> tuple[str, ...]:
    """The words that the recogniser found and the network, where nothing on the page speaks against them, else none.

    Two of five readings, and 99 of a hundred of these are right, so that they need not be compared any more.
    """
    if not proposals or not any(one.words for one in found):
        return ()
    words = _one_word_a_digit(max(found, key=lambda one: one.fit).words, language)
    likeliest_written = {_one_word_a_digit(one, language) for one in proposals[0].sentences}
    agree = words in likeliest_written and meaning_of(words, page, language) is not None
    return words if agree and beside_the_sound(words, page, language) >= 0 else ()


def candidates(
    found: Sequence[Recognised], proposals: Sequence[Proposal], page: Page, language: Language
) -> list[tuple[str, ...]]:
    """What the recogniser and the network heard and what can be put together of it, the most promising first.

    Empty where both heard nothing. The words of a digit are one here (`recogniser.choose` tells them apart).
    """
    fits = _proposed(proposals, page, language)
    least = min(fits.values(), default=0.0) - _BELOW_PROPOSALS
    for one in found:
        if one.words:
            fits.setdefault(_one_word_a_digit(one.words, language), least)
    for words, fit in _recombined(fits, page, language).items():
        if words not in fits and _doubts(page, meaning_of(words, page, language)) < _DOUBTS_OF_NOTHING:
            fits[words] = fit
    return sorted(
        fits, key=lambda words: -_FIT_OF_THE_NETWORK * fits[words] - beside_the_sound(words, page, language)
    )[:_MOST_CANDIDATES]


def _proposed(proposals: Sequence[Proposal], page: Page, language: Language) -> dict[tuple[str, ...], float]:
    """The sentences of the proposals that mean something on the page, each with how likely the network found it."""
    fits: dict[tuple[str, ...], float] = {}
    for proposal in proposals:
        for sentence in proposal.sentences:
            words = _one_word_a_digit(sentence, language)
            if meaning_of(words, page, language) is not None:
                _keep_best(fits, words, proposal.fit)
    return fits


def _keep_best(best: dict[tuple[str, ...], float], words: tuple[str, ...], fit: float) -> None:
    best[words] = max(best.get(words, fit), fit)


def beside_the_sound(words: tuple[str, ...], page: Page, language: Language) -> float:
    """What speaks for a sentence apart from its sound: what the page can mean."""
    heard = meaning_of(words, page, language)
    weight = -_FIT_OF_A_DOUBT * _doubts(page, heard)
    if heard:
        weight += _FIT_OF_ODD_DIGITS * sum(map(_odd_digits, heard.values.values()))
        weight += _FIT_OF_STANDING * standings(page, heard)
        weight += _FIT_OF_NO_UNIT * _lacks_unit(page, heard)
    return weight


def _lacks_unit(page: Page, heard: Heard) -> bool:
    """Whether a value has no unit that is said with one, since thousandths and thousands of it are as usual."""
    quantity = heard.quantity or page.quantity
    said_with_it = quantity in _SAID_WITH_UNIT or page.kind == "pins"
    return said_with_it and any(value.number and not value.unit for value in heard.values.values())


class _Parts(NamedTuple):
    """A sentence as what stands before its number, the number, its unit, and what stands behind."""

    before: tuple[str, ...]
    number: tuple[str, ...]
    unit: tuple[str, ...]
    behind: tuple[str, ...]


def _recombined(
    fits: Mapping[tuple[str, ...], float], page: Page, language: Language
) -> dict[tuple[str, ...], float]:
    """The parts of the likeliest sentences put together in other ways: one ear may have caught the rail and the other
    the number, and a unit is said fast."""
    best: tuple[dict[tuple[str, ...], float], ...] = ({}, {}, {}, {})
    for words, fit in fits.items():
        parts = _parted(words, page, language)
        if parts is None:
            continue
        for known, part in zip(best, parts, strict=True):
            _keep_best(known, part, fit)
        _, numbers, units, _ = best
        if _is_long(parts.number, language):
            # The first sound of a unit is easily taken for one more digit.
            _keep_best(numbers, parts.number[:-1], fit - _BELOW_PROPOSALS)
        for unit in _other_units(parts.unit, language):
            _keep_best(units, unit, fit - _BELOW_PROPOSALS)
    if not best[1]:
        return {}
    top = [sorted(known.items(), key=lambda one: -one[1])[:_MOST_OF_A_PART] for known in best]
    made: dict[tuple[str, ...], float] = {}
    for chosen in product(*top):
        words = tuple(word for part, _ in chosen for word in part)
        fit = min(fit for _, fit in chosen) - _BELOW_WHOLE_SENTENCES
        _keep_best(made, words, fit)
    return dict(sorted(made.items(), key=lambda one: -one[1])[:_MOST_RECOMBINED])


def _parted(words: tuple[str, ...], page: Page, language: Language) -> _Parts | None:
    """The parts of a sentence with one number beside those in a name and of a pin; None for others."""
    places = page.connectors if page.kind == "pins" else page.places
    called = sorted((tuple(phrase.split()) for one in places for phrase in one.called), key=len, reverse=True)
    start = next((len(one) for one in called if words[: len(one)] == one and len(words) > len(one)), 0)
    if page.kind == "pins":
        side = next(
            (at for at, word in enumerate(words) if language.listened.get(word) in ("red", "black")), None
        )
        if side is None:
            return None
        start = side + 1
    in_numbers = words_of_numbers(language)
    first = next((at for at in range(start, len(words)) if words[at] in in_numbers), None)
    if first is None:
        return None
    end = next((at for at in range(first, len(words)) if words[at] not in in_numbers), len(words))
    behind = end + 1 if end < len(words) and words[end] in language.units else end
    if any(word in in_numbers for word in words[behind:]):
        return None
    return _Parts(words[:first], words[first:end], words[end:behind], words[behind:])


def _is_long(number: tuple[str, ...], language: Language) -> bool:
    """Whether a number has a digit to lose: two behind the decimal mark, or three said one by one."""
    return len(number) > 2 and all(word in language.digits for word in number[-2:])


def _other_units(unit: tuple[str, ...], language: Language) -> list[tuple[str, ...]]:
    """None, and the other units of the same quantity; where no unit was heard, all that are taken for each other."""
    bases = [SPOKEN_UNITS[language.units[unit[0]]][0]] if unit else _SWAPPED
    return [()] + [
        (other,)
        for other, means in language.units.items()
        if " " not in other and SPOKEN_UNITS[means][0] in bases and SPOKEN_UNITS[means][0] in _SWAPPED
    ]


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
