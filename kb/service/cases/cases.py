"""What a person does with one case: look at it, save it, put it in the bin."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from kb.errors import BadInput, OthersCase, Taken
from kb.model import CaseRecord, FamilyRecord, PinValue, Reading, as_dict
from kb.service.cases import prerequisites
from kb.service.shop.shop import Shop
from kb.service.shop.translate import JudgedReading, find_rail, judge
from kb.store.records import bins, case_lists, cases, changes, families, kinds, origins
from kb.store.records.cases import StoredCase, Writer
from kb.suggest.place_in_chain import presumed_cause

__all__ = [
    "Bench",
    "CaseView",
    "StoredCase",
    "add_new",
    "bench",
    "cause_of",
    "exists",
    "history",
    "listed",
    "put_in_bin",
    "save",
    "set_bench_state",
    "set_cause",
    "set_pins",
    "short_uid",
    "stored",
    "take_from_bin",
    "view",
    "workers",
]


@dataclass(frozen=True, slots=True)
class CaseView:
    """A case as its page shows it, each reading judged against its rail; `origin` names another shop."""

    record: CaseRecord
    family: FamilyRecord
    version: int
    changed_at: datetime
    binned_at: datetime | None
    readings: tuple[JudgedReading, ...]
    origin: str = ""

    @property
    def short(self) -> str:
        return short_uid(str(self.record.uid))

    @property
    def minutes(self) -> int:
        return sum(attempt.minutes or 0 for attempt in self.record.attempts)

    @property
    def cost(self) -> float:
        return round(sum(attempt.cost or 0.0 for attempt in self.record.attempts), 2)


@dataclass(frozen=True, slots=True)
class Bench:
    """What the start page shows: boards on the bench, what came back, what was written last."""

    open: tuple[CaseRecord, ...]
    came_back: tuple[CaseRecord, ...]
    latest: tuple[CaseRecord, ...]
    cases: int
    families: int
    waiting: int
    mine: int


def short_uid(uid: str) -> str:
    """The first characters of a uid, enough to tell the cases on one bench apart."""
    return uid[:8]


def stored(shop: Shop, uid: str) -> StoredCase:
    """One case as it stands in the store, also one in the bin. Raises NotFound."""
    with shop.read() as session:
        return cases.get(session, uid)


def view(shop: Shop, uid: str) -> CaseView:
    """One case, also one in the bin. Raises NotFound."""
    with shop.read() as session:
        found = cases.get(session, uid)
        family = families.get(session, found.record.family, also_binned=True).record
        origin = origins.of_cases(session, [uid]).get(uid, "")
    readings = tuple(judge(family, reading) for reading in found.record.readings)
    return CaseView(found.record, family, found.version, found.changed_at, found.binned_at, readings, origin)


def own(shop: Shop, uid: str) -> CaseView:
    """One case of the shop's own. Raises NotFound, and OthersCase for one of another shop."""
    found = view(shop, uid)
    if found.origin:
        raise OthersCase(uid)
    return found


def save(
    shop: Shop,
    record: CaseRecord,
    *,
    expected_version: int | None = None,
    create_missing: bool = False,
    new: bool = False,
) -> StoredCase:
    """Adds a case, or replaces the one with its uid when `expected_version` says which was read.

    Raises BadInput for what cannot be kept, Conflict where somebody else was faster, NotFound for a uid
    with an expected version that the store does not hold, and Taken where a `new` case has the uid of
    one that it does hold.
    """
    prerequisites.refuse_future_days(record, shop.today())
    if record.uid is None:
        record = record.model_copy(update={"uid": str(uuid.uuid4())})
    with shop.write() as session:
        if new and cases.has(session, str(record.uid)):
            raise Taken(
                f"There is a case {record.uid} already.",
                field="uid",
                remedy="Leave the uid out for a new case, or change the existing one.",
            )
        writer = Writer(session)
        if create_missing:
            prerequisites.create_missing(session, writer, record)
        family = families.find(session, record.family)
        if family is not None:
            record = _with_rail_names(families.by_ids(session, [family[0]])[0].record, record)
        writer.write([record], expected_version=expected_version)
        saved = cases.get(session, str(record.uid))
    shop.refresh()
    return saved


def _with_rail_names(family: FamilyRecord, record: CaseRecord) -> CaseRecord:
    """Readings under the family's own spelling of its rails, so that "5vsb" and "5 VSB" are one."""

    def spelled(reading: Reading) -> Reading:
        rail = find_rail(family, reading.rail)
        return reading if rail is None else reading.model_copy(update={"rail": rail.name})

    return record.model_copy(update={"readings": [spelled(reading) for reading in record.readings]})


def exists(shop: Shop, uid: str) -> bool:
    """Whether the store holds a case of this uid, in the bin or not."""
    with shop.read() as session:
        return cases.has(session, uid)


def add_new(shop: Shop, record: CaseRecord) -> StoredCase:
    """Adds a case that must not be there yet. Raises Taken where its uid is taken."""
    return save(shop, record, new=True)


def put_in_bin(shop: Shop, uid: str, *, expected_version: int | None = None) -> None:
    """Takes a case out of search, suggestions and exports; it can be taken out of the bin again."""
    with shop.write() as session:
        bins.put(session, "case", uid, expected_version=expected_version)
    shop.refresh()


def take_from_bin(shop: Shop, uid: str) -> None:
    """Undoes `put_in_bin`; what the case names comes out of the bin with it. Raises NotFound."""
    with shop.write() as session:
        kinds.standing_of(session, "case", uid)
        bins.take_out(session, "case", [uid])
    shop.refresh()


def history(shop: Shop, uid: str) -> list[dict[str, object]]:
    """Earlier versions of a case, newest first, as the exchange format writes them."""
    with shop.read() as session:
        return changes.replaced(session, "case", uid)


def _loaded(session: Session, ids: list[int]) -> tuple[CaseRecord, ...]:
    found = cases.load(session, ids)
    return tuple(found[case_id].record for case_id in ids)


def bench(shop: Shop, *, most: int = 12) -> Bench:
    """What lies on the bench and what happened last."""
    with shop.read() as session:
        lists = (
            case_lists.open_ids(session, most),
            case_lists.came_back_ids(session, 5),
            case_lists.latest_ids(session, 5),
        )
        found = cases.load(session, [case_id for ids in lists for case_id in ids])
        of_open, back, latest = (tuple(found[case_id].record for case_id in ids) for ids in lists)
        return Bench(
            open=of_open,
            came_back=back,
            latest=latest,
            cases=cases.count(session),
            families=len(shop.kept.families(session)),
            waiting=case_lists.waiting(session),
            mine=dict(case_lists.workers(session)).get(shop.person, 0),
        )


def listed(
    shop: Shop, which: str, *, limit: int, offset: int, worker: str = ""
) -> tuple[int, tuple[CaseRecord, ...]]:
    """(how many, one page of them) of the cases that are `open`, `waiting`, `binned` or `all`.

    With `worker` only those that this person has in hand.
    """
    with shop.read() as session:
        total, ids = case_lists.page(session, which, limit=limit, offset=offset, worker=worker)
        return total, _loaded(session, ids)


def workers(shop: Shop) -> list[tuple[str, int]]:
    """Who has open boards in hand, and how many."""
    with shop.known() as session:
        return case_lists.workers(session)


def set_bench_state(
    shop: Shop, uid: str, *, worker: str, waiting_for: str, since: date | None, expected_version: int
) -> StoredCase:
    """Notes who has an open board in hand and which parts it waits for; waiting begins today without a day.

    Raises what `save` raises, and BadInput for a board that is done.
    """
    record = stored(shop, uid).record
    if record.verdict is not None:
        raise BadInput("This board is done.", field="verdict", remedy="Take its verdict back first.")
    update: dict[str, object] = {"worker": worker, "waiting_for": waiting_for, "waiting_since": None}
    if waiting_for.strip():
        same = waiting_for.strip() == record.waiting_for
        update["waiting_since"] = since or (record.waiting_since if same else None) or shop.today()
    changed = CaseRecord.model_validate({**record.model_dump(), **update})
    return save(shop, changed, expected_version=expected_version)


def cause_of(record: CaseRecord) -> tuple[tuple[int, ...], int | None]:
    """(places of the attempts that cured the board together, the place of the one that was the cause).

    Nothing where a single part cured it. Where nobody said which was the cause, the place in the chain says it.
    """
    cured = tuple(place for place, one in enumerate(record.attempts) if one.result == "cured")
    if len(cured) < 2:
        return (), None
    presumed = presumed_cause([record.attempts[place] for place in cured])
    return cured, None if presumed is None else cured[presumed]


def set_cause(shop: Shop, uid: str, named: str) -> StoredCase:
    """Says which of the parts that cured a board was the cause, "part|part class|section"; the others followed.

    Made on what stands in the store now, which it overwrites in nothing else. Raises BadInput where the case
    has no such attempt, and what `save` raises.
    """
    view = own(shop, uid)
    names = ["|".join((one.part, one.part_class, one.section)) for one in view.record.attempts]
    cured = [one.result == "cured" for one in view.record.attempts]
    if not any(name == named and is_cured for name, is_cured in zip(names, cured, strict=True)):
        raise BadInput(
            "No such part cured this board.",
            field="part",
            remedy="Look at the case again: it was changed meanwhile.",
        )
    attempts = [
        one.model_copy(update={"cause": name == named}) if is_cured else one
        for one, name, is_cured in zip(view.record.attempts, names, cured, strict=True)
    ]
    record = view.record.model_copy(update={"attempts": attempts})
    return save(shop, record, expected_version=view.version)


def set_pins(shop: Shop, uid: str, pins: Sequence[PinValue], *, expected_version: int) -> StoredCase:
    """Keeps what the pins of a board measure to ground. Raises what `save` raises, and OthersCase."""
    record = own(shop, uid).record.model_copy(update={"pin_values": list(pins)})
    return save(shop, CaseRecord.model_validate(as_dict(record)), expected_version=expected_version)
