"""How often each fix was tried and cured, what it took, and which parts it was: read from a ledger."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.intervals import jeffreys
from kb.suggest.ledger import Ledger
from kb.suggest.pooled_counts import Weighed, own_of
from kb.suggest.questions import Floats
from kb.suggest.rows import MONEY_STEPS, TIME_STEPS
from kb.suggest.settings import Settings
from kb.suggest.tally import Tally
from kb.suggest.unseen import lean


@dataclass(frozen=True, slots=True)
class Record:
    """A fix as recorded, over all boards or one family. `rate` is the plain share, None when not tried.

    `others_tried` and `others_cured` are what other shops recorded of it; everything else is the shop's own.
    """

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
    others_tried: int = 0
    others_cured: int = 0


def fix_records(ledger: Ledger, family: str | None = None) -> tuple[Record, ...]:
    """All fixes tried on a family, or on all boards; the one that cured most often first."""
    own, others = _tallies(ledger, family), _tallies(ledger.others, family)
    nothing = Tally()
    records = [
        _record(ledger, fault, own.get(fault, nothing), others.get(fault, nothing), family is not None)
        for fault in sorted(own.keys() | others.keys())
    ]
    return tuple(
        sorted(
            records,
            key=lambda one: (
                -one.cured,
                -one.tried,
                -one.others_cured,
                -one.others_tried,
                one.section,
                one.part_class,
            ),
        )
    )


def _tallies(ledger: Ledger | None, family: str | None) -> dict[int, Tally]:
    """Tallies by fault, those without anything left out."""
    if ledger is None:
        return {}
    found = dict(enumerate(ledger.tallies))
    if family is not None:
        number = ledger.families.find(family)
        found = ledger.family_tallies[number] if 0 <= number < len(ledger.family_tallies) else {}
    return {fault: tally for fault, tally in found.items() if not tally.empty}


def _record(ledger: Ledger, fault: int, tally: Tally, others: Tally, with_parts: bool) -> Record:
    section, part_class = ledger.faults.values[fault]
    return Record(
        section,
        part_class,
        tally.cases,
        tally.tried,
        tally.cured,
        tally.cured / tally.tried if tally.tried else None,
        jeffreys(tally.cured, tally.tried),
        counted_names(ledger.parts.values, tally.parts or others.parts) if with_parts else (),
        tuple(name for name, _ in counted_names(ledger.failures.values, tally.failures or others.failures)),
        mean_cost(tally),
        mean_minutes(tally),
        others.tried,
        others.cured,
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
    """Per fault, shape (K,): parts cost and minutes of one try, leaned on more general levels."""

    cost: Floats
    minutes: Floats
    money: Floats  # cost + minutes at the bench rate


def fix_figures(ledger: Ledger, faults: NDArray[Any], family: int, settings: Settings) -> FixFigures:
    """Figures used for ordering: fixes in general, then this fix on all boards, then within the family."""
    amounts = _Amounts(ledger, faults, family)
    cost = list(
        _leaned(
            amounts,
            "cost_sum",
            "cost_known",
            settings.default_cost * MONEY_STEPS,
            1.0,
            settings.k_cure,
        )
    )
    minutes = list(
        _leaned(
            amounts,
            "minutes_sum",
            "minutes_known",
            settings.default_minutes * TIME_STEPS,
            1.0,
            settings.k_cure,
        )
    )
    parts, time = np.array(cost) / MONEY_STEPS, np.array(minutes) / TIME_STEPS
    return FixFigures(parts, time, parts + time * settings.bench_rate_per_hour / 60.0)


class _Amounts:
    """Sums of the known faults on all boards and within a family, those of other shops at their weight."""

    def __init__(self, ledger: Ledger, faults: NDArray[Any], family: int) -> None:
        shops = [(1.0, own_of(ledger))]
        if isinstance(ledger, Weighed) and ledger.others is not None:
            shops.append((ledger.weight, ledger.others))
        numbers = faults.tolist()
        self._everywhere = [(weight, [one.tallies[fault] for fault in numbers]) for weight, one in shops]
        inside = [(weight, one.family_tallies[family] if family >= 0 else {}) for weight, one in shops]
        self._inside = [(weight, [of.get(fault) for fault in numbers]) for weight, of in inside]

    def everywhere(self, name: str) -> list[float]:
        return _weighed_sum(self._everywhere, name)

    def inside(self, name: str) -> list[float]:
        return _weighed_sum(self._inside, name)


def _weighed_sum(shops: Sequence[tuple[float, Sequence[Tally | None]]], name: str) -> list[float]:
    (_, own), *others = shops
    total = [getattr(tally, name) if tally else 0 for tally in own]
    for weight, tallies in others:
        total = [
            mine + weight * getattr(tally, name) if tally else mine
            for mine, tally in zip(total, tallies, strict=True)
        ]
    return total


def _leaned(
    amounts: _Amounts, amount: str, known: str, start: float, start_weight: float, weight: float
) -> Iterator[float]:
    """Mean of amount / known per fault: family leaning on all boards leaning on fixes in general."""
    totals, times = amounts.everywhere(amount), amounts.everywhere(known)
    general = (sum(totals) + start) / (sum(times) + start_weight)
    rows = zip(totals, times, amounts.inside(amount), amounts.inside(known), strict=True)
    for total, seen, total_inside, seen_inside in rows:
        yield lean(total_inside, seen_inside, lean(total, seen, general, weight), weight)
