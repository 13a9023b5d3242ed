"""What a case answers, and the rows of the count table in which its answers stand.

Three questions are asked of every case: what a noted symptom was found to be (present or not), what condition
a measured rail was in, and of each symptom whether it was mentioned at all. The last is answered by every case;
silence about a symptom is an answer with a weight of its own, and so is the mention of its absence. Where absences
are hardly ever noted, "looked for and not present" is also counted as a case that does not name the symptom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.evidence_lines import NOT_PRESENT, PRESENT

if TYPE_CHECKING:
    from kb.suggest.evidence_lines import Lines
    from kb.suggest.ledger import Ledger

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Kinds of answers. A symptom has one row each of the last four, behind the rows of the ledger's items.
FOUND, RAIL, MENTION, ABSENT, SILENT, NOT_NAMED = range(6)
KINDS = 6
_PER_SYMPTOM = 4  # mentioned as present, mentioned as absent, silent, not named as present


@dataclass(frozen=True, slots=True)
class Layout:
    """The J rows of a ledger's count table: its items first, then four rows for each of S symptoms.

    `kind`, `levels` (number of answers to the row's question) and `feature` have shape (J,); `symptoms` (S,)
    are feature numbers and `place` (features,) their places in it, -1 for rails.
    """

    items: int
    symptoms: Whole
    place: Whole
    kind: Whole
    levels: Whole
    feature: Whole

    @property
    def rows(self) -> int:
        return len(self.kind)

    @property
    def silent(self) -> Whole:
        """The row of silence of each symptom, (S,)."""
        return self.items + _PER_SYMPTOM * np.arange(len(self.symptoms)) + 2

    @property
    def mentioned(self) -> Whole:
        """The row of being mentioned as present of each symptom, (S,)."""
        return self.items + _PER_SYMPTOM * np.arange(len(self.symptoms))

    def answers(self, item: int, lines: Lines) -> list[int]:
        """Rows that one noted item answers."""
        feature = int(lines.feature_of.view[item])
        place = int(self.place[feature])
        if place < 0:
            return [item]
        first = self.items + _PER_SYMPTOM * place
        present = item - int(lines.first_item.view[feature]) == PRESENT
        return [item, first] if present else [item, first + 1, first + 3]

    def answers_of(self, items: Whole, lines: Lines) -> tuple[Whole, Floats]:
        """The same for many items: rows (L, 3), and 1 where one is answered; elsewhere row 0 and 0."""
        feature = lines.feature_of.view[items]
        place = self.place[feature]
        symptom = place >= 0
        absent = symptom & (items - lines.first_item.view[feature] != PRESENT)
        first = self.items + _PER_SYMPTOM * place
        use = np.column_stack([np.ones(len(items)), symptom, absent])
        rows = np.column_stack([items, first + absent, first + 3])
        return np.where(use > 0.0, rows, 0), use


def layout_of(lines: Lines) -> Layout:
    """The rows of everything that has been noted so far."""
    features = np.arange(len(lines.features))
    rail = lines.is_rail(features)
    symptoms = features[~rail]
    place = np.full(len(features), -1, dtype=np.int64)
    place[symptoms] = np.arange(len(symptoms))
    of_item = lines.feature_of.view
    return Layout(
        items=len(of_item),
        symptoms=symptoms,
        place=place,
        kind=np.concatenate(
            [
                np.where(rail[of_item], RAIL, FOUND),
                np.tile([MENTION, ABSENT, SILENT, NOT_NAMED], len(symptoms)),
            ]
        ).astype(np.int64),
        levels=np.concatenate([lines.levels.view[of_item], np.full(_PER_SYMPTOM * len(symptoms), 2)]).astype(
            np.int64
        ),
        feature=np.concatenate([of_item, np.repeat(symptoms, _PER_SYMPTOM)]).astype(np.int64),
    )


def counts_of(ledger: Ledger, layout: Layout, faults: NDArray[Any]) -> tuple[Floats, Floats]:
    """Cases that gave each answer, and cases that answered its question: both (J, K) for K faults."""
    return table_of(
        layout,
        ledger.lines,
        ledger.cases_of_fault.view[faults].astype(np.float64),
        ledger.feature_fault.view[:, faults].astype(np.float64),
        ledger.item_fault.view[:, faults].astype(np.float64),
    )


def table_of(
    layout: Layout, lines: Lines, cases: Floats, noted: Floats, of_item: Floats
) -> tuple[Floats, Floats]:
    """The same from counts of K faults: `cases` (K,), notings (features, K) and items (items, K)."""
    mentioned = noted[layout.symptoms]
    present = of_item[lines.first_item.view[layout.symptoms] + PRESENT]
    counts = np.empty((layout.rows, len(cases)))
    totals = np.empty_like(counts)
    counts[: layout.items] = of_item
    totals[: layout.items] = noted[layout.feature[: layout.items]]
    below = counts[layout.items :].reshape(len(layout.symptoms), _PER_SYMPTOM, len(cases))
    below[:, 0] = below[:, 1] = mentioned
    # Weighed and exact counts are not whole numbers, so what is left can fall short of 0 by a rounding.
    below[:, 2] = np.maximum(cases - mentioned, 0.0)
    below[:, 3] = np.maximum(cases - present, 0.0)
    totals[layout.items :] = cases
    return counts, totals


def heard(ledger: Ledger, layout: Layout, k_general: Floats) -> NDArray[np.bool_]:
    """Which rows (J,) may speak: all but silence about symptoms that no case mentions and nobody has an opinion of.

    `k_general` (J,) is how firmly opinions are held. Of such a symptom every fault is equally silent, and to lean on
    the root would only reward the frequent ones.
    """
    found = np.ones(layout.rows, dtype=bool)
    if not len(layout.symptoms):
        return found
    spoken = ledger.feature_fault.view[layout.symptoms].sum(axis=1) > 0
    if ledger.opinions is not None:
        names = [ledger.lines.features.values[feature][1] for feature in layout.symptoms.tolist()]
        spoken |= ledger.opinions.has_opinions(ledger, names) & (k_general[layout.silent] > 0.0)
    found[layout.silent] = spoken
    return found


def answers_of_cases(
    ledger: Ledger, layout: Layout, case: Whole, item: Whole, cases: int
) -> tuple[Whole, Whole, Whole]:
    """Every answer of some cases with their noted items: (case, row, twin), each (T,), ascending by case.

    `case` and `item` (E,) say who noted what. `twin` counts the items that the case noted of the same
    feature: a rail of a role can be noted twice, and without the case its question loses both.
    """
    lines = ledger.lines
    feature = lines.feature_of.view[item]
    _, which, twins = np.unique(
        case * (len(lines.features) + 1) + feature, return_inverse=True, return_counts=True
    )
    place = layout.place[feature]
    symptom = place >= 0
    absent = symptom & (item - lines.first_item.view[feature] == NOT_PRESENT)
    first = layout.items + _PER_SYMPTOM * place
    silent = np.ones((cases, len(layout.symptoms)), dtype=bool)
    silent[case[symptom], place[symptom]] = False
    quiet, about = np.nonzero(silent)
    owner = np.concatenate([case, case[symptom], case[absent], quiet])
    row = np.concatenate(
        [item, (first + absent)[symptom], (first + 3)[absent], layout.items + _PER_SYMPTOM * about + 2]
    )
    twin = np.concatenate([twins[which], np.ones(len(row) - len(item), dtype=np.int64)])
    order = np.lexsort((row, owner))
    return owner[order], row[order], twin[order]


def by_feature(
    values: Sequence[float] | Floats, known: Sequence[Any], lines: Lines, default: float
) -> Floats:
    """Values kept by the names `known` of features, put in the order of the ledger's; others get `default`."""
    place = {key: number for number, key in enumerate(known)}
    kept = np.append(np.asarray(values, dtype=np.float64), default)
    return kept[[place.get(key, -1) for key in lines.features.values]]
