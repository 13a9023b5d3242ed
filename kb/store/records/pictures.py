"""Pictures of boards: which belong to a family, and what is where on them.

The bytes of a picture never change under its uid; its corners, scale and pins do, as versions of one record. A
record may come before its bytes do: an export in lines holds their hash alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, delete, func, insert, or_, select, update
from sqlmodel import Session, col

from kb.errors import BadInput, Conflict, NotFound
from kb.facts.designators import code_key
from kb.model import PictureRecord, Pin, as_dict
from kb.store.engine.rows import as_rows, ids_in_batches
from kb.store.records import changes, families, files
from kb.store.records.files import Content
from kb.store.tables.core import Family, History, now
from kb.store.tables.files import StoredFile
from kb.store.tables.pictures import BoardPicture, BoardPin

ENTITY = "picture"
MOST_OF_A_FAMILY = 40
_PLAIN = (
    *("uid", "side", "caption", "taken", "media_type", "width_px", "height_px", "corners"),
    *("straight_width_px", "straight_height_px", "mm_per_px", "replaced_by"),
)
_PIN_FIELDS = tuple(Pin.model_fields)
_BATCH = 400


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A picture as it stands in the store; `is_here` says whether its bytes came too."""

    id: int
    family_id: int
    record: PictureRecord
    version: int
    is_here: bool
    added_at: datetime
    added_by: str
    binned_at: datetime | None


def _found(
    session: Session, *conditions: Any, pins: ColumnElement[bool] | bool = True
) -> list[StoredPicture]:
    """Pictures in the order in which they came, with all of their pins, none, or those that a condition holds for."""
    rows = (
        as_rows(session)
        .execute(
            select(BoardPicture, col(Family.code))
            .join(Family, col(Family.id) == BoardPicture.family_id)
            .where(*conditions)
            .order_by(col(BoardPicture.family_id), col(BoardPicture.id))
        )
        .all()
    )
    held: dict[int, list[Pin]] = {row.id: [] for row in rows}
    if held and pins is not False:
        query = (
            select(BoardPin)
            .where(col(BoardPin.picture_id).in_(held))
            .order_by(col(BoardPin.picture_id), col(BoardPin.position))
        )
        if pins is not True:
            query = query.where(pins)
        for row in as_rows(session).execute(query):
            held[row.picture_id].append(
                Pin.model_construct(**{name: getattr(row, name) for name in _PIN_FIELDS})
            )
    return [
        StoredPicture(
            row.id,
            row.family_id,
            PictureRecord.model_construct(
                **{name: getattr(row, name) for name in _PLAIN},
                family=row.code,
                sha256=row.content,
                pins=held[row.id],
            ),
            row.version,
            row.stored_file_id is not None,
            row.added_at,
            row.added_by,
            row.binned_at,
        )
        for row in rows
    ]


def of_family(session: Session, family_id: int, *, also_replaced: bool = False) -> list[StoredPicture]:
    """The pictures of a family that are in use; none that are in the bin."""
    conditions = [col(BoardPicture.family_id) == family_id, col(BoardPicture.binned_at).is_(None)]
    if not also_replaced:
        conditions.append(col(BoardPicture.replaced_by).is_(None))
    return _found(session, *conditions)


@dataclass(frozen=True, slots=True)
class PictureLine:
    """A picture as a list shows it; `record` holds no pins, `pins` says how many there are."""

    record: PictureRecord
    pins: int
    is_here: bool


def lines(session: Session, family_id: int) -> list[PictureLine]:
    """The pictures of a family in use without what is pinned on them, in the order in which they came."""
    in_use = (
        col(BoardPicture.family_id) == family_id,
        col(BoardPicture.binned_at).is_(None),
        col(BoardPicture.replaced_by).is_(None),
    )
    found = _found(session, *in_use, pins=False)
    ids = [one.id for one in found]
    query = (
        select(col(BoardPin.picture_id), func.count())
        .where(col(BoardPin.picture_id).in_(ids))
        .group_by(col(BoardPin.picture_id))
    )
    counts: dict[int, int] = dict(as_rows(session).execute(query).all()) if ids else {}
    return [PictureLine(one.record, counts.get(one.id, 0), one.is_here) for one in found]


def of_codes(session: Session, codes: Collection[str]) -> list[StoredPicture]:
    """The pictures in use of some families, by their codes, without what is pinned on them."""
    in_use = (
        col(Family.code).in_(codes),
        col(BoardPicture.binned_at).is_(None),
        col(BoardPicture.replaced_by).is_(None),
    )
    return _found(session, *in_use, pins=False) if codes else []


def with_labels(
    session: Session,
    family_id: int,
    labels: Collection[str],
    *,
    classes: Collection[str] = (),
    letters: Collection[str] = (),
) -> list[StoredPicture]:
    """The same with those of their pins only that bear one of these names, however it is written, are of one of these
    part classes, or whose names begin with these letters."""
    keys = {code_key(label) for label in labels} - {""}
    in_use = (
        col(BoardPicture.family_id) == family_id,
        col(BoardPicture.binned_at).is_(None),
        col(BoardPicture.replaced_by).is_(None),
    )
    wanted = or_(
        col(BoardPin.label_key).in_(keys),
        col(BoardPin.part_class).in_(classes),
        *(col(BoardPin.label_key).startswith(code_key(one), autoescape=True) for one in sorted(letters)),
    )
    return _found(session, *in_use, pins=wanted) if keys or classes or letters else []


def get(session: Session, uid: str, *, also_binned: bool = False) -> StoredPicture:
    """One picture. Raises NotFound."""
    found = _found(session, col(BoardPicture.uid) == uid)
    if not found or (found[0].binned_at is not None and not also_binned):
        raise NotFound(
            "There is no such picture of a board.", field="picture", remedy="Open it from its board family."
        )
    return found[0]


def by_ids(session: Session, ids: Sequence[int]) -> list[StoredPicture]:
    """Pictures by id, those in the bin too."""
    return _found(session, col(BoardPicture.id).in_(ids))


def every(session: Session, *, also_binned: bool = False) -> Iterator[StoredPicture]:
    """All pictures, a few hundred at a time; without those in the bin none whose family lies there."""
    for ids in ids_in_batches(session, col(BoardPicture.id), _BATCH):
        conditions = [col(BoardPicture.id).in_(ids)]
        if not also_binned:
            conditions += [col(BoardPicture.binned_at).is_(None), col(Family.binned_at).is_(None)]
        yield from _found(session, *conditions)


def families_with(session: Session, family_ids: Collection[int]) -> set[int]:
    """Which of some families have a picture in use."""
    query = select(col(BoardPicture.family_id)).where(
        col(BoardPicture.family_id).in_(family_ids),
        col(BoardPicture.binned_at).is_(None),
        col(BoardPicture.replaced_by).is_(None),
    )
    return set(as_rows(session).scalars(query.distinct()))


def save(
    session: Session,
    record: PictureRecord,
    *,
    content: Content | None = None,
    expected_version: int | None = None,
) -> str:
    """Adds a picture or replaces the record of the same uid; "added", "updated" or "unchanged".

    `content` is what is known of its bytes, which are kept already. One that lay in the bin is in use again.

    Raises NotFound where there is no such family, Conflict where `expected_version` is given and the picture has
    moved on, and BadInput for other bytes under its uid.
    """
    record = record.model_copy(update={"image": None})
    family_id = _family_id(session, record)
    known = _found(session, col(BoardPicture.uid) == record.uid)
    if not known:
        _add(session, record, family_id, content)
        return "added"
    before = known[0]
    if expected_version is not None and expected_version != before.version:
        raise Conflict(
            "This picture was changed by somebody else since you opened it.",
            field="version",
            remedy="Reload it, look at the change and make yours again.",
        )
    if before.record.sha256 != record.sha256:
        raise BadInput(
            "Another picture cannot take the number of one that is there.",
            field="sha256",
            remedy="Give it a number of its own, and say of the old one that it is replaced.",
        )
    if before.binned_at is None and as_dict(before.record) == as_dict(record):
        return "unchanged"
    _replace(session, before, record, family_id)
    return "updated"


def _family_id(session: Session, record: PictureRecord) -> int:
    found = families.find(session, record.family)
    if found is None:
        raise NotFound(
            f"No board family is known by the number {record.family}.",
            field="family",
            remedy="Check the number, or add the family first.",
        )
    return found[0]


def _row(record: PictureRecord) -> dict[str, Any]:
    return {**{name: getattr(record, name) for name in _PLAIN}, "changed_at": now()}


def _add(session: Session, record: PictureRecord, family_id: int, content: Content | None) -> None:
    mine = col(BoardPicture.family_id) == family_id
    if (
        as_rows(session).scalar(select(func.count()).select_from(BoardPicture).where(mine)) or 0
    ) >= MOST_OF_A_FAMILY:
        raise BadInput(
            f"The family has {MOST_OF_A_FAMILY} pictures, as many as one may.",
            field="file",
            remedy="Delete for good what lies in the bin, or replace one of them.",
        )
    version = changes.next_versions(session, ENTITY, [record.uid])[record.uid]
    row = {
        **_row(record),
        "family_id": family_id,
        "content": record.sha256,
        "stored_file_id": files.content_id(session, content) if content else _kept_id(session, record),
        "added_at": now(),
        "added_by": session.info.get("who", ""),
        "version": version,
    }
    picture_id = as_rows(session).scalars(insert(BoardPicture).returning(col(BoardPicture.id)), [row]).one()
    _write_pins(session, picture_id, record)
    changes.note(session, [(ENTITY, record.uid, "added", version, _as_kept(session, picture_id))])


def _kept_id(session: Session, record: PictureRecord) -> int | None:
    """The row of the bytes that are here already, None where there are none, or of another size than is said."""
    found = (
        as_rows(session).execute(select(StoredFile).where(col(StoredFile.content) == record.sha256)).first()
    )
    if found is None:
        return None
    said = (record.media_type, record.width_px, record.height_px)
    return int(found.id) if (found.media_type, found.width_px, found.height_px) == said else None


def _as_kept(session: Session, picture_id: int) -> dict[str, Any]:
    """The record as the exchange format writes it, its family spelled as the store does."""
    return as_dict(by_ids(session, [picture_id])[0].record)


def _replace(session: Session, before: StoredPicture, record: PictureRecord, family_id: int) -> None:
    changes.keep_replaced(
        session, [(ENTITY, before.record.uid, before.version, as_dict(before.record), before.binned_at)]
    )
    values = {**_row(record), "family_id": family_id, "version": before.version + 1, "binned_at": None}
    as_rows(session).execute(update(BoardPicture).where(col(BoardPicture.id) == before.id).values(**values))
    if before.record.pins != record.pins:
        as_rows(session).execute(delete(BoardPin).where(col(BoardPin.picture_id) == before.id))
        _write_pins(session, before.id, record)
    written = _as_kept(session, before.id)
    changes.note(session, [(ENTITY, record.uid, "updated", before.version + 1, written)])


def _write_pins(session: Session, picture_id: int, record: PictureRecord) -> None:
    rows = [
        {"picture_id": picture_id, "position": position, "label_key": code_key(pin.label), **pin.model_dump()}
        for position, pin in enumerate(record.pins)
    ]
    if rows:
        as_rows(session).execute(insert(BoardPin), rows)


def bring_bytes(session: Session, uid: str, content: Content) -> None:
    """Ties bytes that came later to a picture; the record stays as it is. Raises NotFound."""
    picture = get(session, uid, also_binned=True)
    values = {"stored_file_id": files.content_id(session, content)}
    as_rows(session).execute(update(BoardPicture).where(col(BoardPicture.id) == picture.id).values(**values))


def move_to_family(session: Session, away_id: int, into_id: int) -> None:
    """Gives the pictures of one family to another, those in the bin too; each is a change."""
    moved = _found(session, col(BoardPicture.family_id) == away_id)
    changes.keep_replaced(
        session,
        [(ENTITY, one.record.uid, one.version, as_dict(one.record), one.binned_at) for one in moved],
    )
    as_rows(session).execute(
        update(BoardPicture)
        .where(col(BoardPicture.family_id) == away_id)
        .values(family_id=into_id, version=col(BoardPicture.version) + 1, changed_at=now())
    )
    after = by_ids(session, [one.id for one in moved])
    changes.note(
        session, [(ENTITY, one.record.uid, "updated", one.version, as_dict(one.record)) for one in after]
    )


def remove_of_family(session: Session, family_id: int) -> None:
    """Removes all pictures of a family for good with their history, before the family itself goes."""
    gone = _found(session, col(BoardPicture.family_id) == family_id)
    uids = [one.record.uid for one in gone]
    as_rows(session).execute(delete(BoardPicture).where(col(BoardPicture.family_id) == family_id))
    as_rows(session).execute(delete(History).where(col(History.entity) == ENTITY, col(History.key).in_(uids)))
    changes.note(session, [(ENTITY, one.record.uid, "deleted", one.version + 1) for one in gone])
