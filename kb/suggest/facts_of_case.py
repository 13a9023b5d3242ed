"""What the statistics see of a case, and what they are asked about: frozen values, nothing else.

Money is in the shop's own currency, times in minutes, spans in days. `supply`, `load`, `condition`,
`result`, `verdict` and `section` are values of `kb.facts.vocabulary`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from kb.errors import BadInput


@dataclass(frozen=True, slots=True)
class RailFact:
    """One noted rail condition, told by the rail's role so that families can learn from one another.

    `value` is what was read as a share of the rail's nominal voltage; None where no single value was. `marginal` says
    that it proves nothing though it may be in tolerance: a recorded lowest or highest was outside the window, or the
    window is only assumed and the value lies near its bound.
    """

    role: str
    supply: str
    load: str
    condition: str
    value: float | None = None
    marginal: bool = False

    @property
    def key(self) -> RailKey:
        """What was measured, without the outcome: (role, supply state, load)."""
        return (self.role, self.supply, self.load)


RailKey = tuple[str, str, str]
Fault = tuple[str, str]  # (section, part class)


@dataclass(frozen=True, slots=True)
class FixTry:
    """One fix that was tried on a case; `cost` in currency and `minutes` may be unknown.

    `cause` says, where several parts were replaced, whether a person called this one the cause; None where
    nobody said.
    """

    section: str
    part_class: str
    part: str
    failure: str
    action: str
    result: str
    cost: float | None = None
    minutes: float | None = None
    cause: bool | None = None


@dataclass(frozen=True, slots=True)
class Tried:
    """A fix that was tried on the board on the bench; section, part class or part may be unknown (empty)."""

    section: str = ""
    part_class: str = ""
    part: str = ""
    result: str = "no change"


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """All that one case contributes. Symptoms are (name, present?); not listed means not noted.

    `others` marks a case that another shop recorded.
    """

    uid: str
    family: str
    kind: str
    verdict: str | None
    closed: date | None
    symptoms: tuple[tuple[str, bool], ...] = ()
    rails: tuple[RailFact, ...] = ()
    tries: tuple[FixTry, ...] = ()
    same_fault_return_days: int | None = None
    followed_days: int | None = None
    others: bool = False


@dataclass(frozen=True, slots=True)
class PartFound:
    """A part measured or seen to be bad, or right: log likelihood ratios of causes against all not named."""

    label: str
    log_ratios: tuple[tuple[Fault, float], ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of the board on the bench; every part may be missing.

    `complete` says that nothing else is to be said of it: then what was not mentioned counts in full, and not
    only by as much as has been noted so far.
    """

    family: str | None = None
    kind: str | None = None
    symptoms: tuple[tuple[str, bool], ...] = ()
    rails: tuple[RailFact, ...] = ()
    tried: tuple[Tried, ...] = ()
    found: tuple[PartFound, ...] = ()
    complete: bool = False


def contradictions(symptoms: Iterable[tuple[str, bool]]) -> tuple[str, ...]:
    """Names of symptoms that are said to be both present and not present, in order of name."""
    said: dict[str, set[bool]] = {}
    for name, present in symptoms:
        said.setdefault(name, set()).add(bool(present))
    return tuple(sorted(name for name, values in said.items() if len(values) == 2))


def refuse_contradictions(evidence: Evidence) -> None:
    """Raise BadInput when a symptom is given as present and as not present at once."""
    twice = contradictions(evidence.symptoms)
    if twice:
        raise BadInput(
            f"The symptom “{twice[0]}” is marked both present and not present.",
            field="symptoms",
            remedy="Keep one of the two, or take the symptom out if you are not sure.",
        )
