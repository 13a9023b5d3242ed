"""Records out of the store: everything or what a search finds, in the formats that others read.

Whatever the size of the store, a few hundred cases are held at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from sqlmodel import Session

from kb import system
from kb.errors import BadInput
from kb.exchange import case_sheets
from kb.exchange import lines as exchange
from kb.model import CaseRecord, FamilyRecord, LineRecord
from kb.service.find import case_search
from kb.service.find.case_search import Filters
from kb.service.shop.shop import Shop
from kb.service.transfer import package_file
from kb.service.transfer.package_file import Photographs
from kb.store.records import cases, families, lists, origins, pictures
from kb.store.records.pictures import StoredPicture

_BATCH = 400
# What a format is called, and the ending and media type of its file.
FORMATS: dict[str, tuple[str, str, str]] = {
    "jsonl": ("Exchange format (JSON Lines)", "jsonl", "application/x-ndjson"),
    "csv": ("Spreadsheet, a row for each case (CSV)", "csv", "text/csv; charset=utf-8"),
    "attempts": ("Spreadsheet, a row for each fix tried (CSV)", "csv", "text/csv; charset=utf-8"),
    "package": ("Data package for other programs (zip)", "zip", "application/zip"),
}


@dataclass(frozen=True, slots=True)
class Choice:
    """What is taken out: all records, or the cases that a search finds with what they need."""

    query: str = ""
    filters: Filters = field(default_factory=Filters)

    @property
    def everything(self) -> bool:
        return not self.query.strip() and not self.filters.chosen()


def count(shop: Shop, choice: Choice) -> int:
    """How many cases there are to take out."""
    if not choice.everything:
        return case_search.search(shop, choice.query, choice.filters, limit=0).results.total
    with shop.read() as session:
        return cases.count(session)


def records(shop: Shop, choice: Choice) -> Iterator[LineRecord]:
    """The records in an order in which they can be read back: shops, lists, families, pictures, cases.

    For a search's result exactly what its cases name goes with them.
    """
    if choice.everything:
        with shop.read() as session:
            yield from whole(session)
        return
    uids = case_search.every(shop, choice.query, choice.filters)
    with shop.read() as session:
        needed = Needed()
        for case in _cases(session, uids):
            needed.by(case)
        yield from needed.records(session)
        yield from _cases(session, uids)


def whole(session: Session) -> Iterator[LineRecord]:
    """All records of a store."""
    yield from origins.records(session)
    yield from lists.symptoms(session)
    yield from lists.part_classes(session)
    yield from lists.loads(session)
    yield from lists.shelf_parts(session)
    ids = families.all_ids(session)
    for start in range(0, len(ids), _BATCH):
        for family in families.by_ids(session, ids[start : start + _BATCH]):
            yield family.record
    for picture in pictures.every(session):
        yield picture.record
    for batch in cases.in_order(session):
        for case in batch:
            yield case.record


def _cases(session: Session, uids: list[str]) -> Iterator[CaseRecord]:
    for start in range(0, len(uids), _BATCH):
        for case in cases.many(session, uids[start : start + _BATCH]):
            yield case.record


@dataclass(slots=True)
class Needed:
    """What some cases name, so that they can be read where none of it is known."""

    families: set[str] = field(default_factory=set)
    symptoms: set[str] = field(default_factory=set)
    part_classes: set[str] = field(default_factory=set)
    origins: set[str] = field(default_factory=set)

    def by(self, case: CaseRecord) -> None:
        """Notes what a case names."""
        self.families.add(case.family)
        self.symptoms.update(entry.name for entry in case.symptoms)
        self.part_classes.update(entry.part_class for entry in case.attempts)
        if case.origin:
            self.origins.add(case.origin)

    def records(self, session: Session) -> Iterator[LineRecord]:
        """The records of all that was noted."""
        yield from (one for one in origins.records(session) if one.id in self.origins)
        yield from (one for one in lists.symptoms(session) if one.name in self.symptoms)
        yield from (one for one in lists.part_classes(session) if one.name in self.part_classes)
        yield from self.family_records(session)
        yield from (one.record for one in self.pictures(session))

    def pictures(self, session: Session) -> Iterator[StoredPicture]:
        """The pictures of the families that were noted."""
        yield from (one for one in pictures.every(session) if one.record.family in self.families)

    def family_records(self, session: Session) -> Iterator[FamilyRecord]:
        """The families that were noted, in order of their code."""
        ids = families.all_ids(session)
        for start in range(0, len(ids), _BATCH):
            for family in families.by_ids(session, ids[start : start + _BATCH]):
                if family.record.code in self.families:
                    yield family.record


def chunks(kind: str, given: Iterable[LineRecord]) -> Generator[bytes]:
    """The records in one of the formats that can be written line by line. Raises BadInput for any other."""
    if kind == "jsonl":
        return (exchange.write(record).encode() for record in given)
    found = (record for record in given if isinstance(record, CaseRecord))
    if kind == "csv":
        rows = (case_sheets.case_row(case) for case in found)
        return (line.encode() for line in case_sheets.lines(case_sheets.CASES, rows))
    if kind == "attempts":
        rows = (row for case in found for row in case_sheets.attempt_rows(case))
        return (line.encode() for line in case_sheets.lines(case_sheets.ATTEMPTS, rows))
    raise BadInput(
        f'There is no format "{kind}".', field="format", remedy="Use one of: " + ", ".join(FORMATS) + "."
    )


def stream(
    kind: str, given: Iterable[LineRecord], title: str, made: str, photographs: Photographs | None = None
) -> Generator[bytes]:
    """The bytes of a file in any of the formats, a piece at a time. `made` is a day."""
    if kind == "package":
        return package_file.stream(given, title, made, photographs)
    return chunks(kind, given)


def refuse_photographs(kind: str) -> None:
    """Raises BadInput where a file of this format cannot hold photographs."""
    if kind != "package":
        raise BadInput(
            "Photographs go into the data package only; the other formats hold text.",
            field="with_photos",
            remedy="Choose the data package, or leave the photographs out. A backup holds everything.",
        )


def taken(
    shop: Shop,
    kind: str,
    choice: Choice,
    *,
    with_photos: bool = False,
    told: Callable[[str], None] = lambda sentence: None,
) -> Generator[bytes]:
    """The bytes of what is chosen, under the shop's name and today's date.

    `told` hears a sentence for each photograph that is missing or damaged. Raises BadInput at once for
    photographs in a format that holds none.
    """
    if with_photos:
        refuse_photographs(kind)
    title = shop.settings.shop_name or "Board faults"
    photographs = Photographs(shop, told) if with_photos else None
    return stream(kind, records(shop, choice), title, shop.today().isoformat(), photographs)


def file_name(shop: Shop, kind: str, number: int, *, part: str = "") -> str:
    """A name for a file that tells exports apart. Raises BadInput for an unknown format."""
    if kind not in FORMATS:
        chunks(kind, ())
    return f"board-faults-{part}{number}.{FORMATS[kind][1]}"


def write_file(target: Path, pieces: Iterable[bytes], after: Callable[[], None] = lambda: None) -> None:
    """Writes a file wholly or not at all."""
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        with system.open_private(part, "wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            system.sync(file.fileno())
        after()
        system.replace(part, target)
    finally:
        part.unlink(missing_ok=True)
