"""How often each fix was tried and cured, what it took, and which parts it was: read from a ledger."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.back_off import Floats
from kb.suggest.intervals import jeffreys
from kb.suggest.ledger import Ledger
from kb.suggest.rows import MONEY_STEPS, TIME_STEPS
from kb.suggest.settings import Settings
from kb.suggest.tally import Tally
from kb.suggest.unseen import lean


@dataclass(frozen=True, slots=True)
class Record:
    """A fix as recorded, over all boards or one family. `rate` is the plain share, None when not tried."""

    section: str
    part_class: str
    cases: int
    tried: int
    cured: int
    rate: float | None
    interval: tuple[float, float]
    parts: tuple[tuple[str, int], ...]
    failures: tuple[str, ...]
    cost: float | None
    minutes: float | None


def fix_records(ledger: Ledger, family: str | None = None) -> tuple[Record, ...]:
    """All fixes tried on a family, or on all boards; the one that cured most often first."""
    if family is None:
        tallies = list(enumerate(ledger.tallies))
    else:
        number = ledger.families.find(family)
        tallies = list(ledger.family_tallies[number].items()) if number >= 0 else []
    records = [
        _record(ledger, fault, tally, family is not None) for fault, tally in tallies if not tally.empty
    ]
    return tuple(sorted(records, key=lambda one: (-one.cured, -one.tried, one.section, one.part_class)))


def _record(ledger: Ledger, fault: int, tally: Tally, with_parts: bool) -> Record:
    section, part_class = ledger.faults.values[fault]
    return Record(
        section,
        part_class,
        tally.cases,
        tally.tried,
        tally.cured,
        tally.cured / tally.tried if tally.tried else None,
        jeffreys(tally.cured, tally.tried),
        counted_names(ledger.parts.values, tally.parts) if with_parts else (),
        tuple(name for name, _ in counted_names(ledger.failures.values, tally.failures)),
        mean_cost(tally),
        mean_minutes(tally),
    )


def counted_names(names: list[str], counts: dict[int, int]) -> tuple[tuple[str, int], ...]:
    """Names with their counts, the most frequent first, then by name."""
    pairs = [(names[number], cases) for number, cases in counts.items()]
    return tuple(sorted(pairs, key=lambda pair: (-pair[1], pair[0])))


def mean_cost(tally: Tally) -> float | None:
    return tally.cost_sum / tally.cost_known / MONEY_STEPS if tally.cost_known else None


def mean_minutes(tally: Tally) -> float | None:
    return tally.minutes_sum / tally.minutes_known / TIME_STEPS if tally.minutes_known else None


@dataclass(frozen=True, slots=True)
class FixFigures:
    """Per known fault, shape (K,): cure rate, parts cost and minutes of one try, leaned on more general levels."""

    cure_rate: Floats
    cost: Floats
    minutes: Floats
    money: Floats  # cost + minutes at the bench rate


def fix_figures(ledger: Ledger, faults: NDArray[Any], family: int, settings: Settings) -> FixFigures:
    """Figures used for ordering: fixes in general, then this fix on all boards, then within the family.

    The top of the cure rate is the share of all tries that cured, with Jeffreys' half case each way.
    """
    tallies = [ledger.tallies[fault] for fault in faults.tolist()]
    inside = ledger.family_tallies[family] if family >= 0 else {}
    in_family = [inside.get(fault) for fault in faults.tolist()]
    rates = list(_leaned(tallies, in_family, "cured", "tried", 0.5, 1.0, settings.k_cure))
    cost = list(
        _leaned(
            tallies,
            in_family,
            "cost_sum",
            "cost_known",
            settings.default_cost * MONEY_STEPS,
            1.0,
            settings.k_cure,
        )
    )
    minutes = list(
        _leaned(
            tallies,
            in_family,
            "minutes_sum",
            "minutes_known",
            settings.default_minutes * TIME_STEPS,
            1.0,
            settings.k_cure,
        )
    )
    rate, parts, time = np.array(rates), np.array(cost) / MONEY_STEPS, np.array(minutes) / TIME_STEPS
    return FixFigures(rate, parts, time, parts + time * settings.bench_rate_per_hour / 60.0)


def _leaned(
    tallies: list[Tally],
    in_family: list[Tally | None],
    amount: str,
    known: str,
    start: float,
    start_weight: float,
    weight: float,
) -> Iterator[float]:
    """Mean of amount / known per fault: family leaning on all boards leaning on fixes in general."""
    total = sum(getattr(tally, amount) for tally in tallies)
    times = sum(getattr(tally, known) for tally in tallies)
    general = (total + start) / (times + start_weight)
    for tally, mine in zip(tallies, in_family, strict=True):
        mean = lean(getattr(tally, amount), getattr(tally, known), general, weight)
        yield mean if mine is None else lean(getattr(mine, amount), getattr(mine, known), mean, weight)
