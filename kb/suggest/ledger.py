"""The ledger: everything the statistics know, as counts to which one case is added or taken away.

Adding and withdrawing touch only what the case itself mentions, so they cost the same however many
cases there are. Each case's own contribution is kept in compact form, so that withdrawing, replacing
and leaving one out are exact.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.errors import BadInput
from kb.suggest.evidence_lines import FeatureKey, Lines
from kb.suggest.facts_of_case import CaseFacts, Fault, FixTry
from kb.suggest.growable import Column, Names, Table
from kb.suggest.marks import Marks
from kb.suggest.place_in_chain import consequences, presumed_cause
from kb.suggest.rows import (
    MONEY_STEPS,
    RESULT_CURED,
    RESULT_NOT_CURED,
    RESULT_UNKNOWN,
    TIME_STEPS,
    UNKNOWN,
    Rows,
    TryRow,
)
from kb.suggest.tally import Tally, count

_RESULTS = {
    "cured": RESULT_CURED,
    "improved": RESULT_NOT_CURED,
    "no change": RESULT_NOT_CURED,
    "worse": RESULT_NOT_CURED,
    "not known yet": RESULT_UNKNOWN,
}


# Verdicts that say whether anything was wrong with the board.
_SOUND = {"no fault found": 1, "repaired": 0, "not economical": 0, "not repairable": 0}


class Ledger:
    """Additive counts of cases.

    A case knows its fault when one of its tries cured and the board did not come back with the same fault
    within `warranty_days`; then it is evidence for that fault. Of several that cured it is the cause, as
    said or by its place in the chain (`kb.suggest.place_in_chain`), the last of equals; another fault that was
    cured beside it makes the board one with two faults. In the fix statistics a fault counts once per case:
    tried when a result is known, cured when one of its tries cured and it lasted through the warranty;
    parts that only went with the cause are left out of both.

    Cases of other shops are counted apart, in `others`, under the same names; what is counted here is the
    shop's own. `kb.suggest.pooled_counts` adds both up for a weight of the others.
    """

    def __init__(
        self,
        warranty_days: int = 365,
        *,
        conditions: Iterable[str] | None = None,
        features: Iterable[FeatureKey] = (),
    ) -> None:
        self.warranty_days = warranty_days
        self.seen: tuple[int, str] = (0, "")
        self.version = 0  # goes up with every change; for callers that keep derived values
        self.others: Ledger | None = None
        # What other modules keep with the counts it was made from: `pooled_counts`, `tables`, `memo`, `opinions`.
        self.weighed: Any = None  # the sum for the weight asked for last
        self.picked: list[int] | None = None  # of an `empty_twin`: the rows counted so far
        self.marks = Marks()
        self.token = object()  # which of the ledgers that share their marks this is
        self.tables: Any = None  # log tables by section
        self.memo: Any = None  # what follows from the counts alone
        self.opinions: Any = None  # general knowledge that has its places here
        self.catalogue: dict[int, float] = {}  # its faults and their shares
        self.lines = Lines(conditions, features)
        self.faults: Names[Fault] = Names()
        self.sections: Names[str] = Names()
        self.families: Names[str] = Names()
        self.kinds: Names[str] = Names()
        self.parts: Names[str] = Names()
        self.failures: Names[str] = Names()
        self.rows = Rows()
        self.section_of = Column(np.int64)  # per fault
        self.cases_of_fault = Column(np.int64)
        self.item_fault = Table()  # item x fault: cases
        self.feature_fault = Table()  # feature x fault: notings
        self.kind_fault = Table()  # kind x fault: cases
        self.known = 0  # cases that are evidence for a fault
        self.doubles = 0  # those among them with a second fault
        self.tallies: list[Tally] = []  # per fault, all boards
        self.family_tallies: list[dict[int, Tally]] = []  # per family: fault to tally
        self.family_cases = Column(np.int64)  # per family: cases that are evidence
        self.family_kinds: list[Counter[int]] = []  # per family: kind to cases, evidence or not
        self.judged = Table()  # per family: boards with a fault, and boards on which none was found
        self.cases_with_count: Counter[int] = Counter()  # frequency of frequencies of faults
        self.single_in_family: Counter[int] = Counter()  # cases whose fault no other case has, by family
        self.single_in_kind: Counter[int] = Counter()

    # -- changing ---------------------------------------------------------------------------------

    def add(self, case: CaseFacts) -> None:
        """Count a case. Raises BadInput when its uid is already counted or a word is not of the lists."""
        if case.uid in self:
            raise BadInput(
                f"Case {case.uid} is already counted.", field="uid", remedy="Replace the case instead."
            )
        if case.others:
            self._apart()._enter(case)
            self.make_room()
            self.version += 1
        else:
            self._enter(case)

    def _enter(self, case: CaseFacts) -> None:
        tries, fixed, second = self._try_rows(case.tries)
        came_back = _came_back(case.same_fault_return_days, self.warranty_days)
        items = self.lines.items_of_case(case.symptoms, case.rails)
        values = {
            "fault": UNKNOWN if came_back else fixed,
            "fixed": fixed,
            "family": self._family(case.family),
            "kind": self.kinds.intern(case.kind),
            "closed": case.closed.toordinal() if case.closed else 0,
            "return_days": _days(case.same_fault_return_days),
            "followed_days": _days(case.followed_days),
            "second": second,
            "sound": _SOUND.get(case.verdict or "", UNKNOWN),
        }
        self.make_room()
        self._apply(self.rows.append(case.uid, values, items, tries), +1)

    def withdraw(self, uid: str) -> bool:
        """Take a case out again; False when it was not counted."""
        row = self.rows.find(uid)
        if row is None:
            if self.others is None or not self.others.withdraw(uid):
                return False
            self.version += 1
            return True
        self._apply(row, -1)
        self.rows.kill(row)
        if self.rows.dead > max(1_000, len(self.rows)):
            self._compact()
        return True

    def replace(self, case: CaseFacts) -> None:
        """Count a case in place of what was counted for its uid before, if anything."""
        self.withdraw(case.uid)
        self.add(case)

    # -- asking -----------------------------------------------------------------------------------

    def __len__(self) -> int:
        return len(self.rows) + (len(self.others) if self.others is not None else 0)

    def __contains__(self, uid: object) -> bool:
        if not isinstance(uid, str):
            return False
        return self.rows.find(uid) is not None or (self.others is not None and uid in self.others)

    def uids(self) -> Iterator[str]:
        """The uids of all counted cases, the shop's own first."""
        return chain(self.rows.living_uids(), self.others.uids() if self.others is not None else ())

    def known_faults(self) -> NDArray[np.int64]:
        """Numbers of the faults that at least one case is evidence for, ascending."""
        return np.flatnonzero(self.cases_of_fault.view)

    def holders(self) -> NDArray[np.int64]:
        """How many cases are evidence for each fault: shape (faults,)."""
        return self.cases_of_fault.view

    def cases_in_family(self, family: int) -> NDArray[np.float64]:
        """Cases of each fault within a family: shape (faults,)."""
        counts = np.zeros(len(self.faults))
        for fault, tally in self.family_tallies[family].items():
            counts[fault] = tally.cases
        return counts

    def other_holder(self, fault: int, row: int) -> tuple[float, int, int]:
        """(weight, family, kind) of the one case besides `row` that is evidence for the fault."""
        other = next(held for held in self.tallies[fault].newest_rows() if held != row)
        return 1.0, int(self.rows.get("family")[other]), int(self.rows.get("kind")[other])

    def usual_kind(self, family: int) -> int:
        """The kind most of a family's cases have, the first by name among equals; -1 if none."""
        kinds = self.family_kinds[family]
        if not kinds and self.others is not None and family < len(self.others.family_kinds):
            kinds = self.others.family_kinds[family]
        return min(kinds, key=lambda kind: (-kinds[kind], self.kinds.values[kind])) if kinds else -1

    def settle(self) -> None:
        """Leaves no dead rows and makes all tables as large as their names ask for."""
        if self.rows.dead:
            self._compact()
        self.make_room()

    def empty_twin(self) -> Ledger:
        """A ledger with the same names and rows but nothing counted yet, to which rows are counted by number.

        For going through the cases in another order, such as by date; it must not be changed otherwise.
        """
        twin = Ledger(self.warranty_days, conditions=self.lines.conditions)
        twin.share_names(self)
        twin.rows = self.rows
        twin.picked = []
        twin.make_room()
        return twin

    def count_row(self, row: int) -> None:
        """Count a row of an `empty_twin` as evidence, without its tries; a row that is none is passed over."""
        fault = int(self.rows.get("fault")[row])
        if fault >= 0:
            family, kind = int(self.rows.get("family")[row]), int(self.rows.get("kind")[row])
            self._apply_evidence(row, fault, family, kind, +1)
            if self.picked is not None:
                self.picked.append(row)

    def counted_rows(self) -> NDArray[np.int64]:
        """The rows of the cases that know their fault, as far as they have been counted here."""
        if self.picked is not None:
            return np.array(self.picked, dtype=np.int64)
        return np.flatnonzero((self.rows.get("alive") == 1) & (self.rows.get("fault") >= 0))

    # -- inside -----------------------------------------------------------------------------------

    def share_names(self, ledger: Ledger) -> None:
        """Use the other ledger's lists of names, so that numbers mean the same in both."""
        for name in ("lines", "faults", "sections", "families", "kinds", "parts", "failures"):
            setattr(self, name, getattr(ledger, name))
        self.section_of, self.marks = ledger.section_of, ledger.marks

    def _apart(self) -> Ledger:
        """The counts of other shops' cases, begun when the first of them comes."""
        if self.others is None:
            self.others = Ledger(self.warranty_days, conditions=self.lines.conditions)
            self.others.share_names(self)
        return self.others

    def _fault(self, section: str, part_class: str) -> int:
        fault = self.faults.intern((section, part_class))
        if fault >= len(self.tallies):
            self.make_room()
        return fault

    def _family(self, code: str) -> int:
        family = self.families.intern(code)
        if family >= len(self.family_tallies):
            self.make_room()
        return family

    def _try_rows(self, tries: Sequence[FixTry]) -> tuple[list[TryRow], int, int]:
        """The tries in numbers, the fault that the board was fixed of, and a second one; -1 for none."""
        rows = [self._try_row(one) for one in tries]
        cured = [place for place, one in enumerate(rows) if one.result == RESULT_CURED]
        replaced = [tries[place] for place in cured]
        cause = presumed_cause(replaced)
        if cause is None:
            return rows, UNKNOWN, UNKNOWN
        fixed, second = rows[cured[cause]].fault, UNKNOWN
        for place, follows in zip(cured, consequences(replaced), strict=True):
            if follows:
                rows[place] = replace(rows[place], follows=1)
            elif rows[place].fault != fixed:
                second = rows[place].fault
        return rows, fixed, second

    def _try_row(self, one: FixTry) -> TryRow:
        if one.result not in _RESULTS:
            raise BadInput(
                f"The result “{one.result}” of a try is not on the list.",
                field="result",
                remedy="Use one of: " + ", ".join(_RESULTS) + ".",
            )
        return TryRow(
            self._fault(one.section, one.part_class),
            self.parts.intern(one.part) if one.part else UNKNOWN,
            self.failures.intern(one.failure) if one.failure else UNKNOWN,
            _RESULTS[one.result],
            _steps(one.cost, MONEY_STEPS),
            _steps(one.minutes, TIME_STEPS),
        )

    def make_room(self) -> None:
        """Give every name its place, also those that came with counts kept apart."""
        faults, families = len(self.faults), len(self.families)
        for fault in range(self.section_of.size, faults):
            self.section_of.append(self.sections.intern(self.faults.values[fault][0]))
        self.cases_of_fault.reserve(faults)
        self.tallies += [Tally() for _ in range(faults - len(self.tallies))]
        self.family_cases.reserve(families)
        self.family_tallies += [{} for _ in range(families - len(self.family_tallies))]
        self.family_kinds += [Counter() for _ in range(families - len(self.family_kinds))]
        self.judged.reserve(families, 2)
        self.item_fault.reserve(self.lines.item_count, faults)
        self.feature_fault.reserve(len(self.lines.features), faults)
        self.kind_fault.reserve(len(self.kinds), faults)

    def _apply(self, row: int, sign: int) -> None:
        """Add (+1) or take away (-1) the row's contribution, read from the row alone."""
        rows = self.rows
        family, kind = int(rows.get("family")[row]), int(rows.get("kind")[row])
        came_back = _came_back(int(rows.get("return_days")[row]), self.warranty_days)
        count(self.family_kinds[family], kind, sign)
        sound = int(rows.get("sound")[row])
        if sound >= 0:
            self.judged.view[family, sound] += sign
        self._apply_tries(rows.tries_of(row), family, came_back, sign, int(rows.get("fixed")[row]))
        fault = int(rows.get("fault")[row])
        if fault >= 0:
            self._apply_evidence(row, fault, family, kind, sign)
        self.version += 1

    def _apply_tries(self, tries: list[TryRow], family: int, came_back: bool, sign: int, fixed: int) -> None:
        for fault in dict.fromkeys(one.fault for one in tries):
            mine = [one for one in tries if one.fault == fault]
            counted = [one for one in mine if not one.follows and one.result != RESULT_UNKNOWN]
            cured = [one for one in counted if one.result == RESULT_CURED]
            for tally in (self.tallies[fault], self._family_tally(family, fault)):
                tally.tried += sign * bool(counted)
                tally.cured += sign * (bool(cured) and not came_back)
                tally.own_tries += sign * _own_tries(counted) * (fault == fixed)
                tally.fixed += sign * (fault == fixed)
                for part in {one.part for one in cured if one.part >= 0}:
                    count(tally.parts, part, sign)
                for failure in {one.failure for one in cured if one.failure >= 0}:
                    count(tally.failures, failure, sign)
                for one in mine:
                    tally.enter_effort(one.cost, one.minutes, sign)
            self._drop_empty(family, fault)

    def _apply_evidence(self, row: int, fault: int, family: int, kind: int, sign: int) -> None:
        self._note_frequency(fault, -1)
        items = self.rows.items_of(row)
        self.item_fault.view[items, fault] += sign
        np.add.at(self.feature_fault.view[:, fault], self.lines.feature_of.view[items], sign)
        self.kind_fault.view[kind, fault] += sign
        self.family_cases.view[family] += sign
        self.cases_of_fault.view[fault] += sign
        self.known += sign
        self.doubles += sign * (int(self.rows.get("second")[row]) >= 0)
        self.marks.note(int(self.section_of.view[fault]), self.token, row, sign)
        closed = int(self.rows.get("closed")[row])
        for tally in (self.tallies[fault], self._family_tally(family, fault)):
            tally.cases += sign
            if sign > 0:
                tally.enter_row(closed, row)
            else:
                tally.remove_row(closed, row)
        self._drop_empty(family, fault)
        self._note_frequency(fault, +1)

    def _note_frequency(self, fault: int, step: int) -> None:
        """Enter or strike out how often this fault was seen, and who holds it when only one case does."""
        cases = int(self.cases_of_fault.view[fault])
        if cases:
            count(self.cases_with_count, cases, step)
        if cases == 1:
            holder = next(self.tallies[fault].newest_rows())
            count(self.single_in_family, int(self.rows.get("family")[holder]), step)
            count(self.single_in_kind, int(self.rows.get("kind")[holder]), step)

    def _family_tally(self, family: int, fault: int) -> Tally:
        return self.family_tallies[family].setdefault(fault, Tally())

    def _drop_empty(self, family: int, fault: int) -> None:
        tally = self.family_tallies[family].get(fault)
        if tally is not None and tally.empty:
            del self.family_tallies[family][fault]

    def _compact(self) -> None:
        """Give back the places of withdrawn cases; happens once in as many withdrawals as cases are left."""
        self.weighed = None  # it points to the old rows
        self.marks.forget()
        self.rows, moved = self.rows.compacted()
        for tallies in (self.tallies, *(list(of.values()) for of in self.family_tallies)):
            for tally in tallies:
                tally.move_rows(moved)


def _own_tries(counted: list[TryRow]) -> int:
    """How often a board's own fix was done: parts replaced at one go are one try, each failure another."""
    failed = sum(one.result != RESULT_CURED for one in counted)
    return failed + (len(counted) > failed)


def _came_back(return_days: int | None, warranty_days: int) -> bool:
    return return_days is not None and 0 <= return_days <= warranty_days


def _days(days: int | None) -> int:
    return UNKNOWN if days is None else max(0, int(days))


def _steps(value: float | None, steps: int) -> int:
    """A cost or time as a whole number of steps; unknown when missing, negative or not a number."""
    if value is None or not 0.0 <= value < 1e12:
        return UNKNOWN
    return round(value * steps)
