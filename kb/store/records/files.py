"""Files of cases: which content belongs to which case, with captions, marks and versions of their own.

A file has an entity of its own in the change feed and the history, `case_file` with its uid, and not the
case's: a photograph sent from the phone must not make the case that is being written at the bench stale.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import delete, func, insert, update
from sqlmodel import Session, col, select

from kb.errors import BadInput, Conflict, NotFound, OthersCase
from kb.model import FileWords, Mark, as_dict
from kb.store.records import changes
from kb.store.tables.core import BoardCase, now
from kb.store.tables.files import CaseFile, StoredFile
from kb.store.tables.pictures import BoardPicture

ENTITY = "case_file"
MOST_OF_A_CASE = 200


@dataclass(frozen=True, slots=True)
class Content:
    """What is known of stored bytes; `content` is their SHA-256, width and height are None for documents."""

    content: str
    media_type: str
    size_bytes: int
    width_px: int | None = None
    height_px: int | None = None


@dataclass(frozen=True, slots=True)
class StoredCaseFile:
    """A file of a case as it stands in the store."""

    id: int
    uid: str
    case_uid: str
    content: Content
    original_name: str
    caption: str
    marks: tuple[Mark, ...]
    added_at: datetime
    added_by: str
    version: int
    binned_at: datetime | None

    @property
    def is_picture(self) -> bool:
        return self.content.width_px is not None

    def as_record(self) -> dict[str, Any]:
        """What the history keeps of a version."""
        return {
            "record": ENTITY,
            "case": self.case_uid,
            "content": self.content.content,
            "media_type": self.content.media_type,
            "original_name": self.original_name,
            **as_dict(FileWords(caption=self.caption, marks=list(self.marks))),
        }


def _content(row: StoredFile) -> Content:
    return Content(*(getattr(row, name) for name in Content.__dataclass_fields__))


def _found(session: Session, *conditions: Any) -> list[StoredCaseFile]:
    query = (
        select(CaseFile, StoredFile, BoardCase.uid)
        .join(BoardCase, col(BoardCase.id) == CaseFile.case_id)
        .join(StoredFile, col(StoredFile.id) == CaseFile.stored_file_id)
        .where(*conditions)
        .order_by(col(CaseFile.case_id), col(CaseFile.position), col(CaseFile.id))
    )
    return [
        StoredCaseFile(
            file.id,
            file.uid,
            case_uid,
            _content(kept),
            file.original_name,
            file.caption,
            tuple(Mark.model_construct(**mark) for mark in file.marks),
            file.added_at,
            file.added_by,
            file.version,
            file.binned_at,
        )
        for file, kept, case_uid in session.exec(query)
    ]


def of_case(session: Session, case_uid: str) -> list[StoredCaseFile]:
    """All files of a case in their order, those in the bin included; none for a case that is not there."""
    return _found(session, col(BoardCase.uid) == case_uid)


def of_cases(session: Session, case_uids: Sequence[str]) -> list[StoredCaseFile]:
    """The files of some cases, those of one case together and in their order; none that are in the bin."""
    return _found(session, col(BoardCase.uid).in_(case_uids), col(CaseFile.binned_at).is_(None))


def documents_of(session: Session, case_ids: Sequence[int], limit: int) -> list[StoredCaseFile]:
    """The newest documents of some cases, pictures and those in the bin left out."""
    found = _found(
        session,
        col(CaseFile.case_id).in_(case_ids),
        col(CaseFile.binned_at).is_(None),
        col(StoredFile.width_px).is_(None),
    )
    return sorted(found, key=lambda one: one.id, reverse=True)[:limit]


def get(session: Session, case_uid: str, uid: str) -> StoredCaseFile:
    """One file of a case, also one in the bin. Raises NotFound, also for a file of another case."""
    found = _found(session, col(BoardCase.uid) == case_uid, col(CaseFile.uid) == uid)
    if not found:
        raise NotFound("There is no such file at this case.", field="file", remedy="Open it from its case.")
    return found[0]


def add(session: Session, case_uid: str, given: Content, original_name: str, caption: str) -> str:
    """Ties content, whose bytes are kept already, to a case; returns the file's uid.

    The same content comes once to a case: sent again after a broken connection it is the file that is
    there, taken out of the bin if it lay there. Raises NotFound, and BadInput where the case is full or
    another shop's.
    """
    of_uid = (
        select(col(BoardCase.id), col(BoardCase.origin_id))
        .where(col(BoardCase.uid) == case_uid)
        .with_for_update()
    )
    case = session.execute(of_uid).first()
    if case is None:
        raise NotFound(f"There is no case {case_uid}.", field="case", remedy="Search for it.")
    if case.origin_id:
        raise OthersCase(case_uid)
    case_id = case.id
    kept_id = content_id(session, given)
    of_this = (col(CaseFile.case_id) == case_id, col(CaseFile.stored_file_id) == kept_id)
    known = session.execute(select(col(CaseFile.uid), col(CaseFile.binned_at)).where(*of_this)).first()
    if known is not None:
        if known.binned_at is not None:
            set_binned(session, case_uid, known.uid, binned=False)
        return str(known.uid)
    held, last = session.execute(
        select(func.count(), func.max(col(CaseFile.position))).where(col(CaseFile.case_id) == case_id)
    ).one()
    if held >= MOST_OF_A_CASE:
        raise BadInput(
            f"The case holds {MOST_OF_A_CASE} files, as many as one may.",
            field="file",
            remedy="Note further ones in another case of the same board.",
        )
    uid = str(uuid.uuid4())
    row = {
        "uid": uid,
        "case_id": case_id,
        "stored_file_id": kept_id,
        "position": 0 if last is None else last + 1,
        "original_name": original_name,
        "caption": caption,
        "marks": [],
        "added_at": now(),
        "added_by": session.info.get("who", ""),
        "version": 1,
        "changed_at": now(),
    }
    session.execute(insert(CaseFile), row)
    changes.note(session, [(ENTITY, uid, "added", 1, get(session, case_uid, uid).as_record())])
    return uid


def content_id(session: Session, given: Content) -> int:
    """The row of content whose bytes are kept already, made where there is none."""
    known = session.scalar(select(col(StoredFile.id)).where(col(StoredFile.content) == given.content))
    if known is not None:
        return int(known)
    made = StoredFile(**asdict(given))
    session.add(made)
    session.flush()
    return made.id


def hold(session: Session, case_uid: str, uid: str, expected_version: int | None = None) -> StoredCaseFile:
    """A file that is about to be changed: nobody else changes it until the transaction ends.

    Raises NotFound, and Conflict where `expected_version` is not the version in the store.
    """
    session.execute(select(col(CaseFile.id)).where(col(CaseFile.uid) == uid).with_for_update())
    old = get(session, case_uid, uid)
    if expected_version is not None and expected_version != old.version:
        raise Conflict(
            "Somebody else changed this file's caption or marks since you opened it. Nothing was overwritten.",
            field="version",
            remedy="Look at it again and repeat your change.",
        )
    return old


def change(session: Session, old: StoredCaseFile, words: FileWords) -> StoredCaseFile:
    """Replaces caption and marks of a held file; the earlier version goes into the history.

    Raises BadInput for marks on what is no picture.
    """
    if words.marks and not old.is_picture:
        raise BadInput(
            "Only pictures can carry marks.", field="marks", remedy="Describe it in the caption instead."
        )
    if (old.caption, list(old.marks)) == (words.caption, words.marks):
        return old
    changes.keep_replaced(session, [(ENTITY, old.uid, old.version, old.as_record())])
    _set(session, old, "updated", caption=words.caption, marks=[as_dict(mark) for mark in words.marks])
    return get(session, old.case_uid, old.uid)


def set_binned(
    session: Session, case_uid: str, uid: str, *, binned: bool, expected_version: int | None = None
) -> None:
    """Puts a file in the bin or takes it out again; its content stays. Raises NotFound, Conflict."""
    old = hold(session, case_uid, uid, expected_version)
    if (old.binned_at is not None) != binned:
        _set(session, old, "binned" if binned else "restored", binned_at=now() if binned else None)


def _set(session: Session, old: StoredCaseFile, operation: str, **values: Any) -> None:
    version = old.version + 1
    session.execute(
        update(CaseFile).where(col(CaseFile.id) == old.id).values(**values, version=version, changed_at=now())
    )
    written = [get(session, old.case_uid, old.uid).as_record()] if operation == "updated" else []
    changes.note(session, [(ENTITY, old.uid, operation, version, *written)])


def all_contents(session: Session) -> list[Content]:
    """Every content that the store refers to, in order of its hash: what a backup must hold.

    A file in the bin refers to its content as any other, and so does every version in its history,
    since the content of a file never changes.
    """
    return [_content(row) for row in session.exec(select(StoredFile).order_by(StoredFile.content))]


def contents_of(session: Session, hashes: Sequence[str]) -> list[Content]:
    """What is known of content by its hash, in order of it; hashes that nothing is known of are left out."""
    query = select(StoredFile).where(col(StoredFile.content).in_(hashes)).order_by(StoredFile.content)
    return [_content(row) for row in session.exec(query)]


def every(session: Session) -> list[StoredCaseFile]:
    """The files of all cases, those in the bin too."""
    return _found(session)


def newest_contents(session: Session, most: int) -> list[str]:
    """The hashes of the contents that were added last."""
    return list(
        session.scalars(select(col(StoredFile.content)).order_by(col(StoredFile.id).desc()).limit(most))
    )


def remove_of_case(session: Session, case_uid: str) -> None:
    """Removes all files of a case for good, before the case itself goes, and notes it in the change feed."""
    gone = of_case(session, case_uid)
    session.execute(delete(CaseFile).where(col(CaseFile.id).in_([one.id for one in gone])))
    changes.note(session, [(ENTITY, one.uid, "removed", one.version + 1) for one in gone])


def forget_unreferred(session: Session) -> list[str]:
    """Forgets content that no file of a case and no picture of a board refers to any more; returns the hashes.

    Call it after files or cases were removed for good; the bytes themselves go with the next sweep.
    """
    pictures = select(col(BoardPicture.stored_file_id)).where(col(BoardPicture.stored_file_id).is_not(None))
    used = select(col(CaseFile.stored_file_id)).union(pictures)
    gone = list(session.scalars(select(col(StoredFile.content)).where(col(StoredFile.id).not_in(used))))
    session.execute(delete(StoredFile).where(col(StoredFile.id).not_in(used)))
    return gone
