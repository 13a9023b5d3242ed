"""Cases: written as whole records, in batches of any size by one and the same path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import BindParameter, bindparam, delete, insert, select, update
from sqlmodel import Session, col

from kb.errors import BadInput, Conflict, NotFound, OthersCase
from kb.facts.designators import code_key
from kb.model import Attempt, CaseRecord, FollowUp, NotedSymptom, PinValue, Quote, Reading, Record, as_dict
from kb.store.engine.rows import as_rows
from kb.store.records import changes, families, totals
from kb.store.records.lists import Names
from kb.store.tables.core import (
    BoardCase,
    CaseAttempt,
    CaseFollowUp,
    CaseReading,
    CaseSymptom,
    Family,
    PartClass,
    Symptom,
    now,
)

AnyRecord = TypeVar("AnyRecord", bound=Record)
_CHILDREN: tuple[Any, ...] = (CaseSymptom, CaseReading, CaseAttempt, CaseFollowUp)
_LISTS = ("symptoms", "readings", "attempts", "follow_ups")
# What stands in the case's own row under the record's name for it.
_PLAIN = tuple(
    name
    for name in CaseRecord.model_fields
    if name not in ("record", "uid", "origin", "family", "quote", "pin_values", *_LISTS)
)
_READING_FIELDS = tuple(Reading.model_fields)
_ATTEMPT_FIELDS = tuple(name for name in Attempt.model_fields if name not in ("part_class", "cost"))
_IDS: BindParameter[int] = bindparam("ids", expanding=True)


def _of_cases(model: Any, named: Any = None, link: str = "") -> Any:
    """The entries of the cases of some ids in their order, under the name of what they refer to."""
    query = select(model)
    if named is not None:
        query = select(model, named.name).join(named, named.id == getattr(model, link))
    return query.where(model.case_id.in_(_IDS)).order_by(model.case_id, model.position)


# Asked for most pages, so made once.
_ID = select(col(BoardCase.id)).where(col(BoardCase.uid) == bindparam("uid"))
_HEADS = (
    select(BoardCase, col(Family.code))
    .join(Family, col(Family.id) == BoardCase.family_id)
    .where(col(BoardCase.id).in_(_IDS))
)
_SYMPTOMS = _of_cases(CaseSymptom, Symptom, "symptom_id")
_READINGS = _of_cases(CaseReading)
_ATTEMPTS = _of_cases(CaseAttempt, PartClass, "part_class_id")
_FOLLOW_UPS = _of_cases(CaseFollowUp)


@dataclass(frozen=True, slots=True)
class StoredCase:
    """A case as it stands in the store."""

    id: int
    record: CaseRecord
    version: int
    changed_at: datetime
    binned_at: datetime | None = None


@dataclass(slots=True)
class Written:
    """What writing a batch of cases did."""

    added: int = 0
    updated: int = 0
    unchanged: int = 0


class Writer:
    """Writes cases within one transaction, looking up each family and list once.

    Cases of other shops are written by imports only, which say so by `with_origins`: whoever may change
    one says something of a board that he has never seen.
    """

    def __init__(self, session: Session, *, with_origins: bool = False) -> None:
        self._session = session
        self._with_origins = with_origins
        self._symptoms = Names(session, Symptom)
        self._part_classes = Names(session, PartClass)
        self._families: dict[str, tuple[int, str]] = {}

    def forget_lists(self) -> None:
        """Call after families, symptoms or part classes were added in this transaction."""
        self._symptoms.reload(self._session)
        self._part_classes.reload(self._session)
        self._families.clear()

    def _family(self, number: str) -> tuple[int, str] | None:
        key = code_key(number)
        if key not in self._families:
            found = families.find(self._session, number)
            if found is None:
                return None
            self._families[key] = found
        return self._families[key]

    def unknown(self, record: CaseRecord) -> list[tuple[str, str, str]]:
        """(field, kind, name) of each family, symptom and part class the store does not know."""
        found = []
        if self._family(record.family) is None:
            found.append(("family", "family", record.family))
        for number, symptom in enumerate(record.symptoms):
            if self._symptoms.find(symptom.name) is None:
                found.append((f"symptoms.{number}.name", "symptom", symptom.name))
        for number, attempt in enumerate(record.attempts):
            if self._part_classes.find(attempt.part_class) is None:
                found.append((f"attempts.{number}.part_class", "part class", attempt.part_class))
        return found

    def symptom_name(self, name: str) -> str:
        """The list's own name of a symptom; the name itself where the list does not know it."""
        return (self._symptoms.find(name) or (0, name))[1]

    def renamed(self, record: CaseRecord) -> CaseRecord:
        """The record with the store's own names where it knows them, unchecked."""
        symptoms = [_renamed(one, "name", (0, self.symptom_name(one.name))) for one in record.symptoms]
        attempts = [
            _renamed(one, "part_class", self._part_classes.find(one.part_class) or (0, one.part_class))
            for one in record.attempts
        ]
        record = _renamed(record, "family", self._family(record.family) or (0, record.family))
        return record.model_copy(update={"symptoms": symptoms, "attempts": attempts})

    def checked(self, record: CaseRecord) -> CaseRecord:
        """The record with the store's own names for family, symptoms and part classes.

        Raises BadInput where the store does not know one of them, or where two names are one symptom.
        """
        for field, kind, name in self.unknown(record):
            raise BadInput(
                f'There is no {kind} "{name}" in the store.',
                field=field,
                remedy=f"Check the spelling, or add the {kind} first.",
            )
        named = self.renamed(record)
        seen: dict[str, str] = {}
        for number, (symptom, typed) in enumerate(zip(named.symptoms, record.symptoms, strict=True)):
            if symptom.name in seen:
                raise BadInput(
                    f'"{seen[symptom.name]}" and "{typed.name}" are the same symptom.',
                    field=f"symptoms.{number}.name",
                    remedy="Keep one of them.",
                )
            seen[symptom.name] = typed.name
        return named

    def write(self, given: Sequence[CaseRecord], *, expected_version: int | None = None) -> Written:
        """Adds or replaces cases by uid; every uid must be set and occur once in the batch.

        Raises what `checked` raises, and Conflict where `expected_version` is given and is not the
        version in the store.
        """
        records = [self.checked(record) for record in given]
        uids = [record.uid for record in records]
        query = select(col(BoardCase.id), col(BoardCase.uid)).where(col(BoardCase.uid).in_(uids))
        known = {row.uid: row.id for row in as_rows(self._session).execute(query)}
        new = [record for record in records if record.uid not in known]
        if expected_version is not None and new:
            raise NotFound("The case is no longer in the store.", remedy="Save it as a new case.")
        for record in new:
            self._refuse_others(record)
        self._insert(new)
        written = Written(added=len(new))
        before = load(self._session, list(known.values()))
        replaced = []
        for record in records:
            if record.uid not in known:
                continue
            old = before[known[record.uid]]
            self._refuse_others(old.record, record)
            self._refuse_stale(old, expected_version)
            if old.binned_at is None and as_dict(old.record) == as_dict(record):
                written.unchanged += 1
            else:
                replaced.append((old, record))
        self._replace(replaced)
        written.updated = len(replaced)
        return written

    def _refuse_others(self, *records: CaseRecord) -> None:
        """Refuses to change another shop's case, and to make one by hand."""
        origins = [record.origin for record in records]
        if any(origins) and not (self._with_origins and len(set(origins)) == 1):
            raise OthersCase(str(records[0].uid))

    def _row(self, record: CaseRecord) -> dict[str, Any]:
        return {
            **{name: getattr(record, name) for name in _PLAIN},
            "uid": record.uid,
            "quote": record.quote.model_dump(mode="json") if record.quote else None,
            "pin_values": [one.model_dump() for one in record.pin_values] or None,
            "origin_id": record.origin or None,
            "family_id": _id(self._family(record.family)),
            "day": record.received or record.closed,
            "changed_at": now(),
        }

    @staticmethod
    def _refuse_stale(old: StoredCase, expected_version: int | None) -> None:
        if expected_version is not None and expected_version != old.version:
            raise Conflict(
                "This case was changed by somebody else since you opened it. Nothing was overwritten.",
                field="version",
                remedy="Compare both versions and save the one you want.",
            )

    def _insert(self, new: list[CaseRecord]) -> None:
        if not new:
            return
        first = changes.next_versions(self._session, "case", [str(record.uid) for record in new])
        ids = (
            as_rows(self._session)
            .scalars(
                insert(BoardCase).returning(col(BoardCase.id), sort_by_parameter_order=True),
                [{**self._row(record), "version": first[str(record.uid)]} for record in new],
            )
            .all()
        )
        self._write_children(list(zip(ids, new, strict=True)))
        totals.add_new(self._session, ids)
        changes.note(
            self._session,
            [("case", str(record.uid), "added", first[str(record.uid)], as_dict(record)) for record in new],
        )

    def _replace(self, pairs: list[tuple[StoredCase, CaseRecord]]) -> None:
        if not pairs:
            return
        changes.keep_replaced(
            self._session,
            [("case", old.record.uid, old.version, as_dict(old.record), old.binned_at) for old, _ in pairs],
        )
        rows = [
            {**self._row(record), "row_id": old.id, "version": old.version + 1, "binned_at": None}
            for old, record in pairs
        ]
        values: dict[str, Any] = {name: bindparam(name) for name in rows[0] if name != "row_id"}
        statement = update(BoardCase).where(col(BoardCase.id) == bindparam("row_id")).values(values)
        ids = [old.id for old, _ in pairs]
        with totals.moving(self._session, ids):
            as_rows(self._session).execute(statement, rows)
            for model in _CHILDREN:
                as_rows(self._session).execute(delete(model).where(model.case_id.in_(ids)))
            self._write_children([(old.id, record) for old, record in pairs])
        changes.note(
            self._session,
            [("case", str(record.uid), "updated", old.version + 1, as_dict(record)) for old, record in pairs],
        )

    def _write_children(self, cases: list[tuple[int, CaseRecord]]) -> None:
        rows: dict[Any, list[dict[str, Any]]] = {model: [] for model in _CHILDREN}
        for case_id, record in cases:
            for position, symptom in enumerate(record.symptoms):
                rows[CaseSymptom].append(
                    {
                        "case_id": case_id,
                        "position": position,
                        "symptom_id": _id(self._symptoms.find(symptom.name)),
                        "present": symptom.present,
                    }
                )
            for position, reading in enumerate(record.readings):
                fields = {name: getattr(reading, name) for name in _READING_FIELDS}
                rows[CaseReading].append({"case_id": case_id, "position": position, **fields})
            for position, attempt in enumerate(record.attempts):
                rows[CaseAttempt].append(
                    {
                        "case_id": case_id,
                        "position": position,
                        **{name: getattr(attempt, name) for name in _ATTEMPT_FIELDS},
                        "part_class_id": _id(self._part_classes.find(attempt.part_class)),
                        "cost_cents": None if attempt.cost is None else round(attempt.cost * 100),
                        "family_id": _id(self._family(record.family)),
                        "day": record.received or record.closed,
                    }
                )
            for position, follow_up in enumerate(record.follow_ups):
                rows[CaseFollowUp].append({"case_id": case_id, "position": position, **dict(follow_up)})
        for model, entries in rows.items():
            if entries:
                as_rows(self._session).execute(insert(model), entries)


def _id(found: tuple[int, str] | None) -> int:
    assert found is not None  # `checked` has refused what is unknown
    return found[0]


def _renamed(record: AnyRecord, field: str, found: tuple[int, str] | None) -> AnyRecord:
    """The record with the store's own name in a field; the same object where it has it already."""
    assert found is not None  # `checked` has refused what is unknown
    return record if getattr(record, field) == found[1] else record.model_copy(update={field: found[1]})


def load(session: Session, ids: Sequence[int]) -> dict[int, StoredCase]:
    """Cases by id, each with everything that belongs to it; five queries whatever their number."""
    if not ids:
        return {}
    heads = as_rows(session).execute(_HEADS, {"ids": ids}).all()
    symptoms, readings, attempts, follow_ups = (
        _grouped(session, one, ids) for one in (_SYMPTOMS, _READINGS, _ATTEMPTS, _FOLLOW_UPS)
    )
    found = {}
    for head in heads:
        record = CaseRecord.model_construct(
            uid=head.uid,
            origin=head.origin_id or "",
            family=head.code,
            **{name: getattr(head, name) for name in _PLAIN},
            quote=None if head.quote is None else Quote.kept(head.quote),
            pin_values=[PinValue.model_construct(**one) for one in head.pin_values or ()],
            symptoms=[
                NotedSymptom.model_construct(name=row.name, present=row.present)
                for row in symptoms.get(head.id, ())
            ],
            readings=[
                Reading.model_construct(**{name: getattr(row, name) for name in _READING_FIELDS})
                for row in readings.get(head.id, ())
            ],
            attempts=[_attempt(row) for row in attempts.get(head.id, ())],
            follow_ups=[
                FollowUp.model_construct(date=row.date, state=row.state, note=row.note)
                for row in follow_ups.get(head.id, ())
            ],
        )
        found[head.id] = StoredCase(head.id, record, head.version, head.changed_at, head.binned_at)
    return found


def _attempt(row: Any) -> Attempt:
    return Attempt.model_construct(
        **{name: getattr(row, name) for name in _ATTEMPT_FIELDS},
        part_class=row.name,
        cost=None if row.cost_cents is None else row.cost_cents / 100,
    )


def _grouped(session: Session, query: Any, ids: Sequence[int]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    for row in as_rows(session).execute(query, {"ids": ids}):
        found.setdefault(row.case_id, []).append(row)
    return found


def get(session: Session, uid: str) -> StoredCase:
    """One case, also one in the bin. Raises NotFound."""
    case_id = as_rows(session).scalar(_ID, {"uid": uid})
    if case_id is None:
        raise NotFound(f"There is no case {uid}.", field="uid", remedy="Search for it.")
    return load(session, [case_id])[case_id]


def many(session: Session, uids: Sequence[str]) -> list[StoredCase]:
    """The cases of these uids that are in the store and not in the bin, in the order asked for."""
    rows = (
        as_rows(session)
        .execute(
            select(col(BoardCase.id), col(BoardCase.uid)).where(
                col(BoardCase.uid).in_(uids), col(BoardCase.binned_at).is_(None)
            )
        )
        .all()
    )
    stored = load(session, [row.id for row in rows])
    by_uid = {row.uid: stored[row.id] for row in rows}
    return [by_uid[uid] for uid in uids if uid in by_uid]


def uids_of_family(session: Session, number: str) -> list[str]:
    """All cases of a family, none where there is no such family."""
    found = families.find(session, number)
    if found is None:
        return []
    return list(
        as_rows(session).scalars(select(col(BoardCase.uid)).where(col(BoardCase.family_id) == found[0]))
    )


def in_order(session: Session, *, batch: int = 500, after: str = "") -> Iterator[list[StoredCase]]:
    """All cases but those in the bin, in order of their uid, `batch` at a time; those `after` a uid."""
    return _walked(session, col(BoardCase.uid), after, batch)


def as_kept(session: Session, *, batch: int = 500) -> Iterator[list[StoredCase]]:
    """The same in the order in which they lie on the disk, which reads a large store several times faster."""
    return _walked(session, col(BoardCase.id), 0, batch)


def _walked(session: Session, by: Any, last: Any, batch: int) -> Iterator[list[StoredCase]]:
    query = (
        select(col(BoardCase.id), by.label("place"))
        .where(col(BoardCase.binned_at).is_(None))
        .order_by(by)
        .limit(batch)
    )
    while rows := as_rows(session).execute(query.where(by > last)).all():
        stored = load(session, [row.id for row in rows])
        yield [stored[row.id] for row in rows]
        last = rows[-1].place


def count(session: Session) -> int:
    """How many cases the store holds, those in the bin left out."""
    return totals.cases(session, "kept")


def has(session: Session, uid: str) -> bool:
    """Whether there is such a case, in the bin or not."""
    return as_rows(session).scalar(select(col(BoardCase.id)).where(col(BoardCase.uid) == uid)) is not None
