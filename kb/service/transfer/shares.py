"""What a shop shares of its own cases: nothing that tells who its customers are, and all of it shown before.

Every text that would be written is shown: what is collected for that are the records as they are written, but for
entries of the lists that every store has, words of fixed lists, days and numbers.
Left out always: customer, who worked on it, what it waits for, costs, quotes, what was typed beside readings, the
notes of follow-ups and families, tips, the parts shelf, photographs of cases. Pictures of boards go along only where
that is chosen. Masked in what is left: numbers, addresses and the names of all customers the store knows. Cases of
other shops are theirs to share.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session

from kb.errors import BadInput, NotFound
from kb.exchange.masking import Mask
from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import VERDICTS
from kb.model import (
    CaseRecord,
    FamilyRecord,
    LineRecord,
    NotedSymptom,
    OriginRecord,
    PartClassRecord,
    PictureRecord,
    Pin,
    SymptomRecord,
    as_dict,
    explain,
)
from kb.service.boards import pictures as boards
from kb.service.shop.jobs import Job
from kb.service.shop.shop import Shop
from kb.service.transfer.exports import Needed
from kb.service.transfer.incoming import public_id
from kb.store.records import case_lists, cases, changes, families, lists, origins, people, pictures

TEXTS_SHOWN = 25
MOST_OFFERED = 40  # families to tick; others are named
JOB = "share"
_STANDARD = {entry.name for entry in SYMPTOMS} | {entry.name for entry in PART_CLASSES}
# Fields whose words are of a fixed list, or days, or made by the program.
_FIXED = {
    *(
        "record",
        "uid",
        "origin",
        "received",
        "closed",
        "date",
        "verdict",
        "section",
        "result",
        "state",
        "quantity",
    ),
    *("supply", "load", "role", "switch", "active", "how"),
}


@dataclass(frozen=True, slots=True)
class Choice:
    """What is shared: `families`, `years` and `verdicts` empty for all; `words` are masked as well.

    `left_out` holds uids of cases that stay here. Open cases always do.
    """

    name: str = ""
    families: frozenset[str] = frozenset()
    years: frozenset[int] = frozenset()
    verdicts: frozenset[str] = frozenset()
    complaints: bool = True
    notes: bool = False
    pictures: bool = False
    words: tuple[str, ...] = ()
    left_out: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Text:
    """Free text of a case as it would leave: `uid` is the case's own here."""

    uid: str
    family: str
    complaint: str
    notes: str
    others: str


@dataclass(frozen=True, slots=True)
class Along:
    """A board family or an entry of a list that goes along: its name, and all other words of it."""

    name: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """What would be written: counts by kind of what was masked, one page of the texts of the cases, all of the board
    families, the pictures of boards and the own entries of lists that go along.

    `marks` holds for each further page of texts the uid of the case before it, so that going on does not
    take looking through everything again.
    """

    cases: int
    families: int
    masked: dict[str, int]
    texts: tuple[Text, ...]
    total_texts: int
    offset: int
    marks: tuple[str, ...] = ()
    boards: tuple[Along, ...] = ()
    entries: tuple[Along, ...] = ()
    pictures: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """What a job of looking through answers: what was chosen, and what would be written of it.

    `change` is the number of the store's newest change at that time.
    """

    choice: Choice
    preview: Preview
    change: int


@dataclass(slots=True)
class Offer:
    """What there is to choose from: the families with most own closed cases, and how many more there are."""

    families: list[str] = field(default_factory=list)
    more_families: int = 0
    years: list[int] = field(default_factory=list)
    verdicts: tuple[str, ...] = tuple(word.value for word in VERDICTS)


def offer(shop: Shop) -> Offer:
    """Families and years of the shop's own closed cases."""
    with shop.read() as session:
        found = shop.kept.get(session, "own closed cases", ("case", "family"), _own_closed)
    return Offer(*found)


def _own_closed(session: Session) -> tuple[list[str], int, list[int]]:
    return case_lists.own_closed(session, MOST_OFFERED)


def codes_of(shop: Shop, numbers: Iterable[str]) -> frozenset[str]:
    """The codes of the families that are known by these numbers. Raises NotFound for a number that none has."""
    with shop.read() as session:
        return frozenset(families.get(session, number).record.code for number in numbers)


def sharing_name(shop: Shop) -> str:
    """The name to share under: the one used last, else the shop's."""
    with shop.read() as session:
        return origins.sharing_name(session) or shop.settings.shop_name


def own_origin(shop: Shop, name: str) -> OriginRecord:
    """The first line of what this shop shares. Raises BadInput where the name cannot be used."""
    try:
        return OriginRecord(id=public_id(shop.store.identity), name=name, date=shop.today(), sharing=True)
    except ValidationError as error:
        problem = explain(error)
        raise BadInput(
            "The name to share under is missing or cannot be used.",
            field="name",
            remedy=problem.remedy if name.strip() else "Give the name that other shops shall see.",
        ) from error


def keep_name(shop: Shop, name: str) -> None:
    """Keeps the name for the next time."""
    with shop.write() as session:
        if origins.sharing_name(session) != name:
            origins.set_sharing_name(session, name)


def look(shop: Shop, choice: Choice) -> Job:
    """Begins to look through what would be shared, which takes minutes where there are many cases.

    The job's result is a `Seen`.
    """

    def work(job: Job) -> Seen:
        with shop.read() as session:
            change = changes.latest(session)[0]
        return Seen(choice, preview(shop, choice, told=job.advance), change)

    with shop.read() as session:
        total = cases.count(session)
    title = "Looking through what would be shared"
    job = shop.jobs.start(JOB, title, work, unit="cases", total=total, person=shop.person)
    job.answer_at = f"/data/share/seen/{job.id}"
    return job


def seen_by(shop: Shop, job_id: str) -> Job:
    """A job that `look` began. Raises NotFound for any other."""
    job = shop.jobs.get(job_id)
    if job.kind != JOB:
        raise NotFound("This is other work.", remedy="Choose again what to share.")
    return job


def still_holds(shop: Shop, job: Job, choice: Choice) -> bool:
    """Whether a job looked through this very choice, by whatever name, and nothing was changed since."""
    if not isinstance(job.result, Seen) or replace(job.result.choice, name="") != replace(choice, name=""):
        return False
    with shop.read() as session:
        return changes.latest(session)[0] == job.result.change


def at_page(shop: Shop, seen: Seen, offset: int) -> Preview:
    """Another page of the texts of what was looked through; the counts stay those of that time."""
    page = min(max(offset // TEXTS_SHOWN, 0), len(seen.preview.marks))
    if page == 0:
        return seen.preview
    with shop.read() as session:
        work = _Sharing(session, shop, seen.choice)
        found = (_text_of(*pair) for pair in work.cases(after=seen.preview.marks[page - 1]))
        texts = tuple(islice((text for text in found if text is not None), TEXTS_SHOWN))
    return replace(seen.preview, texts=texts, offset=page * TEXTS_SHOWN)


def preview(shop: Shop, choice: Choice, *, told: Callable[[int], None] = lambda number: None) -> Preview:
    """What `records` would write, without writing it, with the first texts.

    `told` hears how many further cases of the store were looked at.
    """
    with shop.read() as session:
        work = _Sharing(session, shop, choice)
        texts, marks, total, shared, needed, last = [], [], 0, 0, Needed(), ""
        for case, masked in work.cases(told=told):
            shared += 1
            needed.by(case)
            text = _text_of(case, masked)
            if text is None:
                continue
            if total < TEXTS_SHOWN:
                texts.append(text)
            elif total % TEXTS_SHOWN == 0:
                marks.append(last)
            total += 1
            last = text.uid
        entries = [_along(one, one.name) for one in work.entries(needed) if one.name not in _STANDARD]
        boards_along = [_along(work.family(one), one.code) for one in needed.family_records(session)]
        found = dict(work.mask.found)
        along = list(work.pictures(needed.families)) if choice.pictures else []
        shown = [*boards_along, *(Along(f"{one.family}, {one.side}", work.pins(one)) for one in along)]
        return Preview(
            cases=shared,
            families=len(needed.families),
            masked=found,
            texts=tuple(texts),
            total_texts=total,
            offset=0,
            marks=tuple(marks),
            boards=tuple(shown),
            entries=tuple(entries),
            pictures=len(along),
        )


def _text_of(case: CaseRecord, masked: CaseRecord) -> Text | None:
    shown = {masked.family, masked.complaint, masked.notes}
    others = ", ".join(word for word in _words_of(as_dict(masked)) if word not in shown)
    if not (masked.complaint or masked.notes or others):
        return None
    return Text(str(case.uid), masked.family, masked.complaint, masked.notes, others)


def _along(record: LineRecord, name: str) -> Along:
    return Along(name, tuple(word for word in _words_of(as_dict(record)) if word != name))


def _words_of(data: Any, field: str = "") -> list[str]:
    """Every text of a record that somebody may have typed, once each, in their order."""
    if isinstance(data, str):
        return [data] if data and field not in _FIXED and data not in _STANDARD else []
    inner = (
        data.items()
        if isinstance(data, dict)
        else [(field, one) for one in data]
        if isinstance(data, list)
        else []
    )
    return list(dict.fromkeys(word for name, one in inner for word in _words_of(one, name)))


def records(shop: Shop, choice: Choice) -> Iterator[LineRecord]:
    """What is shared: the shop's own line first, then lists and families, then cases. Raises BadInput."""
    first = own_origin(shop, choice.name)
    with shop.read() as session:
        work = _Sharing(session, shop, choice)
        yield first
        needed = Needed()
        for case, _ in work.cases(masking=False):
            needed.by(case)
        seen: set[tuple[str, str]] = set()
        for record in work.entries(needed):
            key = (record.record, record.key)
            if key not in seen:
                seen.add(key)
                yield record
        for family in needed.family_records(session):
            yield work.family(family)
        if choice.pictures:
            for picture in work.pictures(needed.families):
                yield work.picture(picture)
        for _, masked in work.cases():
            yield masked


class _Sharing:
    def __init__(self, session: Session, shop: Shop, choice: Choice) -> None:
        self._session, self._shop = session, shop
        self._choice = choice
        self._origin = public_id(shop.store.identity)
        names = [*case_lists.people(session), *(one.name for one in people.every(session))]
        self.mask = Mask(names, choice.words)

    def cases(
        self, *, masking: bool = True, after: str = "", told: Callable[[int], None] = lambda number: None
    ) -> Iterator[tuple[CaseRecord, CaseRecord]]:
        """(the case as it is here, as it leaves) of everything chosen, in order of the uid."""
        for batch in cases.in_order(self._session, batch=100, after=after):
            told(len(batch))
            for stored in batch:
                case = stored.record
                if self._is_chosen(case):
                    yield case, self._masked(case) if masking else case

    def _is_chosen(self, case: CaseRecord) -> bool:
        chosen = self._choice
        day = case.closed or case.received
        return (
            not case.origin
            and case.verdict is not None
            and case.uid not in chosen.left_out
            and (not chosen.families or case.family in chosen.families)
            and (not chosen.verdicts or case.verdict in chosen.verdicts)
            and (not chosen.years or (day is not None and day.year in chosen.years))
        )

    def _masked(self, case: CaseRecord) -> CaseRecord:
        text = self.mask.text
        return CaseRecord.model_construct(
            uid=_shared_uid(self._origin, str(case.uid)),
            origin=self._origin,
            family=case.family,
            revision=_short(text(case.revision)),
            brand=_short(text(case.brand)),
            device=_short(text(case.device)),
            year_made=case.year_made,
            received=case.received,
            closed=case.closed,
            verdict=case.verdict,
            complaint=text(case.complaint)[:2_000] if self._choice.complaints else "",
            symptoms=_once(
                [entry.model_copy(update={"name": self._name(entry.name)}) for entry in case.symptoms]
            ),
            readings=[
                entry.model_copy(
                    update={
                        "written": "",
                        "point": _short(text(entry.point), 80) if entry.point else entry.point,
                        "rail": _short(text(entry.rail), 80) if entry.rail else entry.rail,
                    }
                )
                for entry in case.readings
            ],
            attempts=[
                entry.model_copy(
                    update={
                        "part": _short(text(entry.part)),
                        "part_class": self._name(entry.part_class),
                        "failure": _short(text(entry.failure)),
                        "action": _short(text(entry.action)),
                        "cost": None,
                        "shelf_part": "",
                        "shelf_count": None,
                    }
                )
                for entry in case.attempts
            ],
            follow_ups=[entry.model_copy(update={"note": ""}) for entry in case.follow_ups],
            pin_values=[
                one.model_copy(update={"connector": _short(text(one.connector), 80)})
                for one in case.pin_values
            ],
            notes=text(case.notes)[:20_000] if self._choice.notes else "",
        )

    def _name(self, name: str) -> str:
        """The name of a list's entry; those that every store has are as they are."""
        return name if name in _STANDARD else _short(self.mask.text(name), 80)

    def entries(self, needed: Needed) -> Iterator[SymptomRecord | PartClassRecord]:
        """The list entries that the cases name."""
        text = self.mask.text
        for symptom in lists.symptoms(self._session):
            if symptom.name in needed.symptoms:
                words = (
                    [] if symptom.name in _STANDARD else [_short(text(one), 80) for one in symptom.synonyms]
                )
                yield symptom.model_copy(update={"name": self._name(symptom.name), "synonyms": words})
        for kind in lists.part_classes(self._session):
            if kind.name in needed.part_classes:
                words = [] if kind.name in _STANDARD else [_short(text(one), 80) for one in kind.synonyms]
                yield kind.model_copy(update={"name": self._name(kind.name), "synonyms": words})

    def family(self, family: FamilyRecord) -> FamilyRecord:
        """A family without its notes; other numbers that hold something personal stay here."""
        text = self.mask.text
        return family.model_copy(
            update={
                "kind": _short(text(family.kind)),
                "aliases": [alias for alias in family.aliases if not self.mask.finds(alias)],
                "fuse": _short(text(family.fuse)),
                "rails": [
                    rail.model_copy(
                        update={
                            "name": _short(text(rail.name), 80),
                            "connector": _short(text(rail.connector)),
                        }
                    )
                    for rail in family.rails
                ],
                "connectors": [
                    one.model_copy(update={"name": _short(text(one.name), 80)}) for one in family.connectors
                ],
                "enable": family.enable
                and family.enable.model_copy(
                    update={
                        "connector": _short(text(family.enable.connector)),
                        "from_rail": _short(text(family.enable.from_rail)),
                    }
                ),
                "tips": [],
                "used_in": [],
                "documents": [],
                "revisions": [
                    one.model_copy(
                        update={"name": _short(text(one.name), 80), "differs": text(one.differs)[:2_000]}
                    )
                    for one in family.revisions
                ],
                "pin_values": [
                    one.model_copy(update={"connector": _short(text(one.connector), 80)})
                    for one in family.pin_values
                ],
                "notes": "",
            }
        )

    def pictures(self, codes: Collection[str]) -> Iterator[PictureRecord]:
        """The pictures of some families that can go along."""
        for one in pictures.every(self._session):
            if one.record.family in codes and one.is_here and one.record.replaced_by is None:
                yield one.record

    def picture(self, picture: PictureRecord) -> PictureRecord:
        """A picture of a board with its bytes, made smaller where a line would be too long for them."""
        given = boards.for_sharing(self._shop, picture)
        pins = [pin for pin in given.pins if self._tells_nothing(pin)]
        uid = _shared_uid(self._origin, picture.uid)
        return given.model_copy(update={"uid": uid, "caption": "", "taken": None, "pins": pins})

    def _tells_nothing(self, pin: Pin) -> bool:
        return not self.mask.finds(pin.label) and not self.mask.finds(pin.part_class)

    def pins(self, picture: PictureRecord) -> tuple[str, ...]:
        """What the pins say that go along with a picture."""
        kept = [pin for pin in picture.pins if self._tells_nothing(pin)]
        return tuple(dict.fromkeys(word for pin in kept for word in (pin.label, pin.part_class) if word))


def _short(text: str, most: int = 200) -> str:
    return text[:most].strip()


def _once(entries: list[NotedSymptom]) -> list[NotedSymptom]:
    return list({entry.name.casefold(): entry for entry in entries}.values())


def _shared_uid(origin: str, uid: str) -> str:
    """The uid by which other shops know a case: one that was given by hand may tell something, or be taken."""
    try:
        return str(uuid.UUID(uid)) if uid == str(uuid.UUID(uid)) else str(uuid.uuid5(uuid.UUID(origin), uid))
    except ValueError:
        return str(uuid.uuid5(uuid.UUID(origin), uid))


def masked_words(found: Mapping[str, int]) -> str:
    """What was masked as a part of a sentence: "2 addresses, 3 names"."""
    ending = {"address": "es"}
    told = [
        f"{number} {kind}{'' if number == 1 else ending.get(kind, 's')}"
        for kind, number in sorted(found.items())
    ]
    return ", ".join(told) if told else "nothing"
