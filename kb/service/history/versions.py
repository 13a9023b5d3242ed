"""Who changed what: the feed as people read it, the versions of one record, and going back to one of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlmodel import Session

from kb.errors import NotFound
from kb.model import LineRecord, Record, as_dict
from kb.model.difference import Difference, differences
from kb.service.history.restore import fit_any, record_from, what_any_takes
from kb.service.shop.shop import Shop
from kb.store.records import any_kind, batches, bins, families, feed, kinds, totals
from kb.store.records.batches import StoredBatch
from kb.store.records.feed import FeedLine

__all__ = [
    "Changes",
    "FeedLine",
    "History",
    "Restoring",
    "StoredBatch",
    "Version",
    "as_it_stands",
    "history",
    "preview_restore",
    "restore",
    "version_of",
    "what_changed",
]


@dataclass(frozen=True, slots=True)
class Version:
    """One version: who made it, when, how, and what it changed.

    `line` is None for what came with the program; `record` where the content was not kept.
    """

    number: int
    line: FeedLine | None
    record: dict[str, Any] | None
    changed: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class History:
    """A record and its versions, the newest first; `total` counts them all, `versions` is one page."""

    entity: str
    name: str
    present: Record
    version: int
    binned_at: datetime | None
    total: int
    versions: tuple[Version, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed in the store, the newest first: batches and single changes, a page of each."""

    batches: tuple[StoredBatch, ...]
    batches_total: int
    changes: tuple[FeedLine, ...]
    changes_total: int
    people: tuple[str, ...]


@dataclass(slots=True)
class Restoring:
    """What going back to an earlier version changes, and what else it takes."""

    version: int
    changed: tuple[Difference, ...]
    takes: list[str] = field(default_factory=list)


def what_changed(
    shop: Shop,
    *,
    entity: str = "",
    who: str = "",
    limit: int = 50,
    offset: int = 0,
    batches_limit: int = 10,
    batches_offset: int = 0,
) -> Changes:
    """The newest batches and changes, of one kind of record or one person where asked for."""
    with shop.read() as session:
        batch_total, found = batches.page(session, limit=batches_limit, offset=batches_offset)
        total, lines = feed.page(session, entity=entity, who=who, limit=limit, offset=offset)
        return Changes(tuple(found), batch_total, tuple(lines), total, tuple(totals.people(session)))


def history(shop: Shop, entity: str, name: str, *, limit: int = 50, offset: int = 0) -> History:
    """The versions of a case, family, symptom, part class or load. Raises NotFound."""
    with shop.read() as session:
        present = as_it_stands(session, entity, name)
        keys = feed.spellings(session, entity, present.name) or [present.name]
        lines = _numbered(feed.of_record(session, entity, keys))
        content = _Contents(feed.kept(session, entity, keys), as_dict(present.record))
    versions = []
    for place in range(max(0, len(lines) - offset - limit), len(lines) - offset):
        number, line = lines[place]
        record = content.of(number)
        before = content.of(lines[place - 1][0]) if place > 0 else None
        changed = differences(before, record) if before is not None and record is not None else ()
        versions.append(Version(number, line, record, changed))
    return History(
        entity,
        present.name,
        present.record,
        present.version,
        present.binned_at,
        len(lines),
        tuple(reversed(versions)),
    )


def as_it_stands(session: Session, entity: str, name: str) -> feed.Present:
    """A record by its name, a family by any of its numbers; also one in the bin. Raises NotFound."""
    found = feed.present(session, entity, name)
    if found is None and entity == "family":
        known = families.find(session, name, also_binned=True)
        found = feed.present(session, entity, known[1]) if known else None
    if found is None:
        raise NotFound(
            f"There is no {kinds.KINDS[entity].spoken} {name}.",
            field="name",
            remedy="It may have been merged or deleted; look at what changed.",
        )
    return found


def _numbered(lines: list[FeedLine]) -> list[tuple[int, FeedLine | None]]:
    """Each change with the version it led to, also where it was made before changes carried one."""
    numbered: list[tuple[int, FeedLine | None]] = []
    number = 0
    if not lines or lines[0].operation not in ("added", "unmerged"):
        numbered.append((1, None))
        number = 1
    for line in lines:
        number = line.version if line.version is not None else number + 1
        numbered.append((number, line))
    return numbered


class _Contents:
    """What a record said in each version.

    A version is kept when its content is replaced; one that was only put in the bin or taken out of it
    says what the next kept one says.
    """

    def __init__(self, kept: list[feed.Kept], present: dict[str, Any]) -> None:
        self._kept = kept
        self._present = present

    def of(self, version: int) -> dict[str, Any]:
        later = (one.record for one in self._kept if one.version >= version)
        return next(later, self._present)


def version_of(shop: Shop, entity: str, name: str, version: int) -> dict[str, Any] | None:
    """What a record said in a version, None where there was no such version. Raises NotFound."""
    with shop.read() as session:
        present = as_it_stands(session, entity, name)
        if not 1 <= version <= present.version:
            return None
        keys = feed.spellings(session, entity, present.name) or [present.name]
        kept = feed.kept(session, entity, keys, from_version=version)
        return _Contents(kept, as_dict(present.record)).of(version)


def _earlier(shop: Shop, entity: str, name: str, version: int) -> LineRecord:
    found = version_of(shop, entity, name, version)
    if found is None:
        raise NotFound(f"There is no version {version}.", field="version", remedy="Choose one from the list.")
    return record_from(entity, found)


def preview_restore(shop: Shop, entity: str, name: str, version: int) -> Restoring:
    """What `restore` would change now. Raises NotFound, and BadInput where it would."""
    record = _earlier(shop, entity, name, version)
    with shop.read() as session:
        present = as_it_stands(session, entity, name)
        record, takes = what_any_takes(session, record)
        if present.binned_at is not None:
            takes.insert(0, f"The {kinds.KINDS[entity].spoken} comes out of the bin.")
    return Restoring(version, differences(as_dict(present.record), as_dict(record)), takes)


def restore(
    shop: Shop, entity: str, name: str, version: int, *, expected_version: int | None = None
) -> list[str]:
    """Writes an earlier version as a new one, so that nothing is lost by it.

    Returns what had to come back for it. Raises NotFound; Conflict where the record has moved on from
    `expected_version`; Taken where one of a family's numbers belongs to another by now.
    """
    record = _earlier(shop, entity, name, version)
    with shop.write() as session:
        there = kinds.standing_of(session, entity, as_it_stands(session, entity, name).name)
        bins.refuse_stale(entity, there, expected_version)
        record, brought = fit_any(session, record)
        any_kind.save(session, record)
    shop.refresh()
    return brought
