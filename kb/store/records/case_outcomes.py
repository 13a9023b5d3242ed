"""What writing cases would do, without writing them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlmodel import Session, col

from kb.model import CaseRecord, as_dict
from kb.store.records import cases
from kb.store.tables.core import BoardCase


def outcomes(session: Session, writer: cases.Writer, records: Sequence[CaseRecord]) -> list[tuple[str, str]]:
    """For each record "added", "updated" or "unchanged", and the family that a stored case of its uid has.

    A record may name families, symptoms and part classes that the store does not know yet.
    """
    query = select(col(BoardCase.id), col(BoardCase.uid)).where(
        col(BoardCase.uid).in_([record.uid for record in records])
    )
    ids = {row.uid: row.id for row in session.execute(query)}
    stored = cases.load(session, list(ids.values()))
    found = []
    for record in records:
        if record.uid not in ids:
            found.append(("added", ""))
            continue
        old = stored[ids[record.uid]]
        same = (
            old.binned_at is None
            and not writer.unknown(record)
            and as_dict(old.record) == as_dict(writer.checked(record))
        )
        found.append(("unchanged" if same else "updated", old.record.family))
    return found
