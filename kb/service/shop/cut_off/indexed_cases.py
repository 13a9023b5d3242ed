"""What the search index remembers of cases: shown, never changed, while the database cannot be reached."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from kb.errors import StoreAway
from kb.model import CaseRecord, NotedSymptom
from kb.search import OPEN, CaseDocument, Filters
from kb.service.shop.shop import Shop


@dataclass(frozen=True, slots=True)
class RememberedCase:
    """As much of a case as the index holds. `day` is when the board came in or, failing that, was closed."""

    document: CaseDocument
    day: date | None

    @property
    def record(self) -> CaseRecord:
        """The case for lists of cases; what the index does not hold is left empty."""
        document = self.document
        return CaseRecord.model_construct(
            uid=document.uid,
            family=document.family,
            complaint=document.complaint,
            notes=document.notes,
            verdict=document.verdict or None,
            # A closed board may have the day from its closing, an open one cannot.
            received=None if document.verdict else self.day,
            symptoms=[
                NotedSymptom.model_construct(name=name, present=present)
                for names, present in ((document.symptoms, True), (document.absent, False))
                for name in names
            ],
        )


@dataclass(frozen=True, slots=True)
class RememberedBench:
    """What the start page can tell without the store; `still_open` counts all boards on the bench."""

    open: tuple[RememberedCase, ...]
    still_open: int
    latest: tuple[RememberedCase, ...]
    cases: int


def of(document: CaseDocument) -> RememberedCase:
    """A case as the index holds it."""
    return RememberedCase(document, date.fromordinal(document.day) if document.day else None)


def one(shop: Shop, uid: str) -> RememberedCase:
    """One case. Raises StoreAway where the index holds none of this uid: the store may."""
    document = shop.derived.index.document_of(uid)
    if document is None:
        away = shop.store.away
        raise away.error() if away else StoreAway("The database cannot be reached.", remedy="Try again.")
    return of(document)


def some(
    shop: Shop, filters: Filters, *, limit: int, offset: int = 0
) -> tuple[int, tuple[RememberedCase, ...]]:
    """(how many there are, one page of them) of the cases that pass the filters, the latest first."""
    index = shop.derived.index
    found = index.search("", filters, limit=limit, offset=offset)
    documents = (index.document_of(hit.uid) for hit in found.hits)
    return found.total, tuple(of(document) for document in documents if document is not None)


def bench(shop: Shop, *, most: int = 12) -> RememberedBench:
    """What lay on the bench and what came in last, as far as the index knows."""
    still_open, on_bench = some(shop, Filters(verdict=OPEN), limit=most)
    cases, latest = some(shop, Filters(), limit=5)
    return RememberedBench(on_bench, still_open, latest, cases)
