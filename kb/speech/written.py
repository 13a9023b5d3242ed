"""How what a grammar allows may be written by a model that writes text: words, figures, letters and marks.

"twelve volts twelve point six" may be written "12 volts, 12.6" or with every word written out, and everything between.
The words of the grammar stay what counts: each way of writing is a way of one or more sentences of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from kb.speech.automaton import Automaton
from kb.speech.language import Language

Cut = Callable[[str], tuple[int, ...]]
# What has to stand behind a figure that was begun.
_ANYTHING, _A_DIGIT, _TEN_UP, _NO_DIGIT = "", "digit", "ten up", "no digit"
_MOST_LETTERS = 4

# Ways to write a word beside the word itself.
OTHERWISE: Mapping[str, tuple[str, ...]] = {
    "volts": (" volt", " V", "V"),
    "millivolts": (" millivolt", " milli volts", " mV", "mV"),
    "kilovolts": (" kilovolt", " kV"),
    "amps": (" amp", " A"),
    "milliamps": (" milli amps", " mA"),
    "ohms": (" ohm", " Ohms"),
    "kilohms": (" kilo ohms", " k ohms", " K ohms"),
    "megohms": (" meg ohms", " mega ohms", " megaohms"),
    "kay": (" k", "k"),
    "milliohms": (" milli ohms",),
    "microfarads": (" micro farads",),
    "nanofarads": (" nano farads",),
    "picofarads": (" pico farads",),
    "standby": (" stand by", " stand-by"),
    "backlight": (" back light",),
}


class At(NamedTuple):
    """Where in the grammar somebody is: its state, the words so far, and what the figure under way needs next."""

    state: int
    words: tuple[str, ...] = ()
    in_figure: bool = False
    needs: str = _ANYTHING

    @property
    def is_begun(self) -> bool:
        """Whether a figure was begun that has to go on."""
        return self.needs in (_A_DIGIT, _TEN_UP)


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to write a word: its pieces, whether they go on in a figure, and what that then needs."""

    pieces: tuple[int, ...]
    goes_on: bool = False
    in_figure: bool = False
    needs: str = _ANYTHING


class Writing:
    """The ways to write the sentences of one grammar."""

    def __init__(self, automaton: Automaton, language: Language, cut: Cut) -> None:
        self._cut, self._language = cut, language
        self._final = automaton.final
        self._arcs: dict[int, list[tuple[str, int]]] = {}
        for source, target, word in automaton.arcs:
            self._arcs.setdefault(source, []).append((word, target))
        self._letters = {said: letter.upper() for letter, said in language.letters.items() if " " not in said}
        self._ways = lru_cache(maxsize=4096)(self._ways_of)

    def may_end(self, at: At) -> bool:
        """Whether a sentence is complete here."""
        return bool(at.words) and at.state in self._final and not at.is_begun

    def may_pause(self, at: At) -> bool:
        """Whether a comma may stand here."""
        return bool(at.words) and not at.is_begun

    def after_pause(self, at: At) -> At:
        """The same place, where no figure goes on."""
        return At(at.state, at.words)

    def onward(self, at: At) -> Iterator[tuple[tuple[int, ...], At]]:
        """The pieces of every way to write what may be said next, each with where it leads."""
        if not at.is_begun:
            yield from self._spelt(at)
        for word, target in self._arcs.get(at.state, ()):
            if (
                word in self._letters
                and word not in self._language.digits
                and word not in self._language.units
            ):
                continue
            for way in self._ways(word, not at.words):
                there = self._after(at, word, target, way)
                if there is None:
                    continue
                if way.pieces:
                    yield way.pieces, there
                else:
                    yield from self.onward(there)

    def _spelt(self, at: At) -> Iterator[tuple[tuple[int, ...], At]]:
        """Letters that are said one by one, written as one word or as several."""
        for words, target in self._runs(at.state, _MOST_LETTERS):
            letters = [self._letters[word] for word in words]
            there = At(target, at.words + words)
            yield self._cut((" " if not at.in_figure else "") + "".join(letters)), there
            if len(letters) > 1:
                yield self._cut(" " + " ".join(letters)), there

    def _runs(self, state: int, most: int) -> Iterator[tuple[tuple[str, ...], int]]:
        for word, target in self._arcs.get(state, ()):
            if word in self._letters:
                yield (word,), target
                if most > 1:
                    for words, end in self._runs(target, most - 1):
                        yield (word, *words), end

    def _after(self, at: At, word: str, target: int, way: _Way) -> At | None:
        """Where a way of writing a word leads, None where it cannot stand behind what was written."""
        if not way.goes_on:
            if at.is_begun:
                return None
            return At(target, (*at.words, word), way.in_figure, way.needs)
        if not at.in_figure and not (at.words and at.words[-1] in self._letters):
            return None
        is_digit, joins = word in self._language.digits, word in self._language.joined_by
        if at.needs == _A_DIGIT and not (is_digit or joins):
            return None
        if at.needs == _TEN_UP and (is_digit or word in self._language.point):
            return None
        if at.needs == _NO_DIGIT and word not in self._language.point:
            return None
        if at.needs == _ANYTHING and joins:
            return None
        return At(target, (*at.words, word), True, at.needs if joins else way.needs)

    def _ways_of(self, word: str, first: bool) -> tuple[_Way, ...]:
        """All ways to write a word; `first` where it begins the sentence and may have a capital."""
        language, cut = self._language, self._cut
        ways = [_Way(cut(f" {word}"))]
        if word in language.digits:
            figure = str(language.digits[word])
            ways += [_Way(cut(f" {figure}"), in_figure=True), _Way(cut(figure), True, True)]
        elif word in language.tens:
            for blank in (" ", ""):
                whole = str(language.tens[word])
                goes_on = not blank
                ways.append(_Way(cut(blank + whole[0]), goes_on, True, _A_DIGIT))
                ways.append(_Way(cut(blank + whole), goes_on, True, _NO_DIGIT))
        elif word in language.small:
            figure = str(language.small[word])
            ways += [
                _Way(cut(f" {figure}"), False, True, _NO_DIGIT),
                _Way(cut(figure), True, True, _NO_DIGIT),
            ]
        elif word in language.hundred:
            ways += [_Way(cut("00"), True, True, _NO_DIGIT), _Way(cut("0"), True, True, _A_DIGIT)]
            ways.append(_Way((), True, True, _TEN_UP))
        elif word in language.joined_by:
            ways.append(_Way((), True, True))
        elif word in language.point:
            ways.append(_Way(cut("."), True, True))
        elif word in language.minus:
            ways.append(_Way(cut(" -"), False, True))
        else:
            ways += [_Way(cut(other)) for other in OTHERWISE.get(word, ())]
        if first:
            ways.append(_Way(cut(f" {word.capitalize()}")))
        return tuple(dict.fromkeys(ways))


def in_words(words: Sequence[str], language: Language) -> str:
    """A sentence as it is written in words alone, with a capital and behind a blank."""
    letters = {
        said: letter.upper() for letter, said in language.letters.items() if said not in language.digits
    }
    text = " ".join(letters.get(word, word) for word in words)
    return f" {text[:1].upper()}{text[1:]}"
