"""Small cases for the statistics tests."""

from __future__ import annotations

from datetime import date
from typing import Any

from kb.suggest import CaseFacts, FixTry, Ledger, RailFact

CAP = ("standby output", "electrolytic capacitor")
SCHOTTKY = ("standby output", "Schottky rectifier")
SWITCH = ("main converter", "MOSFET")


def fix(fault: tuple[str, str] = CAP, result: str = "cured", part: str = "C9", **more: Any) -> FixTry:
    values: dict[str, Any] = {
        "failure": "high ESR",
        "action": "replace",
        "cost": 1.25,
        "minutes": 20.0,
        **more,
    }
    return FixTry(fault[0], fault[1], part, result=result, **values)


def low_standby(condition: str = "low") -> RailFact:
    return RailFact("standby", "standby", "none", condition)


def case(uid: str, fault: tuple[str, str] | None = CAP, **more: Any) -> CaseFacts:
    """A repaired case of one family; everything can be given differently."""
    values: dict[str, Any] = {
        "family": "HX-210",
        "kind": "power supply",
        "verdict": "repaired",
        "closed": date(2026, 3, 5),
        "symptoms": (("relay clicks repeatedly", True),),
        "rails": (low_standby(),),
        "tries": (fix(fault),) if fault else (),
        **more,
    }
    return CaseFacts(uid=uid, **values)


def ledger_of(*cases: CaseFacts, warranty_days: int = 365) -> Ledger:
    ledger = Ledger(warranty_days)
    for one in cases:
        ledger.add(one)
    return ledger


def counts_of(ledger: Ledger) -> dict[str, Any]:
    """Everything a ledger counts, by name instead of by number, zeros left out."""
    faults, kinds, families = ledger.faults.values, ledger.kinds.values, ledger.families.values

    def table(view: Any, names: Any) -> dict[Any, int]:
        return {(names(i), faults[j]): int(view[i, j]) for i, j in zip(*view.nonzero(), strict=True)}

    def tally(one: Any) -> Any:
        return (
            tuple(getattr(one, name) for name in one.NUMBERS),
            {ledger.parts.values[part]: cases for part, cases in one.parts.items()},
            {ledger.failures.values[failure]: cases for failure, cases in one.failures.items()},
            sorted(ledger.rows.uids[row] for row in one.newest_rows()),
        )

    return {
        "cases": sorted(ledger.uids()),
        "known": ledger.known,
        "faults": {faults[i]: int(n) for i, n in enumerate(ledger.cases_of_fault.view) if n},
        "items": table(ledger.item_fault.view, ledger.lines.label),
        "features": table(ledger.feature_fault.view, lambda i: ledger.lines.features.values[i]),
        "kinds": table(ledger.kind_fault.view, lambda i: kinds[i]),
        "families": {families[i]: int(n) for i, n in enumerate(ledger.family_cases.view) if n},
        "usual": {
            (families[i], kinds[kind]): n
            for i, of in enumerate(ledger.family_kinds)
            for kind, n in of.items()
        },
        "frequencies": dict(ledger.cases_with_count),
        "single families": {families[i]: n for i, n in ledger.single_in_family.items()},
        "single kinds": {kinds[i]: n for i, n in ledger.single_in_kind.items()},
        "tallies": {faults[i]: tally(one) for i, one in enumerate(ledger.tallies) if not one.empty},
        "family tallies": {
            (families[i], faults[fault]): tally(one)
            for i, of in enumerate(ledger.family_tallies)
            for fault, one in of.items()
        },
    }
