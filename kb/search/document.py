"""What goes into the index and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import Any

FACETS = ("family", "section", "part_class", "verdict", "year")
OPEN = "on the bench"
"""What stands in the place of a verdict while a case is open."""


@dataclass(frozen=True, slots=True)
class CaseDocument:
    """One case as search sees it. `fixes` are failure and action words, one string for each attempt.

    `symptoms` are those present; `absent` ones are kept but never found. `verdict` is empty while the
    case is open. `cured` says that an attempt cured the board for good as far as is known, `verified` that
    this was proved afterwards. `day` is the ordinal of the day the case is counted by, 0 where there is none.
    """

    uid: str
    family: str
    aliases: tuple[str, ...] = ()
    kind: str = ""
    complaint: str = ""
    symptoms: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    notes: str = ""
    parts: tuple[str, ...] = ()
    part_classes: tuple[str, ...] = ()
    sections: tuple[str, ...] = ()
    fixes: tuple[str, ...] = ()
    verdict: str = ""
    year: int | None = None
    cured: bool = False
    verified: bool = False
    day: int = 0

    def as_stored(self) -> tuple[object, ...]:
        """The plain tuple that the index stores."""
        stored: tuple[object, ...] = _AS_STORED(self)
        return stored

    @classmethod
    def from_stored(cls, stored: list[Any]) -> CaseDocument:
        """The case of `as_stored`, where tuples may have become lists. Raises TypeError."""
        values: Any = [tuple(value) if isinstance(value, list) else value for value in stored]
        return cls(*values)

    def facet_values(self, facet: str) -> tuple[str, ...]:
        """The values of this case for one of `FACETS`; none where it has no value."""
        if facet == "family":
            return (self.family,) if self.family else ()
        if facet == "section":
            return tuple(dict.fromkeys(value for value in self.sections if value))
        if facet == "part_class":
            return tuple(dict.fromkeys(value for value in self.part_classes if value))
        if facet == "verdict":
            return (self.verdict or OPEN,)
        return () if self.year is None else (str(self.year),)


_AS_STORED = attrgetter(*(part.name for part in fields(CaseDocument)))


@dataclass(frozen=True, slots=True)
class Filters:
    """Narrow a search to one value each; empty means any."""

    family: str = ""
    section: str = ""
    part_class: str = ""
    verdict: str = ""
    year: int | None = None

    def chosen(self) -> tuple[tuple[str, str], ...]:
        """The facets that are narrowed, with their value."""
        pairs = [(name, getattr(self, name)) for name in FACETS]
        return tuple((name, str(value)) for name, value in pairs if value not in ("", None))


@dataclass(frozen=True, slots=True)
class Snippet:
    """A piece of the case where the words matched: `label` names the field, `pieces` are (text, matched)."""

    label: str
    pieces: tuple[tuple[str, bool], ...]

    @property
    def text(self) -> str:
        """The snippet without marks."""
        return "".join(text for text, _ in self.pieces)


@dataclass(frozen=True, slots=True)
class Hit:
    """One case found."""

    uid: str
    family: str
    score: float
    snippet: Snippet


@dataclass(frozen=True, slots=True)
class Results:
    """The answer to a search.

    `total` counts every match and `facets` counts them by value, most frequent first. `did_you_mean` is the
    query with misspelt words corrected, or None. `unknown` are the words that no case holds.
    """

    total: int
    hits: tuple[Hit, ...]
    facets: dict[str, tuple[tuple[str, int], ...]] = field(default_factory=dict)
    did_you_mean: str | None = None
    unknown: tuple[str, ...] = ()
