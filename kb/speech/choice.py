"""Which of the ways in which a sound was heard is meant on the page.

Only what one of those that listen may have heard is chosen from; everything is read back before it counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from kb.speech.dialogue import doubts, standings
from kb.speech.language import Language
from kb.speech.listener import Proposal
from kb.speech.meaning import Heard, Value, meaning_of
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
_MOST_OTHERS = 8
"""How many other ways to hear a sound are taken from the recogniser, for each length of the vocal tract."""
_MOST_COMPARED = 8
"""How many candidates are compared with the sound once more: what was heard, and the likeliest beside."""
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
    propose are compared with those which it did, and its zeros say nothing; `choose` compares them with the sound once
    more, in the vocal tract that fitted it (`recogniser.choose`), where the likeliest is none that was heard outright.
    """
    agreed = _agreed(found, proposals, page, language)
    if agreed:
        return meaning_of(agreed, page, language), agreed
    every = candidates(found, proposals, page, language)
    if not every:
        return None, ()
    likely = weigh(every)
    weights = {
        words: _FIT_OF_THE_NETWORK * fit
        + _FIT_OF_A_WORD * len(words)
        + beside_the_sound(words, page, language)
        for words, fit in zip(every, likely, strict=True)
    }
    likeliest_first = sorted(weights, key=lambda words: -weights[words])
    heard = _heard_outright(found, language)
    if likeliest_first[0] in heard and any(likely):
        # In all of 57 such readings to develop on the sound decided for the same again, and rightly.
        return meaning_of(likeliest_first[0], page, language), likeliest_first[0]
    compared = list(dict.fromkeys([*heard, *likeliest_first]))[:_MOST_COMPARED]
    words = choose({one: weights[one] for one in compared}, fitting_warp(found)).words
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
    """What the recogniser and the network heard, and what else either of them may have heard.

    Empty where both heard nothing. The words of a digit are one here (`recogniser.choose` tells them apart).
    """
    others = [way for one in found for way in _meant(one.others, page, language)[:_MOST_OTHERS]]
    sentences = [sentence for proposal in proposals for sentence in proposal.sentences]
    return list(
        dict.fromkeys([*_heard_outright(found, language), *others, *_meant(sentences, page, language)])
    )


def _heard_outright(found: Sequence[Recognised], language: Language) -> list[tuple[str, ...]]:
    """What the recogniser heard best with each vocal tract, with one word for each digit."""
    return [_one_word_a_digit(one.words, language) for one in found if one.words]


def _meant(sentences: Sequence[tuple[str, ...]], page: Page, language: Language) -> list[tuple[str, ...]]:
    """The sentences that mean something on the page, each once, with one word for each digit."""
    plain = dict.fromkeys(_one_word_a_digit(one, language) for one in sentences)
    return [words for words in plain if meaning_of(words, page, language) is not None]


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
