"""Records in and out of the store, a line at a time and all or nothing."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from sqlmodel import Session

from kb.errors import BadInput, BadLine, KbError
from kb.exchange import lines as exchange
from kb.facts.designators import code_key
from kb.model import (
    CaseRecord,
    FamilyRecord,
    LineRecord,
    OriginRecord,
    PartClassRecord,
    PictureRecord,
    SymptomRecord,
)
from kb.service.boards.pictures import bytes_of_line
from kb.service.cases.prerequisites import create_missing, refuse_future_days
from kb.service.shop.shop import Shop
from kb.service.transfer import exports
from kb.service.transfer.incoming import Incoming, public_id
from kb.store import Store
from kb.store.records import (
    any_kind,
    cases,
    changes,
    families,
    import_conflicts,
    kinds,
    lists,
    pictures,
    planner_statistics,
)

_BATCH = 400
_COUNTED_FROM = (
    1_000  # written cases after which the database counts its tables again, then four times as many
)
# A report that lists every bad line of a wrong file helps nobody; the count is always whole.
_MOST_PROBLEMS = 100
# A file that begins with so many lines that are no records is another file than was meant.
_MOST_BAD_AT_START = 1_000


@dataclass(slots=True)
class ImportReport:
    """What an import did, or would have done had no line been refused.

    `conflicts` are records of which the file holds an earlier version than the store, or that lie in the bin:
    they stay as they are unless the import says that the file wins; `conflicting` counts them. `stopped` says
    that reading ended at the most problems that are told.

    For what another shop shares, `origin` is its name, `ours` counts cases of this shop that came back and
    were left as they are, and `differences` says where both shops describe a family differently.
    """

    added: int = 0
    updated: int = 0
    unchanged: int = 0
    refused: int = 0
    saved: bool = False
    batch: str = ""
    origin: str = ""
    ours: int = 0
    conflicting: int = 0
    stopped: bool = False
    conflicts: list[str] = field(default_factory=list)
    created: list[str] = field(default_factory=list)
    differences: list[str] = field(default_factory=list)
    problems: list[BadLine] = field(default_factory=list)
    read: list[tuple[str, int]] = field(default_factory=list)

    def refuse(self, problem: BadLine) -> None:
        self.refused += 1
        if len(self.problems) < _MOST_PROBLEMS:
            self.problems.append(problem)

    def leave(self, what: str) -> None:
        """Notes a record that stays as it is although a line says otherwise."""
        self.conflicting += 1
        if len(self.conflicts) < _MOST_PROBLEMS:
            self.conflicts.append(what)

    def count(self, outcome: str, number: int = 1) -> None:
        setattr(self, outcome, getattr(self, outcome) + number)

    def counts(self) -> dict[str, object]:
        """How many records were added, updated, left unchanged and refused."""
        return {name: getattr(self, name) for name in ("added", "updated", "unchanged", "refused")}


class TextReader(Protocol):
    """Gives a case the facts that its words state and that it does not hold."""

    def __call__(self, record: CaseRecord, family: FamilyRecord | None) -> CaseRecord:
        """The record with these facts; `family` is the board it belongs to, None where it is new."""

    def learn(self, symptoms: Sequence[SymptomRecord], part_classes: Sequence[PartClassRecord]) -> None:
        """The lists as earlier lines of the file left them."""

    def counted(self) -> list[tuple[str, int]]:
        """(kind of fact, how many were given)."""


class _Refused(Exception):
    """Carries the report out of a transaction that must not be kept."""


class _Import:
    def __init__(
        self,
        session: Session,
        shop: Shop,
        report: ImportReport,
        incoming: Incoming,
        *,
        create_missing: bool,
        read_texts: TextReader | None = None,
        overwrite: bool = False,
    ) -> None:
        self._session = session
        self._overwrite = overwrite
        self._shop, self._today = shop, shop.today()
        self._create_missing = create_missing
        self._incoming = incoming
        self._writer = cases.Writer(session, with_origins=True)
        self._waiting: dict[str, tuple[int, CaseRecord]] = {}
        self._lists_changed = False
        self._read_texts = read_texts
        self._boards: dict[str, FamilyRecord | None] = {}
        self._given: dict[int, int] = {}
        self._at_start = True
        self._written, self._counted_from = 0, _COUNTED_FROM
        self.report = report

    def take(self, number: int, record: LineRecord) -> None:
        """Takes the record of a line; what is wrong with it goes into the report."""
        taken_by: dict[str, Callable[[int, Any], None]] = {
            "case": self._take_case,
            "origin": self._take_origin,
            "picture": self._take_picture,
        }
        try:
            self._at_start = not self._given
            self._refuse_contradiction(record)
            if record.record != "case":
                self.flush()
            taken_by.get(record.record, self._take_entry)(number, record)
        except KbError as error:
            self._refuse(number, error)

    def _refuse(self, number: int, error: KbError) -> None:
        self.report.refuse(BadLine(error.message, line=number, field=error.field, remedy=error.remedy))

    def _take_origin(self, _number: int, record: OriginRecord) -> None:
        self._incoming.meet(record, first=self._at_start)

    def _take_entry(self, _number: int, record: LineRecord) -> None:
        self._save_entry(record)
        self._lists_changed = True
        self._boards.clear()

    def _save_entry(self, record: LineRecord) -> None:
        if self._incoming.sharing is not None:
            kept = self._incoming.gap(record)
            if kept is None:
                self.report.unchanged += 1
                return
            record = kept
        elif self._is_earlier(record):
            return
        self.report.count(any_kind.save(self._session, record))

    def _take_picture(self, _number: int, record: PictureRecord) -> None:
        """A picture of a board, with its bytes where the line holds them; without them it can still be sent later."""
        content = bytes_of_line(self._shop, record)
        record = record.model_copy(update={"image": None})
        if self._incoming.sharing is not None:
            kept = self._incoming.picture(record)
            if kept is None:
                self.report.unchanged += 1
                return
            record = kept
        elif not self._overwrite:
            there = kinds.standing(self._session, pictures.ENTITY, [record.uid]).get(record.uid)
            why = import_conflicts.than_kept(self._session, pictures.ENTITY, {record.uid: record}).get(
                record.uid
            )
            if there is not None and there.binned_at is not None:
                why = "it is in the bin"
            if why:
                self.report.leave(f"picture {record.uid}: {why}")
                return
        self.report.count(pictures.save(self._session, record, content=content))

    def _is_earlier(self, record: LineRecord) -> bool:
        """Whether the store has moved on from what a line says of a family or a list entry."""
        if self._overwrite:
            return False
        kind, name = record.record, record.own_name
        if name not in import_conflicts.than_kept(self._session, kind, {name: record}):
            return False
        self.report.leave(f"{kind.replace('_', ' ')} {name}: the file holds an earlier version")
        return True

    def _left_alone(self, records: Sequence[CaseRecord]) -> set[str]:
        """The cases of a batch that stay as they are: the store has moved on from them, or they are in the bin."""
        own = {str(one.uid): one for one in records if not one.origin}
        if self._overwrite or not own:
            return set()
        found = import_conflicts.than_kept(self._session, "case", own)
        for uid, why in found.items():
            self.report.leave(f"case {uid}: {why}")
        return set(found)

    def _refuse_contradiction(self, record: LineRecord) -> None:
        """Two different lines for one record: nobody can say which of them is meant.

        Hashes are kept in place of the lines, so that a large import stays small in memory.
        """
        content = hash(exchange.write(record))
        if self._given.setdefault(hash((record.record, record.key)), content) != content:
            raise BadInput(
                f"An earlier line says something else of the same {record.record.replace('_', ' ')}.",
                field=record.named_by,
                remedy=f"Keep one of the two lines, or give each its own {record.named_by}.",
            )

    def _take_case(self, number: int, record: CaseRecord) -> None:
        if self._lists_changed:
            self._writer.forget_lists()
            self._lists_changed = False
            if self._read_texts is not None:
                self._read_texts.learn(lists.symptoms(self._session), lists.part_classes(self._session))
        refuse_future_days(record, self._today)
        record = self._incoming.belongs(record)
        if self._incoming.is_ours(record):
            return
        if self._read_texts is not None:
            record = self._read_texts(record, self._board(record.family))
        if self._create_missing and self._writer.unknown(record):
            record = self._create_and_check(record)
        else:
            record = self._writer.checked(record)
        if record.uid in self._waiting:
            self.flush()
        self._waiting[str(record.uid)] = (number, record)
        if len(self._waiting) >= _BATCH:
            self.flush()

    def _board(self, code: str) -> FamilyRecord | None:
        """The board as it stands in the store at this line of the file."""
        key = code_key(code)
        if key not in self._boards:
            found = families.find(self._session, code)
            self._boards[key] = families.by_ids(self._session, [found[0]])[0].record if found else None
        return self._boards[key]

    def _create_and_check(self, record: CaseRecord) -> CaseRecord:
        # What a refused line would have created must not stay behind when bad lines are skipped.
        try:
            with self._session.begin_nested():
                created = create_missing(self._session, self._writer, record)
                record = self._writer.checked(record)
        except BadInput:
            self._writer.forget_lists()
            raise
        self.report.created += created
        return record

    def flush(self) -> None:
        if self._waiting:
            known = self._incoming.known(list(self._waiting))
            wanted = []
            for number, record in self._waiting.values():
                try:
                    if not self._incoming.stays(record, known):
                        wanted.append(record)
                except BadInput as error:
                    self._refuse(number, error)
            self._waiting.clear()
            left = self._left_alone(wanted)
            done = self._writer.write([record for record in wanted if str(record.uid) not in left])
            for outcome in ("added", "updated", "unchanged"):
                self.report.count(outcome, getattr(done, outcome))
            self._written += done.added + done.updated
            if self._written >= self._counted_from:
                planner_statistics.count_again(self._session)
                self._counted_from = self._written * 4


def bring_in(
    shop: Shop,
    raw_lines: Iterable[bytes],
    *,
    create_missing: bool = False,
    skip_bad: bool = False,
    progress: Callable[[int], None] | None = None,
    refresh: bool = True,
    kind: str = "import",
    title: str = "",
    before_keeping: Callable[[], None] | None = None,
    read_texts: TextReader | None = None,
    overwrite: bool = False,
) -> ImportReport:
    """Imports JSON Lines in one transaction, holding one batch of cases in memory.

    Where a line is refused nothing is kept, unless `skip_bad`; `report.saved` says which.
    `progress` is told the number of bytes read since it was last called. Without `refresh` the derived
    copies catch up when they are next asked. What it changed is one batch of `kind` under `title`.
    A file that can be read twice is looked through before anybody else has to wait for this. Unless `skip_bad`
    reading ends at a hundred problems. A line that says what the store has moved on from, or that is of a case
    in the bin, changes nothing and is counted in `report.conflicting`, unless the file is to `overwrite`.
    With `read_texts` cases get the facts that their words state; `report.read` counts them.
    `before_keeping` is called once nothing but the commit is left; what it raises keeps nothing.
    """

    report = ImportReport()
    if _cannot_be_read(raw_lines, report, skip_bad):
        return report
    try:
        with shop.write() as session:
            report.batch = changes.begin_batch(session, kind, title)
            incoming = Incoming(session, public_id(shop.store.identity))
            work = _Import(
                session,
                shop,
                report,
                incoming,
                create_missing=create_missing,
                read_texts=read_texts,
                overwrite=overwrite,
            )
            for number, record in exchange.read(_told_of(raw_lines, progress)):
                if isinstance(record, BadLine):
                    report.refuse(record)
                else:
                    work.take(number, record)
                if not skip_bad and len(report.problems) == _MOST_PROBLEMS:
                    report.stopped = True
                    raise _Refused
            work.flush()
            report.read = read_texts.counted() if read_texts else []
            report.ours, report.differences = incoming.ours, incoming.differences
            report.unchanged += incoming.kept
            report.origin = incoming.sharing.name if incoming.sharing else ""
            if report.refused and not skip_bad:
                raise _Refused
            changes.end_batch(session, report.counts())
            if before_keeping:
                before_keeping()
    except _Refused:
        return report
    report.saved = True
    if refresh:
        shop.refresh()
    return report


def _told_of(raw_lines: Iterable[bytes], progress: Callable[[int], None] | None) -> Iterator[bytes]:
    for raw in raw_lines:
        if progress:
            progress(len(raw))
        yield raw


def _cannot_be_read(raw_lines: Iterable[bytes], report: ImportReport, skip_bad: bool) -> bool:
    """Whether a file that can be read twice holds lines that are no records; these are in the report then.

    Where bad lines are skipped, whether it begins with a thousand of them.
    """
    if not isinstance(raw_lines, io.IOBase) or not raw_lines.seekable():
        return False
    begins = raw_lines.tell()
    for _, record in exchange.read(raw_lines):
        if isinstance(record, BadLine):
            report.refuse(record)
            if report.refused == (_MOST_BAD_AT_START if skip_bad else _MOST_PROBLEMS):
                report.stopped = True
                break
        elif skip_bad:
            break
    raw_lines.seek(begins)
    if skip_bad and not report.stopped:
        report.refused, report.problems = 0, []
    return bool(report.refused)


def export_lines(shop: Shop) -> Iterator[str]:
    """The whole store as canonical lines: lists and families first, so that it can be read back."""
    return lines_of(shop.store)


def lines_of(store: Store) -> Iterator[str]:
    """The lines of `export_lines` of a store that no shop works with."""
    with store.read() as session:
        for record in exports.whole(session):
            yield exchange.write(record)


def newest_change(shop: Shop) -> int:
    """Number of the newest change, for a file name that tells exports apart."""
    with shop.read() as session:
        return changes.latest(session)[0]
