"""What the reader is given and what it hands back. All places are characters of the text as it was given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KnownRail:
    """A rail of the board family; `nominal_v` in volts, `tolerance_pct` in per cent of it, None where not stated."""

    name: str
    role: str
    nominal_v: float
    always_on: bool = False
    tolerance_pct: float | None = None


@dataclass(frozen=True, slots=True)
class KnownPart:
    """What a designator was in the family's earlier cases."""

    part: str
    part_class: str
    section: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is known before a text is read: the family's rails and parts, the shop's own names.

    `symptoms` and `part_classes` are (name, other names) and are read beside the word lists.
    """

    rails: tuple[KnownRail, ...] = ()
    parts: tuple[KnownPart, ...] = ()
    symptoms: tuple[tuple[str, tuple[str, ...]], ...] = ()
    part_classes: tuple[tuple[str, tuple[str, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of the text: `words` are its characters from `start` to before `end`."""

    words: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class ReadSymptom(Span):
    """A symptom of the list, present or denied."""

    name: str
    present: bool


@dataclass(frozen=True, slots=True)
class ReadReading(Span):
    """A measured value in SI base units. Exactly one of `rail` and `point` is set.

    `supply` and `load` are None where the text does not say them and nothing implies them.
    """

    rail: str | None
    point: str | None
    quantity: str
    supply: str | None = None
    load: str | None = None
    value: float | None = None
    min: float | None = None
    max: float | None = None
    after_repair: bool = False


@dataclass(frozen=True, slots=True)
class ReadAttempt(Span):
    """A part that was found bad or worked on. `cause` is True for what failed first, False for what
    followed, None where neither is said nor plain."""

    part: str | None = None
    part_class: str | None = None
    section: str | None = None
    failure: str | None = None
    action: str | None = None
    result: str | None = None
    cause: bool | None = None


@dataclass(frozen=True, slots=True)
class ReadWord(Span):
    """One word of a fixed list, such as the verdict, or a day as year-month-day."""

    value: str


@dataclass(frozen=True, slots=True)
class ReadAmount(Span):
    """A number: whole minutes, or money in the shop's currency."""

    value: float


@dataclass(frozen=True, slots=True)
class Read:
    """Everything that was read, each list in the order of the text. `left` holds what could not be placed.

    `proposed` are symptoms that were read in a way that is too often wrong to be taken: a person decides. Their
    words stand in `left` as well.
    """

    symptoms: tuple[ReadSymptom, ...] = ()
    proposed: tuple[ReadSymptom, ...] = ()
    readings: tuple[ReadReading, ...] = ()
    attempts: tuple[ReadAttempt, ...] = ()
    verdict: ReadWord | None = None
    minutes: ReadAmount | None = None
    cost: ReadAmount | None = None
    dates: tuple[ReadWord, ...] = ()
    left: tuple[Span, ...] = ()

    def marks(self) -> tuple[Span, ...]:
        """All that was read, by where it stands; pages mark these pieces of the text."""
        single = [mark for mark in (self.verdict, self.minutes, self.cost) if mark is not None]
        found: list[Span] = [*self.symptoms, *self.readings, *self.attempts, *self.dates, *single]
        return tuple(sorted(found, key=lambda mark: (mark.start, mark.end)))


def own_names(
    entries: Sequence[tuple[str, Sequence[str]]], standard: Mapping[str, frozenset[str]]
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Of a shop's (name, other names) those that not every store has: the reader knows the `standard` ones."""
    own = []
    for name, others in entries:
        more = tuple(word for word in others if word not in standard.get(name, frozenset()))
        if more or name not in standard:
            own.append((name, more))
    return tuple(own)
