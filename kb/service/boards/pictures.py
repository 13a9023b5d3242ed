"""Pictures of a family's board: sending one, laying its corners, pinning what is where, replacing it."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import uuid
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import BinaryIO

from sqlmodel import Session

from kb import pictures as prepared
from kb.bench import places
from kb.bench.places import Shown, Window, outside, same_place, shown
from kb.errors import BadInput, NotFound
from kb.facts import plane
from kb.facts.designators import is_designator, normalise_designator
from kb.facts.plane import Point
from kb.facts.vocabulary import BOARD_SIDES, values
from kb.model import FamilyRecord, PictureRecord
from kb.pictures import board
from kb.service.shop import sent_files
from kb.service.shop.shop import Shop
from kb.store.records import cases, families, files, pictures
from kb.store.records.files import Content, content_id
from kb.store.records.pictures import StoredPicture
from kb.suggest import fix_records

__all__ = [
    "SIDES",
    "TAKEN",
    "FamilyPictures",
    "PictureView",
    "Shown",
    "Window",
    "add",
    "add_photograph",
    "bring_bytes",
    "bytes_of_line",
    "first_of",
    "for_sharing",
    "has_one",
    "lay_in",
    "mapped_from",
    "of_family",
    "outside",
    "path_of",
    "piece_of",
    "same_place",
    "save",
    "shown",
    "small_of",
    "straightened",
    "suggested",
    "use_again",
    "view",
    "whole_of",
]
SIDES = values(BOARD_SIDES)
TAKEN = "JPEG, PNG, WebP or HEIC"
_MOST_NAMED = 200
_SEPARATORS = re.compile(r"[\s,;/+&]")


@dataclass(frozen=True, slots=True)
class PictureView:
    """A picture with how it is shown."""

    record: PictureRecord
    shown: Shown
    version: int
    is_here: bool

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """Width and height of what is shown where the scale is known."""
        scale = self.record.mm_per_px
        return None if scale is None else (self.shown.width * scale, self.shown.height * scale)


@dataclass(frozen=True, slots=True)
class FamilyPictures:
    """The pictures of a family in use, the component side first, and how many better ones have replaced."""

    family: FamilyRecord
    used: tuple[PictureView, ...]
    replaced: tuple[PictureView, ...]


def _seen(stored: StoredPicture) -> PictureView:
    return PictureView(stored.record, places.shown(stored.record), stored.version, stored.is_here)


def by_side(found: Sequence[StoredPicture]) -> list[StoredPicture]:
    """Pictures in the order in which they are shown."""
    return sorted(found, key=lambda one: (SIDES.index(one.record.side), one.id))


def of_family(shop: Shop, number: str) -> FamilyPictures:
    """All pictures of a family but those in the bin. Raises NotFound."""
    with shop.read() as session:
        family = families.get(session, number)
        found = by_side(pictures.of_family(session, family.id, also_replaced=True))
    return FamilyPictures(
        family.record,
        tuple(_seen(one) for one in found if one.record.replaced_by is None),
        tuple(_seen(one) for one in found if one.record.replaced_by is not None),
    )


def first_of(session: Session, family_id: int) -> tuple[PictureView, int] | None:
    """The picture that stands for a family, without its pins, and how many names are pinned on all of its
    pictures; None where it has none."""
    found = sorted(pictures.lines(session, family_id), key=lambda one: SIDES.index(one.record.side))
    here = [one for one in found if one.is_here]
    if not here:
        return None
    first = here[0].record
    return PictureView(first, places.shown(first), 0, True), sum(one.pins for one in found)


def first_of_each(shop: Shop, codes: Collection[str]) -> dict[str, PictureView]:
    """The picture that stands for each of some families, without its pins; none for a family that has none."""
    with shop.read() as session:
        found = by_side([one for one in pictures.of_codes(session, codes) if one.is_here])
    first: dict[str, PictureView] = {}
    for one in found:
        first.setdefault(one.record.family, _seen(one))
    return first


def view(shop: Shop, uid: str) -> PictureView:
    """One picture that is not in the bin. Raises NotFound."""
    with shop.read() as session:
        return _seen(pictures.get(session, uid))


def add(
    shop: Shop, number: str, name: str, file: BinaryIO, *, side: str = SIDES[0], taken: date | None = None
) -> PictureView:
    """Adds a sent picture to a family; the same picture sent again is the one that is there.

    Raises NotFound, BadInput for what is no picture, StoreTrouble.
    """
    if side not in SIDES:
        raise BadInput(
            f"“{side[:40]}” is no side of a board.", field="side", remedy=f"Choose {' or '.join(SIDES)}."
        )
    with shop.read() as session:
        code = families.get(session, number).record.code
    content = _kept(shop, name, file)
    record = PictureRecord(
        uid=str(uuid.uuid4()),
        family=code,
        side=side,
        taken=taken,
        sha256=content.content,
        media_type=content.media_type,  # type: ignore[arg-type]
        width_px=content.width_px or 0,
        height_px=content.height_px or 0,
    )
    with shop.write() as session:
        uid = _twin(session, code, content)
        if uid is None:
            pictures.save(session, record, content=content)
    shop.refresh()
    return view(shop, uid or record.uid)


def add_photograph(shop: Shop, case_uid: str, file_uid: str) -> PictureView:
    """Makes a photograph of a case a picture of its board family as well; the same one twice is one picture.

    Raises NotFound, and BadInput for what is no picture.
    """
    with shop.write() as session:
        photo = files.get(session, case_uid, file_uid)
        if photo.content.width_px is None or photo.content.height_px is None:
            raise BadInput(
                "A document cannot be a picture of the board.", field="file", remedy="Choose a photograph."
            )
        code = cases.get(session, case_uid).record.family
        uid = _twin(session, code, photo.content)
        if uid is None:
            uid = str(uuid.uuid4())
            record = PictureRecord(
                uid=uid,
                family=code,
                sha256=photo.content.content,
                media_type=photo.content.media_type,  # type: ignore[arg-type]
                width_px=photo.content.width_px,
                height_px=photo.content.height_px,
            )
            pictures.save(session, record, content=photo.content)
    shop.refresh()
    return view(shop, uid)


def has_one(shop: Shop, number: str) -> bool:
    """Whether a family has a picture in use. A family that is not there is said to have one: nothing is missed."""
    with shop.read() as session:
        found = families.find(session, number)
        return found is None or bool(pictures.families_with(session, [found[0]]))


def _kept(shop: Shop, name: str, file: BinaryIO) -> Content:
    with sent_files.on_the_disk(file) as path:
        accepted = sent_files.accepted(path, name)
    if accepted.width_px is None:
        shown = prepared.printable_name(name)
        raise BadInput(f"“{shown}” is a document and no picture.", field="file", remedy=f"Send {TAKEN}.")
    return sent_files.keep(shop, accepted, file)


def _twin(session: Session, code: str, content: Content) -> str | None:
    """The picture of a family with these very bytes: most likely the button was pressed twice."""
    family = families.get(session, code)
    same = (one for one in pictures.of_family(session, family.id) if one.record.sha256 == content.content)
    return next((one.record.uid for one in same), None)


def bytes_of_line(shop: Shop, record: PictureRecord) -> Content | None:
    """What a record of an import holds of its picture, kept before the record is; None where it holds none.

    Raises BadInput for bytes that are not what the record says of them.
    """
    if record.image is None:
        return None
    try:
        given = base64.b64decode(record.image, validate=True)
    except ValueError:
        given = b""
    if hashlib.sha256(given).hexdigest() != record.sha256:
        raise BadInput(
            "The bytes of the picture are not those of its hash.",
            field="image",
            remedy="Leave them out, or write the file again.",
        )
    with sent_files.on_the_disk(io.BytesIO(given)) as path:
        proved = sent_files.DECODERS.run(board.proved_of_file, path)
    if proved != (record.media_type, record.width_px, record.height_px):
        raise BadInput(
            "The picture is of another kind or size than its record says.",
            field="image",
            remedy="Leave its bytes out, or write the file again.",
        )
    return Content(shop.files.put(given), record.media_type, len(given), record.width_px, record.height_px)


def for_sharing(shop: Shop, record: PictureRecord) -> PictureRecord:
    """The record with its picture's bytes, made smaller where a line would be too long for them.

    Raises StoreTrouble where they are missing.
    """
    path = path_of(shop, record)
    with open(path, "rb") as file:
        given = file.read(board.MOST_SHARED_BYTES + 1)
    update: dict[str, object] = {}
    if len(given) > board.MOST_SHARED_BYTES:
        given, width, height = sent_files.DECODERS.run(board.shared_of_file, path)
        update = {"width_px": width, "height_px": height, "media_type": "image/jpeg"}
        update["sha256"] = hashlib.sha256(given).hexdigest()
    return record.model_copy(update={**update, "image": base64.b64encode(given).decode()})


def lay_in(shop: Shop, paths: Iterable[Path]) -> None:
    """Keeps pictures that come with the program, so that records which name them find their bytes."""
    for file in paths:
        media_type, width, height = board.proved_of_file(str(file))
        with file.open("rb") as source:
            content = shop.files.put(source)
        with shop.write() as session:
            content_id(session, Content(content, media_type, file.stat().st_size, width, height))


def bring_bytes(shop: Shop, uid: str, file: BinaryIO) -> None:
    """Takes the bytes of a picture whose record came without them.

    Raises NotFound, and BadInput for other bytes than its record names.
    """
    wanted = view(shop, uid)
    file.seek(0)
    if hashlib.file_digest(file, "sha256").hexdigest() != wanted.record.sha256:  # type: ignore[arg-type]
        raise BadInput(
            "This is another file than the one that the pins were set on.",
            field="file",
            remedy="Send the very file out of the package or folder that the records came from, or send it as a "
            "new picture.",
        )
    with sent_files.on_the_disk(file) as path:
        proved = sent_files.DECODERS.run(board.proved_of_file, path)
    if proved != (wanted.record.media_type, wanted.record.width_px, wanted.record.height_px):
        raise BadInput(
            "The picture is of another kind or size than its record says.",
            field="file",
            remedy="Send it as a new picture.",
        )
    file.seek(0)
    kept = shop.files.put(file)
    size = shop.files.path(kept).stat().st_size
    content = Content(kept, wanted.record.media_type, size, wanted.record.width_px, wanted.record.height_px)
    with shop.write() as session:
        pictures.bring_bytes(session, uid, content)


def save(
    shop: Shop, record: PictureRecord, *, expected_version: int, replaces: str = "", replaces_version: int = 0
) -> str:
    """Saves corners, scale and pins of a picture; "updated" or "unchanged".

    With `replaces` the picture of that number is out of use from now on, in the same transaction.
    Raises NotFound, Conflict, BadInput for a pin outside what is shown.
    """
    _refuse_outside(record)
    with shop.write() as session:
        known = pictures.get(session, record.uid, also_binned=True)
        fixed = {
            name: getattr(known.record, name) for name in ("sha256", "media_type", "width_px", "height_px")
        }
        done = pictures.save(session, record.model_copy(update=fixed), expected_version=expected_version)
        if replaces:
            old = pictures.get(session, replaces)
            if old.family_id != known.family_id or replaces == record.uid:
                raise BadInput(
                    "A picture can only be replaced by another one of the same board family.",
                    field="replaces",
                    remedy="Choose the picture again.",
                )
            pictures.save(
                session,
                old.record.model_copy(update={"replaced_by": record.uid}),
                expected_version=replaces_version or None,
            )
    shop.refresh()
    return done


def use_again(shop: Shop, uid: str) -> None:
    """Takes a picture that was replaced into use again, beside the one that replaced it. Raises NotFound."""
    with shop.write() as session:
        old = pictures.get(session, uid)
        pictures.save(session, old.record.model_copy(update={"replaced_by": None}))
    shop.refresh()


def _refuse_outside(record: PictureRecord) -> None:
    out = places.outside(record)
    if out:
        named = ", ".join(out[:5]) + (" and more" if len(out) > 5 else "")
        raise BadInput(
            f"{named} {'lies' if len(out) == 1 else 'lie'} outside the picture.",
            field="pins",
            remedy="Move what is named back onto the board, or take it off the picture.",
        )


def straightened(record: PictureRecord, corners: Sequence[Point]) -> PictureRecord:
    """The record with other corners, none for showing it as it is; its scale goes with them.

    Raises BadInput where they go round no board.
    """
    if not corners:
        changed = record.model_copy(
            update={"corners": [], "straight_width_px": None, "straight_height_px": None}
        )
    else:
        pixels = [(x * record.width_px, y * record.height_px) for x, y in corners]
        plane.straightening(pixels, 1.0, 1.0)
        width, height = plane.straight_size(pixels, board.LONGEST_SHOWN_PX)
        changed = record.model_copy(
            update={
                "corners": [list(one) for one in corners],
                "straight_width_px": width,
                "straight_height_px": height,
            }
        )
    if record.mm_per_px is not None:
        changed = changed.model_copy(update={"mm_per_px": _scale(record, changed)})
    return changed


def _scale(before: PictureRecord, after: PictureRecord) -> float:
    """The scale after other corners: what a line across the middle measured, it measures still."""
    assert before.mm_per_px is not None
    old, new = places.shown(before), places.shown(after)
    ends = ((0.25, 0.5), (0.75, 0.5))
    was = [old.of_own(*new.to_own(*end)) for end in ends]
    one, other = ((x * old.width, y * old.height) for x, y in was)
    apart = plane.mm_per_unit(one, other, 1.0)
    return round(before.mm_per_px / apart / (0.5 * new.width), 6)


def mapped_from(
    shop: Shop, uid: str, old: str, points: Sequence[Point], onto: Sequence[Point]
) -> tuple[PictureRecord, list[str]]:
    """(the picture with the pins of an older one, the names of those that fall outside it); saves nothing.

    `points` are three places of what is shown of the older picture, `onto` the same three of the newer one, all in
    fractions. Raises NotFound, BadInput.
    """
    new, before = view(shop, uid), view(shop, old)
    if new.record.family != before.record.family:
        raise BadInput(
            "The two pictures are of different board families.",
            field="replaces",
            remedy="Choose the picture again.",
        )
    by = plane.joining(points, onto)
    pins, lost = places.moved(before.record, by, new.record)
    update: dict[str, object] = {"pins": pins, "side": before.record.side}
    if before.record.mm_per_px is not None and new.record.mm_per_px is None:
        update["mm_per_px"] = _mapped_scale(before, new, points, onto)
    return new.record.model_copy(update=update), lost


def _mapped_scale(
    before: PictureView, new: PictureView, points: Sequence[Point], onto: Sequence[Point]
) -> float:
    """The scale of a newer picture: the three shared places lie as many millimetres apart as on the older."""

    def around(three: Sequence[Point], seen: Shown) -> float:
        at = [(x * seen.width, y * seen.height) for x, y in three]
        return sum(1 / plane.mm_per_unit(at[place], at[place - 1], 1.0) for place in range(3))

    assert before.record.mm_per_px is not None
    return round(before.record.mm_per_px * around(points, before.shown) / around(onto, new.shown), 6)


def suggested(shop: Shop, number: str) -> tuple[str, ...]:
    """Designators that the family's cases name, most often named first. Raises NotFound."""
    with shop.known() as session:
        code = families.get(session, number).record.code
    with shop.derived.ledger() as ledger:
        named = [part for record in fix_records(ledger, code) for part in record.parts]
    counts: Counter[str] = Counter()
    for text, times in named:
        for word in _SEPARATORS.split(text):
            if is_designator(word):
                counts[normalise_designator(word)] += times
    return tuple(word for word, _ in counts.most_common(_MOST_NAMED))


# -- the pictures themselves ------------------------------------------------------------------------------


def path_of(shop: Shop, record: PictureRecord) -> str:
    """The path of a picture's bytes. Raises StoreTrouble where they are missing."""
    shop.files.open(record.sha256).close()
    return str(shop.files.path(record.sha256))


def whole_of(shop: Shop, seen: PictureView) -> bytes:
    """All that is shown of a picture, as WebP. Raises NotFound, StoreTrouble."""
    size = (seen.shown.width, seen.shown.height)
    box = (0.0, 0.0, float(size[0]), float(size[1]))
    return _piece(shop, seen, f"whole-{seen.shown.tag}", box, board.WHOLE_PX)


def piece_of(shop: Shop, seen: PictureView, window: Window) -> bytes:
    """A piece of what is shown of a picture, as WebP. Raises NotFound, BadInput, StoreTrouble."""
    box = window.box(seen.shown.width, seen.shown.height)
    name = f"p{window.of}-{window.column}-{window.row}-{seen.shown.tag}"
    return _piece(shop, seen, name, box, board.PIECE_PX)


def _piece(shop: Shop, seen: PictureView, kind: str, box: plane.Box, most: int) -> bytes:
    if not seen.is_here:
        raise NotFound(
            "The record of this picture came without the picture.",
            field="picture",
            remedy="Send the file on the picture's page.",
        )
    size = (seen.shown.width, seen.shown.height)
    return sent_files.derived(
        shop,
        seen.record.sha256,
        kind,
        lambda path: sent_files.DECODERS.run(board.piece_of_file, path, seen.shown.back, size, box, most),
    )


def small_of(shop: Shop, seen: PictureView) -> bytes:
    """A small picture for lists, as it was taken. Raises NotFound, StoreTrouble."""
    if not seen.is_here:
        raise NotFound(
            "The record of this picture came without the picture.",
            field="picture",
            remedy="Send the file first.",
        )
    return sent_files.small_of(shop, seen.record.sha256)
