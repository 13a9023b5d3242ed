"""Fixes that were tried on the board on the bench, and how likely a fix is to cure when it is the right one.

q = (boards cured by it + k g) / (tries of it on boards whose fault it was + k): a fix that failed on a board with
another fault says nothing about the fix. A try of fault j that did not cure multiplies P(j) by 1 - q_j. That is what
happens at the bench, where a board that came back months later was cured, and g is 0.9 until a store says how often its
right fixes do it (`usual_fix`). For the order of trying, a board that came back was not cured.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.facts_of_case import Tried
from kb.suggest.ledger import Ledger
from kb.suggest.pooled_counts import Weighed, own_of
from kb.suggest.questions import Floats
from kb.suggest.settings import Settings

FAILED = frozenset({"no change", "worse"})  # what got better at all may have been part of it
_SUREST = (
    0.995  # one new part in two hundred is bad too, or badly fitted (common practice, no published source)
)
_USUAL_BOARDS = 20.0


def cure_chances(ledger: Ledger, faults: NDArray[Any], settings: Settings) -> Floats:
    """The chance (K,) that a fix cures and lasts when it is the right one."""
    return _chances(ledger, faults, "cases", settings.k_cure, settings.general_cure)


def fix_chances(ledger: Ledger, faults: NDArray[Any], settings: Settings) -> Floats:
    """The chance (K,) that a fix cures at the bench when it is the right one."""
    return _chances(ledger, faults, "fixed", settings.k_cure, settings.general_fix)


def _chances(ledger: Ledger, faults: NDArray[Any], what: str, k: float, general: float) -> Floats:
    own = own_of(ledger)
    cured, tries = np.zeros(len(faults)), np.zeros(len(faults))
    shops = [(1.0, own)]
    if isinstance(ledger, Weighed) and ledger.others is not None:
        shops.append((ledger.weight, ledger.others))
    for weight, shop in shops:
        tallies = [shop.tallies[fault] for fault in faults.tolist()]
        cured += weight * np.array([getattr(one, what) for one in tallies], dtype=np.float64)
        tries += weight * np.array([one.own_tries for one in tallies], dtype=np.float64)
    below = tries + k
    chance = (np.minimum(cured, tries) + k * general) / np.where(below > 0.0, below, 1.0)
    return np.minimum(np.where(below > 0.0, chance, general), _SUREST)


def usual_fix(ledger: Ledger, settings: Settings) -> float:
    """g: the share of tries of the right fix that cured, all own faults together, leaning on what the settings say.

    Where bench and parts are good a right fix hardly ever fails, and a failed one says the more about the diagnosis.
    """
    own = own_of(ledger)
    tries = sum(one.own_tries for one in own.tallies)
    cured = min(tries, sum(one.fixed for one in own.tallies))
    return (cured + _USUAL_BOARDS * settings.general_fix) / (tries + _USUAL_BOARDS)


def doubt(ledger: Ledger) -> float:
    """How often a diagnosis is wrong however sure it seems: a wrong note, a mixed-up board, a fault like no other.

    By the rule of succession (Laplace): not yet seen on the store's own boards, nor on a hundred before them (common
    practice, no published source). Nothing that is said may be surer than that once a fix has failed.
    """
    return 1.0 / (100.0 + own_of(ledger).known)


def failed_faults(
    ledger: Ledger, family: int, faults: NDArray[Any], tried: Sequence[Tried]
) -> tuple[list[tuple[str, NDArray[np.bool_]]], list[str]]:
    """(label and the faults (K,) meant of each failed fix, labels of those that no fault answers to).

    A fix is named by section and part class, by either, or by the part that the family's cases name.
    """
    named = [ledger.faults.values[fault] for fault in faults.tolist()]
    found: list[tuple[str, NDArray[np.bool_]]] = []
    unknown: list[str] = []
    for one in tried:
        if one.result not in FAILED:
            continue
        if one.section or one.part_class:
            hit = np.array(
                [
                    (not one.section or one.section == section)
                    and (not one.part_class or one.part_class == part_class)
                    for section, part_class in named
                ],
                dtype=bool,
            )
        else:
            hit = np.isin(faults, _faults_of_part(ledger, family, one.part))
        label = " ".join(
            word for word in (one.part, one.part_class, one.section and f"({one.section})") if word
        )
        if hit.any():
            found.append((label, hit))
        else:
            unknown.append(f"tried: {label or 'a fix without a name'}")
    return found, unknown


def _faults_of_part(ledger: Ledger, family: int, part: str) -> list[int]:
    number = ledger.parts.find(part) if part else -1
    own = own_of(ledger)
    shops = [own, own.others] if own.others is not None else [own]
    if number < 0 or family < 0:
        return []
    return [
        fault
        for shop in shops
        if shop is not None and family < len(shop.family_tallies)
        for fault, tally in shop.family_tallies[family].items()
        if number in tally.parts
    ]
