"""How long fixes last: the Kaplan-Meier estimate of boards still working, with Greenwood's error.

E. L. Kaplan and P. Meier, Nonparametric estimation from incomplete observations, JASA 53 (1958) 457-481;
M. Greenwood, The errors of sampling of the survivorship tables, 1926; interval on the log(-log) scale as
in J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.ledger import Ledger

Z_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Step:
    """One time at which boards came back. `error` is Greenwood's standard error of `share`."""

    days: float
    at_risk: int
    returned: int
    share: float
    error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class StillWorking:
    """Share still working after some days; `at_risk` boards were followed at least that long.

    `beyond` is True when nobody was followed that long: the share is then that of the last time known.
    """

    days: float
    share: float
    low: float
    high: float
    followed: int
    at_risk: int
    beyond: bool


@dataclass(frozen=True, slots=True)
class Lasting:
    """The survival curve. `followed` boards in all, `returned` of them with the same fault."""

    steps: tuple[Step, ...]
    followed: int
    returned: int
    times: tuple[float, ...]  # all times, sorted: for the number at risk on any day

    def still_working_after(self, days: float) -> StillWorking:
        """The estimate at a time; 1 (0 to 1) when nothing was followed."""
        at_risk = self.followed_for(days)
        last = self.times[-1] if self.times else 0.0
        share, low, high = 1.0, 1.0, 1.0
        for step in self.steps:
            if step.days > days:
                break
            share, low, high = step.share, step.low, step.high
        if not self.followed:
            low = 0.0
        elif share == 1.0:
            low = _low_without_return(max(at_risk, 1))
        elif share == 0.0:
            high = 1.0 - _low_without_return(self.followed)
        return StillWorking(days, share, low, high, self.followed, at_risk, days > last)

    def followed_for(self, days: float) -> int:
        """How many boards were followed at least that long."""
        return len(self.times) - bisect_left(self.times, days)

    def drawn(self, width_days: float) -> tuple[Step, ...]:
        """The steps that a drawing can show: of those within one width the last, which the others lead to."""
        last = {int(step.days // width_days): step for step in self.steps}
        return tuple(last.values())

    def median(self) -> float | None:
        """First time at which half or fewer still work, or None if that was never reached."""
        return next((step.days for step in self.steps if step.share <= 0.5 + 1e-12), None)


def _low_without_return(at_risk: int) -> float:
    """95 % one-sided lower bound 0.05^(1/n) for a share when none of n boards came back."""
    return float(0.05 ** (1.0 / at_risk))


def kaplan_meier(times: Iterable[float], returned: Iterable[bool], z: float = Z_95) -> Lasting:
    """The curve from times (days) and whether the board came back then (else it was last heard of then).

    At equal times returns come before boards lost from sight. Raises ValueError for a negative or
    undefined time.
    """
    pairs = [(float(time), bool(event)) for time, event in zip(times, returned, strict=True)]
    if any(not (math.isfinite(time) and time >= 0.0) for time, _ in pairs):
        raise ValueError("a time until return must be zero or more")
    days = np.array([time for time, _ in pairs])
    events = np.array([event for _, event in pairs], dtype=bool)
    steps: list[Step] = []
    share, variance_sum = 1.0, 0.0
    for time in np.unique(days[events]) if len(pairs) else ():
        at_risk = int((days >= time).sum())
        gone = int((events & (days == time)).sum())
        share *= 1.0 - gone / at_risk
        variance_sum += gone / (at_risk * (at_risk - gone)) if at_risk > gone else math.inf
        error = share * math.sqrt(variance_sum) if share > 0.0 else 0.0
        low, high = _log_log(share, variance_sum, z)
        steps.append(Step(float(time), at_risk, gone, share, error, low, high))
    return Lasting(tuple(steps), len(pairs), int(events.sum()), tuple(sorted(days.tolist())))


def _log_log(share: float, variance_sum: float, z: float) -> tuple[float, float]:
    """Interval on the log(-log) scale; (0, 1) stays inside by construction, all gone is (0, 0)."""
    if share <= 0.0:
        return (0.0, 0.0)
    spread = z * math.sqrt(variance_sum) / abs(math.log(share))
    return (share ** math.exp(min(spread, 700.0)), share ** math.exp(-spread))


def lasting_of(
    ledger: Ledger,
    *,
    section: str | None = None,
    part_class: str | None = None,
    family: str | None = None,
) -> Lasting:
    """The curve of the fixes recorded for a fault, a part class, a section, a family or any mix of them.

    Boards cured and then followed or come back count; a board nobody heard of again does not.
    """
    wanted = np.array(
        [
            (section is None or fault[0] == section) and (part_class is None or fault[1] == part_class)
            for fault in ledger.faults.values
        ],
        dtype=bool,
    )
    days, returned = _followed(ledger, wanted, family)
    return kaplan_meier(days.tolist(), returned.tolist())


def lasting_in_family(ledger: Ledger, family: str, faults: Sequence[tuple[str, str]]) -> tuple[Lasting, ...]:
    """The curve of each fault (section, part class) on the boards of a family; the cases are gone through once."""
    rows = ledger.rows
    mine = np.flatnonzero(rows.get("family") == ledger.families.find(family))
    fixed, back, followed = (rows.get(name)[mine] for name in ("fixed", "return_days", "followed_days"))
    counted = (rows.get("alive")[mine] == 1) & (fixed >= 0) & ((back >= 0) | (followed >= 0))
    days = np.where(back >= 0, back, followed)
    chosen = (counted & (fixed == ledger.faults.find(fault)) for fault in faults)
    return tuple(kaplan_meier(days[one].tolist(), (back[one] >= 0).tolist()) for one in chosen)


def _followed(ledger: Ledger, wanted: NDArray[Any], family: str | None) -> tuple[NDArray[Any], NDArray[Any]]:
    """Days (n,) and whether the board came back then (n,), for cured and followed cases."""
    rows = ledger.rows
    fixed = rows.get("fixed")
    chosen = (rows.get("alive") == 1) & (fixed >= 0)
    if len(wanted):
        chosen &= wanted[np.maximum(fixed, 0)]
    if family is not None:
        chosen &= rows.get("family") == ledger.families.find(family)
    back, followed = rows.get("return_days")[chosen], rows.get("followed_days")[chosen]
    known = (back >= 0) | (followed >= 0)
    back, followed = back[known], followed[known]
    return np.where(back >= 0, back, followed), back >= 0
