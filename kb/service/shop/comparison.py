"""Compares the search index and the counts with the store they are derived from, case by case."""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import Session

from kb.service.shop.copies import CountsCopy, IndexCopy, Known
from kb.service.shop.translate import document_of, facts_of
from kb.store.records import cases, changes
from kb.suggest import Ledger, summed, told_of


@dataclass(slots=True)
class Difference:
    """Cases that a copy lacks, holds without there being one, or holds otherwise than the store."""

    missing: int = 0
    left_over: int = 0
    unlike: int = 0
    behind: bool = False

    def __bool__(self) -> bool:
        return bool(self.missing or self.left_over or self.unlike or self.behind)

    def __str__(self) -> str:
        parts = [
            (self.missing, "lacked"),
            (self.left_over, "held without need"),
            (self.unlike, "held otherwise than the store"),
        ]
        told = [f"{number} cases {what}" for number, what in parts if number]
        return ", ".join(told or ["behind the store's newest change"])


@dataclass(frozen=True, slots=True)
class Differences:
    """What either copy has that the store has not."""

    index: Difference
    counts: Difference

    def told(self) -> list[str]:
        """A sentence for each copy that was made again."""
        found = []
        if self.index:
            found.append(f"the search index did not agree with the store ({self.index}) and was built again")
        if self.counts:
            found.append(f"the counts did not agree with the store ({self.counts}) and were made again")
        return found


def compare(session: Session, index: IndexCopy, counts: CountsCopy) -> Differences:
    """Goes through all cases once. Raises nothing for a copy that cannot be read: it differs then."""
    newest = changes.latest(session)
    found = Differences(Difference(behind=index.seen != newest), Difference(behind=counts.seen != newest))
    held = _held(index)
    if held is None:
        found.index.behind, held = True, {}
    ledger, fresh = counts.ledger, Ledger(warranty_days=counts.ledger.warranty_days)
    known = Known(session)
    number = 0
    for batch in cases.in_order(session):
        for case in batch:
            number += 1
            uid, family = str(case.record.uid), known[case.record.family]
            document = held.pop(uid, None)
            if document is None:
                found.index.missing += 1
            elif document != hash(document_of(case.record, family)):
                found.index.unlike += 1
            fresh.add(facts_of(case.record, family))
            if uid not in ledger:
                found.counts.missing += 1
            elif told_of(ledger, uid) != told_of(fresh, uid):
                found.counts.unlike += 1
    found.index.left_over = len(held)
    found.counts.left_over = len(ledger) + found.counts.missing - number
    if not found.counts and summed(ledger) != summed(fresh):
        found.counts.unlike = number
    return found


def _held(index: IndexCopy) -> dict[str, int] | None:
    try:
        return {document.uid: hash(document) for document in index.index.documents()}
    except Exception:  # whatever a damaged file does to its reader, it is made again
        return None
