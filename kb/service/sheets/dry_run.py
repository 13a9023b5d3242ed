"""The dry run: every row to a case, compared with the store, with what is refused and why.

What it writes beside the sheet is what the run brings in: cases as lines of the exchange format, boards that
get another number, and the refused rows as a table of the same layout.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from pydantic import ValidationError

from kb.errors import BadInput, NotFound
from kb.exchange import lines as exchange
from kb.exchange.sheets import REASON_HEADING, neutralised
from kb.facts.designators import code_key
from kb.facts.rail_names import ObviousRail, obvious_rail
from kb.model import CaseRecord, FamilyRecord, Rail, SymptomRecord, explain
from kb.service.cases import prerequisites
from kb.service.sheets import known as knowledge
from kb.service.sheets import state, upload
from kb.service.sheets.known import Known
from kb.service.sheets.rail_heading import any_rail_heading
from kb.service.sheets.rows_to_cases import Builder, Refused, Row, grouped
from kb.service.sheets.state import Sheet
from kb.service.shop.shop import Shop
from kb.store.records import cases, families
from kb.store.records.case_outcomes import outcomes

_BATCH = 400
_MOST_REASONS = 60
_MOST_NAMES = 60
CASES, BOARDS, REFUSED = "cases.jsonl", "boards.jsonl", "refused.csv"


@dataclass(slots=True)
class Counts:
    """What a run would do; kept as plain values beside the sheet."""

    rows: int = 0
    added: int = 0
    updated: int = 0
    unchanged: int = 0
    refused: int = 0
    refused_rows: int = 0
    reasons: dict[str, list[int]] = field(default_factory=dict)
    new: dict[str, list[str]] = field(default_factory=dict)
    new_counts: dict[str, int] = field(default_factory=dict)
    renamed: int = 0
    railed: int = 0
    left_out: list[tuple[str, int, list[str]]] = field(default_factory=list)

    def as_values(self) -> dict[str, Any]:
        """A JSON object; `reasons` are (why, number of cases, first row), the most frequent first."""
        found = {name: getattr(self, name) for name in self.__slots__}
        ordered = sorted(self.reasons.items(), key=lambda entry: -entry[1][0])
        found["reasons"] = [[why, *numbers] for why, numbers in ordered]
        return found


def check(shop: Shop, sheet: Sheet, progress: Callable[[int], Any] | None = None) -> Counts:
    """Reads all rows as cases and says what bringing them in would do. Nothing is written to the store."""
    place = state.folder(shop, sheet.id)
    sheet.checked = sheet.done = None
    state.save(shop, sheet)
    with (
        state.writing(),
        (place / CASES).open("w", encoding="utf-8", newline="\n") as kept,
        (place / REFUSED).open("w", encoding="utf-8-sig", newline="") as refused,
    ):
        work = _Check(shop, sheet, knowledge.look(shop).with_phrases(sheet.named), kept, refused)
        work.run(progress)
    entries = [*work.named(), *work.boards()]
    (place / BOARDS).write_text("".join(map(exchange.write, entries)), encoding="utf-8", newline="\n")
    sheet.checked = work.counts.as_values()
    state.save(shop, sheet)
    return work.counts


class _Check:
    def __init__(self, shop: Shop, sheet: Sheet, known: Known, kept: TextIO, refused: TextIO) -> None:
        self._shop, self._sheet, self._known, self._kept = shop, sheet, known, kept
        self._builder = Builder(sheet, known)
        self._builder.boards_above = upload.boards_above(shop, sheet)
        self._builder.cells_above = upload.cells_above(shop, sheet)
        heads = [any_rail_heading(sheet.heading(key)).rail for _, key, _ in sheet.columns_of("rail")]
        self._rail_heads = {
            name: named for name in heads if (named := obvious_rail(name)) and named.nominal_v
        }
        self._rails: dict[str, dict[str, ObviousRail]] = {}
        self._today = shop.today()
        self._board_places = [place for place, _, _ in sheet.columns_of("family", "alias")]
        self._reason_free = [
            place for place, heading in enumerate(sheet.headings) if heading != REASON_HEADING
        ]
        self._refused = csv.writer(
            refused, delimiter=sheet.look.get("separator") or ",", lineterminator="\r\n"
        )
        if sheet.heading_row:
            self._write_refused(sheet.headings, REASON_HEADING)
        self._waiting: list[tuple[CaseRecord, list[str], list[Row]]] = []
        self._claims: dict[str, str] = {}
        self._numbers: dict[str, dict[str, None]] = {}
        self._codes: dict[str, str] = {}
        self._new: dict[str, dict[str, str]] = {"family": {}, "symptom": {}, "part class": {}}
        self.counts = Counts()

    def run(self, progress: Callable[[int], Any] | None) -> None:
        above = self._sheet.answers.get("rows without number") == "above"
        with self._shop.read() as session:
            writer = cases.Writer(session)
            for rows, turn in grouped(
                lambda: upload.rows(self._shop, self._sheet),
                self._builder.number_of,
                self._names_board,
                to_above=above,
            ):
                self._take(rows, turn)
                self.counts.rows += len(rows)
                if len(self._waiting) >= _BATCH:
                    self._settle(session, writer)
                if progress and self.counts.rows % 100 < len(rows):
                    progress(100)
            self._settle(session, writer)
        for kind, names in self._new.items():
            self.counts.new_counts[kind] = len(names)
            self.counts.new[kind] = list(names.values())[:_MOST_NAMES]
        self.counts.renamed = len(self._numbers)
        self.counts.railed = len(self._rails)
        self.counts.left_out = self._left_out()

    def _left_out(self) -> list[tuple[str, int, list[str]]]:
        """(heading, cells, first texts) of everything in the file that goes nowhere."""
        columns = upload.columns_of(self._shop, self._sheet)
        found = []
        for place, key in enumerate(self._sheet.keys):
            if not self._sheet.targets.get(key) and columns[place].filled and place in self._reason_free:
                found.append((self._sheet.headings[place], columns[place].filled, columns[place].samples(5)))
        left = set(upload.sums_left_out(self._sheet))
        for number, cells in upload.rows_of_sums(self._sheet) if left else ():
            found.append((f"Row {number}, a sum", len(cells), cells[:5]))
        return found + [(head, one.cells, one.examples) for head, one in self._builder.left_out.items()]

    def _names_board(self, cells: list[str]) -> bool:
        return any(place < len(cells) and cells[place].strip() for place in self._board_places)

    def _take(self, rows: list[Row], turn: int) -> None:
        try:
            case, others = self._builder.case(rows, turn)
            prerequisites.refuse_future_days(case, self._today)
            self._refuse_foreign_numbers(case.family, others)
            if not self._known.family(case.family):
                _family(case.family)
        except Refused as error:
            self._refuse(rows, error.why, error.row)
        except BadInput as error:
            self._refuse(rows, f"{error.message} {error.remedy or ''}".strip(), rows[0][0])
        else:
            self._waiting.append((case, others, rows))

    def _settle(self, session: Any, writer: cases.Writer) -> None:
        """Compares the cases that wait with the store and writes down what is to be brought in."""
        waiting, self._waiting = self._waiting, []
        found = outcomes(session, writer, [case for case, _, _ in waiting])
        for (case, others, rows), (outcome, family) in zip(waiting, found, strict=True):
            if family and code_key(family) != code_key(case.family):
                self._refuse(
                    rows, f"This case number is in the book already, as a board {family}.", rows[0][0]
                )
                continue
            setattr(self.counts, outcome, getattr(self.counts, outcome) + 1)
            for kind, name in self._known.new_in(case):
                key = code_key(name) if kind == "family" else name.casefold()
                self._new[kind].setdefault(key, name)
            self._claim(case.family, others)
            self._note_rails(case)
            self._kept.write(exchange.write(case))

    def _note_rails(self, case: CaseRecord) -> None:
        """The rails that the headings name, for a board of which none are known."""
        stored = self._known.family(case.family)
        if stored is not None and stored.rails:
            return
        for one in case.readings:
            if one.rail and (named := self._rail_heads.get(one.rail)):
                key = code_key(case.family)
                self._codes.setdefault(key, case.family)
                self._rails.setdefault(key, {})[one.rail] = named

    def _refuse_foreign_numbers(self, code: str, others: list[str]) -> None:
        """A number cannot lead to two boards, neither of the store nor of the file. Raises BadInput."""
        key = code_key(code)
        for number in (code, *others):
            known = self._known.family(number)
            owner = code_key(known.code) if known else self._claims.get(code_key(number), key)
            if owner != key:
                name = known.code if known else self._codes[owner]
                raise BadInput(f"The number {number} already belongs to board {name}.", field="alias")
        if others:
            _family(code, others)

    def _claim(self, code: str, others: list[str]) -> None:
        key = code_key(code)
        self._claims[key] = key
        self._codes.setdefault(key, code)
        for number in others:
            if self._known.family(number) is None:
                self._claims[code_key(number)] = key
                self._numbers.setdefault(key, {})[number] = None

    def _refuse(self, rows: list[Row], why: str, at: int) -> None:
        self.counts.refused += 1
        self.counts.refused_rows += len(rows)
        short = re.sub(r"“[^”]*(?:”|$)", "“…”", why)
        if short in self.counts.reasons:
            self.counts.reasons[short][0] += 1
        elif len(self.counts.reasons) < _MOST_REASONS:
            self.counts.reasons[short] = [1, at]
        for number, cells in rows:
            where = "" if len(rows) == 1 else f"row {at} of this case: " if number != at else ""
            self._write_refused(cells, f"{where}{why}")

    def _write_refused(self, cells: list[str], reason: str) -> None:
        padded = [*cells, *[""] * (len(self._sheet.headings) - len(cells))]
        self._refused.writerow([*(neutralised(padded[place]) for place in self._reason_free), reason])

    def named(self) -> list[SymptomRecord]:
        """The symptoms that get further words, because somebody named a phrase."""
        more = set(self._sheet.named.values())
        return [one for one in self._known.symptom_records if one.name in more]

    def boards(self) -> list[FamilyRecord]:
        """The boards that get further numbers or their first rails, whole, as they will stand in the store."""
        found = []
        with self._shop.read() as session:
            for key in dict.fromkeys((*self._numbers, *self._rails)):
                numbers = list(self._numbers.get(key, ()))
                stored = families.find(session, self._codes[key])
                if stored is None:
                    record = _family(self._codes[key], numbers)
                else:
                    record = families.by_ids(session, [stored[0]])[0].record
                    taken = {code_key(one) for one in (record.code, *record.aliases)}
                    new = [number for number in numbers if code_key(number) not in taken]
                    record = record.model_copy(update={"aliases": [*record.aliases, *new]})
                if rails := self._rails.get(key):
                    made = [
                        Rail(name=name, role=one.role, nominal_v=one.nominal_v or 0, always_on=one.always_on)
                        for name, one in rails.items()
                    ]
                    record = record.model_copy(update={"rails": made})
                found.append(record)
        return found


def _family(code: str, others: list[str] | None = None) -> FamilyRecord:
    unique = {code_key(number): number for number in others or []}
    unique.pop(code_key(code), None)
    try:
        return FamilyRecord(code=code, aliases=list(unique.values()))
    except ValidationError as error:
        raise explain(error) from error


def refused_file(shop: Shop, sheet: Sheet) -> Path:
    """The refused rows as a table of the sheet's own layout with the reasons. Raises NotFound."""
    file = state.folder(shop, sheet.id) / REFUSED
    if not file.exists():
        raise NotFound("The rows were not checked yet.", remedy="Check them first.")
    return file
