"""A grammar as the smallest automaton that accepts the same sentences.

A recogniser that expands each rule wherever it is named gets a hundred times the states that it needs, and each of
them costs time with every frame of sound. Built by Thompson's construction, the subset construction and Moore's
partition (Hopcroft, Motwani & Ullman, Introduction to Automata Theory, 2.3 to 2.5 and 4.4; from memory).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from kb.speech.language import Language

_TOKEN = re.compile(r"<\w+>|[()\[\]|]|[^\s()\[\]|<>]+")


@dataclass(frozen=True, slots=True)
class Automaton:
    """States from 0, which is the start; `arcs` are (from, to, word), `final` where a sentence may end."""

    states: int
    arcs: tuple[tuple[int, int, str], ...]
    final: frozenset[int]

    def accepts(self, words: Sequence[str]) -> bool:
        """Whether the words are a sentence of the grammar."""
        steps = {(source, word): target for source, target, word in self.arcs}
        state: int | None = 0
        for word in words:
            state = steps.get((state, word)) if state is not None else None
        return state in self.final


def tree_of(
    sentences: Iterable[tuple[str, ...]], language: Language
) -> tuple[Automaton, dict[tuple[str, ...], int]]:
    """A tree of sentences and the state of each beginning, so that what begins alike is compared with a sound once.

    A digit may be said by any of its words, whichever the sentence has.
    """
    states: dict[tuple[str, ...], int] = {(): 0}
    arcs: list[tuple[int, int, str]] = []
    whole = list(sentences)
    for words in whole:
        for length in range(1, len(words) + 1):
            if words[:length] not in states:
                states[words[:length]] = len(states)
                word = words[length - 1]
                alike = (
                    [one for one, digit in language.digits.items() if digit == language.digits[word]]
                    if word in language.digits
                    else [word]
                )
                arcs += [(states[words[: length - 1]], states[words[:length]], one) for one in alike]
    return Automaton(len(states), tuple(arcs), frozenset(states[words] for words in whole)), states


@dataclass(slots=True)
class _Parts:
    """An automaton under way, with steps that need no word."""

    steps: list[list[tuple[str, int]]] = field(default_factory=list)

    def state(self) -> int:
        self.steps.append([])
        return len(self.steps) - 1

    def step(self, source: int, word: str, target: int) -> None:
        self.steps[source].append((word, target))


def automaton_of(grammar: str) -> Automaton:
    """The automaton of a grammar as `grammar.grammar_of` writes it; its first rule is the sentence."""
    rules = {}
    for line in grammar.splitlines():
        name, is_rule, body = line.removeprefix("public ").partition(" = ")
        if is_rule:
            rules[name.strip("<>")] = _TOKEN.findall(body.removesuffix(";"))
    parts = _Parts()
    start, end = _alternatives(parts, rules, deque(rules[next(iter(rules))]))
    return _smallest(*_without_choices(parts, start, end))


def _alternatives(parts: _Parts, rules: dict[str, list[str]], tokens: deque[str]) -> tuple[int, int]:
    start, end = parts.state(), parts.state()
    while True:
        first, last = _sequence(parts, rules, tokens)
        parts.step(start, "", first)
        parts.step(last, "", end)
        if not tokens or tokens[0] != "|":
            return start, end
        tokens.popleft()


def _sequence(parts: _Parts, rules: dict[str, list[str]], tokens: deque[str]) -> tuple[int, int]:
    first = last = parts.state()
    while tokens and tokens[0] not in "|)]":
        token = tokens.popleft()
        if token in "([":
            inner, behind = _alternatives(parts, rules, tokens)
            tokens.popleft()
            if token == "[":
                parts.step(inner, "", behind)
        elif token.startswith("<"):
            inner, behind = _alternatives(parts, rules, deque(rules[token[1:-1]]))
        else:
            inner, behind = parts.state(), parts.state()
            parts.step(inner, token, behind)
        parts.step(last, "", inner)
        last = behind
    return first, last


def _reached(parts: _Parts, states: frozenset[int]) -> frozenset[int]:
    found, to_do = set(states), list(states)
    while to_do:
        for word, target in parts.steps[to_do.pop()]:
            if not word and target not in found:
                found.add(target)
                to_do.append(target)
    return frozenset(found)


def _without_choices(parts: _Parts, start: int, end: int) -> tuple[list[dict[str, int]], set[int]]:
    """The subset construction: for each state where a word leads, and which states may end."""
    first = _reached(parts, frozenset({start}))
    numbers, to_do = {first: 0}, deque([first])
    steps: list[dict[str, int]] = [{}]
    while to_do:
        subset = to_do.popleft()
        by_word: dict[str, set[int]] = {}
        for state in subset:
            for word, target in parts.steps[state]:
                if word:
                    by_word.setdefault(word, set()).add(target)
        for word, targets in by_word.items():
            reached = _reached(parts, frozenset(targets))
            if reached not in numbers:
                numbers[reached] = len(steps)
                steps.append({})
                to_do.append(reached)
            steps[numbers[subset]][word] = numbers[reached]
    return steps, {number for subset, number in numbers.items() if end in subset}


def _smallest(steps: list[dict[str, int]], final: set[int]) -> Automaton:
    """Moore's partition: states that nothing tells apart are one."""
    block = [int(state in final) for state in range(len(steps))]
    while True:
        seen: dict[tuple[object, ...], int] = {}
        made = []
        for state, words in enumerate(steps):
            signature = (block[state], *sorted((word, block[target]) for word, target in words.items()))
            made.append(seen.setdefault(signature, len(seen)))
        if len(seen) == len(set(block)):
            break
        block = made
    # The start keeps the number 0, since states are numbered as they are met.
    order: dict[int, int] = {}
    for one in block:
        order.setdefault(one, len(order))
    arcs = {
        (order[block[state]], order[block[target]], word)
        for state, words in enumerate(steps)
        for word, target in words.items()
    }
    return Automaton(len(order), tuple(sorted(arcs)), frozenset(order[block[state]] for state in final))
