"""General knowledge laid out as the count table is: what is thought of each answer for each fault.

`GeneralKnowledge.mentioned` says how likely a symptom is there and named, p. Somebody who looks for a symptom that
is not there writes that down in one case in ten (common practice, no published source; the cases of a store soon
say better). So of what can stand in a record, present has p, absent (1 - p) / 10, and nothing the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import RAIL_CONDITIONS, values
from kb.suggest.evidence_lines import FeatureKey, rail_key, symptom_key
from kb.suggest.facts_of_case import Evidence, Fault
from kb.suggest.general import GeneralKnowledge, KnowsKinds
from kb.suggest.questions import Floats, Layout

if TYPE_CHECKING:
    from kb.suggest.ledger import Ledger

ABSENCE_NOTED = 0.1
_SURE = 0.005  # nobody is surer than this of anything in general


class Opinions:
    """The answers of one `GeneralKnowledge`, each asked for once."""

    def __init__(self, general: GeneralKnowledge) -> None:
        self.general = general
        self._symptoms: dict[tuple[Fault, str], float] = {}
        self._rails: dict[tuple[Fault, FeatureKey], Floats] = {}
        self._conditions = values(RAIL_CONDITIONS)
        self._kept: dict[tuple[int, bytes], Floats] = {}
        self._kinds: dict[str, dict[Fault, float] | None] = {}

    def table(self, ledger: Ledger, layout: Layout, faults: NDArray[Any]) -> Floats:
        """P(answer | fault) as thought of, (J, K); not a number where there is no opinion.

        Kept for the same faults in the same order, since weights are chosen by asking for it many times.
        """
        key = (layout.rows, np.asarray(faults, dtype=np.int64).tobytes())
        if key not in self._kept:
            if len(self._kept) > 3:
                self._kept.clear()
            self._kept[key] = self._table(ledger, layout, faults)
        return self._kept[key]

    def _table(self, ledger: Ledger, layout: Layout, faults: NDArray[Any]) -> Floats:
        named = [ledger.faults.values[fault] for fault in faults.tolist()]
        lines = ledger.lines
        found = np.full((layout.rows, len(named)), np.nan)
        usual = lines.conditions == tuple(self._conditions)
        for feature, key in enumerate(lines.features.values):
            first = int(lines.first_item.view[feature])
            if layout.place[feature] < 0:
                if usual:
                    found[first : first + len(lines.conditions)] = np.array(
                        [self._rail(fault, key) for fault in named]
                    ).T.reshape(len(lines.conditions), len(named))
                continue
            there = np.array([self._mentioned(fault, key[1]) for fault in named])
            denied = (1.0 - there) * ABSENCE_NOTED
            noted = there + denied
            below = layout.items + 4 * int(layout.place[feature])
            found[first : first + 2] = [there / noted, denied / noted]
            found[below : below + 4] = [noted, noted, 1.0 - noted, 1.0 - there]
        return found

    def of_kind(self, kind: str) -> dict[Fault, float] | None:
        """Shares of the catalogue's faults on boards of a kind; None where nothing in particular is known of it."""
        if kind not in self._kinds:
            general = self.general
            shares = general.shares_of_kind(kind) if isinstance(general, KnowsKinds) else None
            self._kinds[kind] = dict(shares) if shares is not None else None
        return self._kinds[kind]

    def has_opinions(self, ledger: Ledger, symptoms: list[str]) -> NDArray[np.bool_]:
        """Of which symptoms there is any opinion, for the first fault of the catalogue."""
        first = ledger.faults.values[next(iter(ledger.catalogue))] if ledger.catalogue else ("", "")
        return np.array([not np.isnan(self._mentioned(first, name)) for name in symptoms], dtype=bool)

    def _mentioned(self, fault: Fault, symptom: str) -> float:
        key = (fault, symptom)
        if key not in self._symptoms:
            said = self.general.mentioned(*fault, symptom)
            self._symptoms[key] = float("nan") if said is None else min(max(said, _SURE), 1.0 - _SURE)
        return self._symptoms[key]

    def _rail(self, fault: Fault, key: FeatureKey) -> Floats:
        if (fault, key) not in self._rails:
            said = self.general.rail(*fault, key[1], key[2], key[3])
            chances = np.full(len(self._conditions), np.nan)
            if said is not None:
                chances = np.maximum(np.array(said, dtype=np.float64), _SURE)
                chances /= chances.sum()
            self._rails[fault, key] = chances
        return self._rails[fault, key]


def name_what_is_known(ledger: Ledger, general: GeneralKnowledge) -> None:
    """Give the faults of the catalogue and the listed symptoms their places in the ledger; counts nothing."""
    if ledger.opinions is not None and ledger.opinions.general is general:
        return
    ledger.opinions = Opinions(general)
    shares: dict[int, float] = {}
    for one in general.faults():
        number = ledger.faults.intern((one.section, one.part_class))
        shares[number] = shares.get(number, 0.0) + one.share
    ledger.catalogue = shares
    for symptom in SYMPTOMS:
        ledger.lines.intern(symptom_key(symptom.name))
    ledger.make_room()
    ledger.version += 1


def name_what_is_asked(ledger: Ledger, evidence: Evidence) -> None:
    """Give rails and kinds that general knowledge has an opinion of their places, though no case noted them."""
    if ledger.opinions is None:
        return
    grown = False
    if evidence.kind and ledger.kinds.find(evidence.kind) < 0 and ledger.opinions.of_kind(evidence.kind):
        ledger.kinds.intern(evidence.kind)
        grown = True
    faults = list(ledger.catalogue)
    for rail in evidence.rails:
        key = rail_key(rail.key)
        if ledger.lines.features.find(key) < 0 and rail.condition in ledger.lines.conditions:
            asked = (ledger.opinions._rail(ledger.faults.values[fault], key) for fault in faults)
            if any(not np.isnan(one).any() for one in asked):
                ledger.lines.intern(key)
                grown = True
    if grown:
        ledger.make_room()
        ledger.version += 1


def candidates(ledger: Ledger) -> NDArray[np.int64]:
    """Numbers of the faults that a case is evidence for or the catalogue has, ascending."""
    known = ledger.known_faults()
    if not ledger.catalogue:
        return known
    return np.union1d(known, np.fromiter(ledger.catalogue, dtype=np.int64))


def catalogue_shares(ledger: Ledger, faults: NDArray[Any], kind: int = -1) -> Floats | None:
    """Share of each fault in the catalogue for a kind of board, (K,), 0 for others; None without a catalogue."""
    if not ledger.catalogue:
        return None
    of_kind = ledger.opinions.of_kind(ledger.kinds.values[kind]) if kind >= 0 and ledger.opinions else None
    if of_kind is not None:
        names = ledger.faults.values
        return np.array([of_kind.get(names[fault], 0.0) for fault in faults.tolist()])
    return np.array([ledger.catalogue.get(fault, 0.0) for fault in faults.tolist()])
