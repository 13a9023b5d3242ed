"""What a ledger counted, in words and not in its own numbers, so that two ledgers can be compared."""

from __future__ import annotations

from kb.suggest.facts_of_case import Fault
from kb.suggest.ledger import Ledger


def told_of(ledger: Ledger, uid: str) -> tuple[object, ...]:
    """What one case contributed, and whether as another shop's. Raises KeyError for one that is not counted."""
    row = ledger.rows.find(uid)
    if row is None:
        if ledger.others is None:
            raise KeyError(uid)
        return ("another shop's", told_of(ledger.others, uid))
    column = ledger.rows.get
    numbers = (int(column("fault")[row]), int(column("fixed")[row]))
    sound = int(column("sound")[row])
    faults = tuple(ledger.faults.values[number] if number >= 0 else None for number in numbers)
    days = tuple(int(column(name)[row]) for name in ("closed", "return_days", "followed_days"))
    items = sorted(
        (
            str(ledger.lines.features.values[ledger.lines.feature_of.view[item]]),
            ledger.lines.outcome_label(item),
            value,
        )
        for item, value in zip(
            ledger.rows.items_of(row).tolist(), ledger.rows.values_of(row).tolist(), strict=True
        )
    )
    tries = tuple(
        (
            ledger.faults.values[one.fault],
            ledger.parts.values[one.part] if one.part >= 0 else "",
            ledger.failures.values[one.failure] if one.failure >= 0 else "",
            (one.result, one.cost, one.minutes),
        )
        for one in ledger.rows.tries_of(row)
    )
    family = ledger.families.values[int(column("family")[row])]
    kind = ledger.kinds.values[int(column("kind")[row])]
    return (family, kind, faults, days, sound, tuple(items), tries)


def summed(ledger: Ledger) -> tuple[dict[Fault, tuple[int, int, int]], ...]:
    """Cases, tried and cured of each fault that is counted at all: the shop's own, then other shops'."""
    parts = (ledger,) if ledger.others is None or not len(ledger.others) else (ledger, ledger.others)
    return tuple(_summed(part) for part in parts)


def _summed(ledger: Ledger) -> dict[Fault, tuple[int, int, int]]:
    sums = (
        (int(ledger.cases_of_fault.view[at]), tally.tried, tally.cured)
        for at, tally in enumerate(ledger.tallies)
    )
    # Names are shared with other shops' counts, which may know more of them.
    return {fault: counts for fault, counts in zip(ledger.faults.values, sums, strict=False) if any(counts)}
