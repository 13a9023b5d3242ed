"""What a person does with the photographs and files of a case: send, look at, describe, mark, remove."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import BinaryIO

from kb import pictures
from kb.errors import BadInput, KbError, NotFound, StoreTrouble, Taken
from kb.model import FileWords, Mark
from kb.service.shop import sent_files
from kb.service.shop.shop import Shop
from kb.store.records import cases, changes, files
from kb.store.records.files import Content, StoredCaseFile

__all__ = [
    "MOST_AT_ONCE",
    "SUFFIX",
    "TAKEN",
    "CaseFiles",
    "Refused",
    "Sent",
    "StoredCaseFile",
    "add",
    "bytes_of",
    "describe",
    "faults",
    "history",
    "listed",
    "mark",
    "of_case",
    "put_in_bin",
    "small_of",
    "stored",
    "sweep",
    "take_from_bin",
    "unmark",
]

MOST_AT_ONCE = 40
TAKEN = pictures.TAKEN
SUFFIX = sent_files.SUFFIX


@dataclass(frozen=True, slots=True)
class Refused:
    """A sent file that was not kept, and why."""

    name: str
    message: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of the files that were sent at once."""

    kept: tuple[StoredCaseFile, ...]
    refused: tuple[Refused, ...]


@dataclass(frozen=True, slots=True)
class CaseFiles:
    """The files of a case in their order, and those of them that were removed and can be taken back."""

    kept: tuple[StoredCaseFile, ...]
    binned: tuple[StoredCaseFile, ...]


def of_case(shop: Shop, case_uid: str) -> CaseFiles:
    """All files of a case; none for a case that is not there."""
    with shop.read() as session:
        found = files.of_case(session, case_uid)
    return CaseFiles(
        tuple(one for one in found if one.binned_at is None),
        tuple(one for one in found if one.binned_at is not None),
    )


def listed(shop: Shop, case_uid: str) -> CaseFiles:
    """All files of a case. Raises NotFound for a case that is not there."""
    with shop.read() as session:
        cases.get(session, case_uid)
    return of_case(shop, case_uid)


def stored(shop: Shop, case_uid: str, uid: str, *, binned: bool = True) -> StoredCaseFile:
    """One file of a case, one in the bin only where `binned` says so. Raises NotFound."""
    with shop.read() as session:
        found = files.get(session, case_uid, uid)
    if found.binned_at is not None and not binned:
        raise NotFound(
            "This file was removed from the case.", field="file", remedy="Take it back on the case's page."
        )
    return found


def add(shop: Shop, case_uid: str, sent: Iterable[tuple[str, BinaryIO]], *, caption: str = "") -> Sent:
    """Adds (name, file) pairs to a case, each by itself: one that is refused does not lose the others.

    Raises NotFound for a case that is not there and StoreTrouble where nothing can be kept at all.
    """
    words = FileWords(caption=caption)
    listed(shop, case_uid)
    kept: list[str] = []
    refused = []
    for number, (name, file) in enumerate(sent):
        try:
            if number >= MOST_AT_ONCE:
                raise _too_many(name)
            kept.append(_add_one(shop, case_uid, name, file, words.caption))
        except KbError as error:
            if isinstance(error, StoreTrouble) and not kept:
                raise
            shown = pictures.printable_name(name)
            refused.append(Refused(shown, error.message, error.remedy or ""))
    shop.refresh()
    by_uid = {one.uid: one for one in of_case(shop, case_uid).kept}
    return Sent(tuple(by_uid[uid] for uid in dict.fromkeys(kept) if uid in by_uid), tuple(refused))


def _too_many(name: str) -> BadInput:
    return BadInput(
        f"“{pictures.printable_name(name)}” is one too many: {MOST_AT_ONCE} files are taken at once.",
        field="file",
        remedy="Send the rest after these.",
    )


def _add_one(shop: Shop, case_uid: str, name: str, file: BinaryIO, caption: str) -> str:
    with sent_files.on_the_disk(file) as path:
        accepted = sent_files.accepted(path, name)
    content = sent_files.keep(shop, accepted, file)
    try:
        return _note(shop, case_uid, content, accepted.name, caption)
    except Taken:
        # Two phones sent the same bytes at the same moment; now the other's row is there to be found.
        return _note(shop, case_uid, content, accepted.name, caption)


def _note(shop: Shop, case_uid: str, content: Content, name: str, caption: str) -> str:
    with shop.write() as session:
        return files.add(session, case_uid, content, name, caption)


def bytes_of(shop: Shop, file: StoredCaseFile) -> BinaryIO:
    """The content of a file, open for reading. Raises StoreTrouble where it is missing."""
    return shop.files.open(file.content.content)


def small_of(shop: Shop, file: StoredCaseFile) -> bytes:
    """The small picture of a file as WebP, made again where it is missing. Raises NotFound for documents."""
    if not file.is_picture:
        raise NotFound("A document has no small picture.", field="file", remedy="Open the document itself.")
    return sent_files.small_of(shop, file.content.content)


def describe(
    shop: Shop, case_uid: str, uid: str, words: FileWords, *, expected_version: int | None = None
) -> StoredCaseFile:
    """Replaces caption and marks. Raises NotFound, Conflict, BadInput for marks on a document."""
    return _change(shop, case_uid, uid, lambda _: words, expected_version)


def mark(shop: Shop, case_uid: str, uid: str, new: Mark) -> StoredCaseFile:
    """Draws one more mark; two people may mark the same picture at once. Raises NotFound, BadInput."""
    return _change(shop, case_uid, uid, lambda old: _words(old.caption, [*old.marks, new]), None)


def unmark(shop: Shop, case_uid: str, uid: str, number: int, *, expected_version: int) -> StoredCaseFile:
    """Removes the mark of that number, counted from 0. Raises NotFound, Conflict."""

    def without(old: StoredCaseFile) -> FileWords:
        if not 0 <= number < len(old.marks):
            raise NotFound("There is no such mark.", field="mark", remedy="Look at the picture again.")
        return _words(old.caption, [one for place, one in enumerate(old.marks) if place != number])

    return _change(shop, case_uid, uid, without, expected_version)


def _words(caption: str, marks: list[Mark]) -> FileWords:
    """Checked as a whole, so that a picture never carries more marks than one may."""
    return FileWords(caption=caption, marks=marks)


def _change(
    shop: Shop,
    case_uid: str,
    uid: str,
    changed: Callable[[StoredCaseFile], FileWords],
    expected_version: int | None,
) -> StoredCaseFile:
    with shop.write() as session:
        old = files.hold(session, case_uid, uid, expected_version)
        new = files.change(session, old, changed(old))
    shop.refresh()
    return new


def put_in_bin(shop: Shop, case_uid: str, uid: str, *, expected_version: int | None = None) -> None:
    """Removes a file from its case; it can be taken back. Raises NotFound, Conflict."""
    with shop.write() as session:
        files.set_binned(session, case_uid, uid, binned=True, expected_version=expected_version)
    shop.refresh()


def take_from_bin(shop: Shop, case_uid: str, uid: str) -> None:
    """Undoes `put_in_bin`."""
    with shop.write() as session:
        files.set_binned(session, case_uid, uid, binned=False)
    shop.refresh()


def history(shop: Shop, uid: str) -> list[dict[str, object]]:
    """Earlier versions of a file's caption and marks, newest first."""
    with shop.read() as session:
        return changes.replaced(session, files.ENTITY, uid)


def faults(shop: Shop) -> tuple[int, list[str]]:
    """(how many files the store refers to, a sentence for each that is missing or damaged)."""
    with shop.read() as session:
        contents = files.all_contents(session)
    found = (shop.files.verify(one.content) for one in contents)
    return len(contents), [fault for fault in found if fault is not None]


def sweep(shop: Shop) -> list[str]:
    """Removes content that nothing refers to and that is older than a day; returns the hashes.

    Such content is left where a program was killed between keeping a file and noting it, and where files
    or cases were removed for good. Nothing is removed while the folder of backups holds a copy from before
    a restore, which is the database alone: its records may refer to any of it.
    """
    if any(shop.settings.backups.glob("before-restore-*.sqlite3")):
        return []
    with shop.write() as session:
        files.forget_unreferred(session)
        referred = {one.content for one in files.all_contents(session)}
    return shop.files.sweep(referred)
