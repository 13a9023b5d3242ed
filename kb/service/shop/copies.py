"""The two derived copies of the store behind one shape: the search index and the counts."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator
from typing import Protocol

from sqlmodel import Session

from kb.model import FamilyRecord
from kb.search import CaseDocument, HelperFailed, SearchIndex
from kb.service.shop.translate import document_of, facts_of
from kb.store.records import cases, changes, families
from kb.store.records.cases import StoredCase
from kb.suggest import Ledger

log = logging.getLogger(__name__)
Progress = Callable[[int], None]
Seen = tuple[int, str]
# Below this one process is done by the time that a second has started.
_HELPED_FROM = 10_000


class Known:
    """Families by code, read once for one round of catching up."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._records: dict[str, FamilyRecord] = {}

    def __getitem__(self, code: str) -> FamilyRecord:
        if code not in self._records:
            self._records[code] = families.get(self._session, code).record
        return self._records[code]


class Copy(Protocol):
    """What the search index and the counts have in common."""

    @property
    def seen(self) -> Seen:
        """The last change that the copy takes into account."""

    def take(self, changed: list[StoredCase], gone: list[str], known: Known, seen: Seen) -> None:
        """Takes changed cases in and lets those go that are gone."""


class IndexCopy:
    """The search index."""

    def __init__(self, index: SearchIndex) -> None:
        self.index = index

    @property
    def seen(self) -> Seen:
        return self.index.seen

    def take(self, changed: list[StoredCase], gone: list[str], known: Known, seen: Seen) -> None:
        self.index.apply([_document(case, known) for case in changed], gone, seen)

    def rebuild(
        self,
        every: Iterator[StoredCase],
        known: Known,
        seen: Seen,
        progress: Progress | None,
        processes: int,
    ) -> None:
        """Makes the index again; searches use the old one until it is done."""
        documents = (_document(case, known) for case in every)
        self.index.rebuild(documents, seen, progress, processes=processes)


def _document(case: StoredCase, known: Known) -> CaseDocument:
    return document_of(case.record, known[case.record.family])


class CountsCopy:
    """The counts behind the suggestions."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    @property
    def seen(self) -> Seen:
        return self.ledger.seen

    def take(self, changed: list[StoredCase], gone: list[str], known: Known, seen: Seen) -> None:
        for uid in gone:
            self.ledger.withdraw(uid)
        for case in changed:
            self.ledger.replace(facts_of(case.record, known[case.record.family]))
        self.ledger.seen = seen


def rebuild(
    session: Session,
    index: IndexCopy | None,
    counts: CountsCopy | None,
    seen: Seen,
    progress: Progress | None = None,
) -> None:
    """Makes the copies that are given again in one pass over the store.

    A second process helps with the index of a large store where the machine has room for one.
    `progress` is told how many cases are done.
    """
    if index is not None and (os.cpu_count() or 1) > 1 and cases.count(session) >= _HELPED_FROM:
        try:
            _rebuild(session, index, counts, seen, progress, processes=2)
            return
        except HelperFailed as error:
            log.warning("the search index is made again by one process alone: %s", error)
    _rebuild(session, index, counts, seen, progress, processes=1)


def _rebuild(
    session: Session,
    index: IndexCopy | None,
    counts: CountsCopy | None,
    seen: Seen,
    progress: Progress | None,
    *,
    processes: int,
) -> None:
    known = Known(session)
    every: Iterator[StoredCase] = (case for batch in cases.as_kept(session) for case in batch)
    fresh = Ledger(warranty_days=counts.ledger.warranty_days) if counts else None

    def counted() -> Iterator[StoredCase]:
        for number, case in enumerate(every, start=1):
            if fresh is not None:
                fresh.add(facts_of(case.record, known[case.record.family]))
            if index is None and progress is not None and number % 100 == 0:
                progress(number)
            yield case

    if index is not None:
        index.rebuild(counted(), known, seen, progress, processes)
    else:
        for _ in counted():
            pass
    if counts is not None and fresh is not None:
        fresh.seen = seen
        counts.ledger = fresh


def changed_uids(session: Session, seq: int) -> list[str]:
    """Uids of all cases that look different since change number `seq`, each once.

    A family's rails decide what its readings mean and its numbers how it is found, so a change of the
    family touches all its cases.
    """
    found: dict[str, None] = {}
    while batch := changes.since(session, seq):
        for change in batch:
            if change.entity == "case":
                found[change.key] = None
            elif change.entity == "family" and change.operation == "updated":
                found.update(dict.fromkeys(cases.uids_of_family(session, change.key)))
        seq = batch[-1].seq
    return list(found)
