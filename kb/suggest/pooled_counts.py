"""A shop's own counts and those of other shops added up, each case of others counting less than one.

Counts are additive, so the sum for any weight is the own counts plus the weight times the others'. Every
back-off works on the sum as it does on plain counts; only its cases are still the shop's own, so that
leave-one-out judges by these alone.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.growable import Column, Table
from kb.suggest.ledger import Ledger
from kb.suggest.opinions import name_what_is_known
from kb.suggest.settings import Settings


class Weighed(Ledger):
    """What `weigh` returns: to be read, never added to. `own` is the ledger it was made from."""

    _SHARED = (
        "seen",
        "version",
        "others",
        "marks",
        "token",
        "opinions",
        "catalogue",
        "lines",
        "faults",
        "sections",
        "families",
        "kinds",
        "parts",
        "failures",
        "rows",
        "section_of",
        "tallies",
        "family_tallies",
        "family_kinds",
        "judged",
    )

    def __init__(self, own: Ledger, weight: float) -> None:
        super().__init__(own.warranty_days)
        self.own, self.weight = own, weight
        for name in self._SHARED:
            setattr(self, name, getattr(own, name))

    def holders(self) -> NDArray[np.int64]:
        assert self.others is not None
        return self.own.cases_of_fault.view + self.others.cases_of_fault.view

    def cases_in_family(self, family: int) -> NDArray[np.float64]:
        assert self.others is not None
        return self.own.cases_in_family(family) + self.weight * self.others.cases_in_family(family)

    def other_holder(self, fault: int, row: int) -> tuple[float, int, int]:
        assert self.others is not None
        if self.own.cases_of_fault.view[fault] == 2:
            return self.own.other_holder(fault, row)
        _, family, kind = self.others.other_holder(fault, -1)
        return self.weight, family, kind


def counted(ledger: Ledger, settings: Settings) -> Ledger:
    """The counts to rank by: the ledger itself where no other shop's case counts, else the weighed sum.

    The sum is kept until the counts or the weight change.
    """
    if isinstance(ledger, Weighed):
        return ledger
    if settings.general is not None:
        name_what_is_known(ledger, settings.general)
    kept: Weighed | None = ledger.weighed
    if kept is None or kept.version != ledger.version or kept.weight != settings.others_weight:
        made = weigh(ledger, settings.others_weight)
        if not isinstance(made, Weighed):
            return made
        made.tables = kept.tables if kept is not None and kept.weight == made.weight else None
        kept = ledger.weighed = made
    return kept


def own_of(ledger: Ledger) -> Ledger:
    """The shop's own counts behind what `counted` answered."""
    return ledger.own if isinstance(ledger, Weighed) else ledger


def weigh(ledger: Ledger, weight: float) -> Ledger:
    """The sum for one weight; the ledger itself where the weight is 0 or no other shop's case is there."""
    others = ledger.others
    if others is None or not len(others) or weight == 0.0:
        return ledger
    others.make_room()
    made = Weighed(ledger, weight)
    made.known = ledger.known + weight * others.known  # type: ignore[assignment]
    made.doubles = ledger.doubles + weight * others.doubles  # type: ignore[assignment]
    for name in ("cases_of_fault", "family_cases"):
        setattr(made, name, Column(np.float64, _sum(ledger, others, name, weight)))
    for name in ("item_fault", "feature_fault", "kind_fault"):
        setattr(made, name, Table(_sum(ledger, others, name, weight)))
    _weigh_singles(made, ledger, others)
    return made


def _sum(own: Ledger, others: Ledger, name: str, weight: float) -> NDArray[Any]:
    total: NDArray[Any] = getattr(own, name).view + weight * getattr(others, name).view
    return total


def _weigh_singles(made: Weighed, own: Ledger, others: Ledger) -> None:
    """Cases whose fault no other case has, here or elsewhere, each at its weight."""
    in_family: Counter[int] = Counter()
    in_kind: Counter[int] = Counter()
    total = 0.0
    for fault in np.flatnonzero(made.holders() == 1).tolist():
        mine = bool(own.cases_of_fault.view[fault])
        _, family, kind = (own if mine else others).other_holder(fault, -1)
        weight = 1.0 if mine else made.weight
        total += weight
        in_family[family] += weight  # type: ignore[assignment]
        in_kind[kind] += weight  # type: ignore[assignment]
    made.cases_with_count = Counter({1: total})
    made.single_in_family, made.single_in_kind = in_family, in_kind
