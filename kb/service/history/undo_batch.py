"""Undoing a batch: an import, a merge, a withdrawal, or the undoing of one of these.

Every record that the batch changed goes back to what it was before. A record that somebody changed since
is left alone and named; nothing of anybody's later work is overwritten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Any, Literal

from sqlmodel import Session

from kb.errors import BadInput, KbError
from kb.model import CaseRecord, as_dict
from kb.model.three_way_merge import merge
from kb.service.history.restore import fit, record_from, version_as
from kb.service.shop.shop import Shop
from kb.store.records import (
    any_kind,
    batches,
    bins,
    cases,
    changes,
    feed,
    kinds,
    references,
)
from kb.store.records.batches import Earlier, StoredBatch, Touched

_CHUNK = 400
# A list of every record that stays helps nobody; the count is always whole.
_MOST_NAMED = 200
Way = Literal["to the bin", "out of the bin", "earlier version", "merged again"]
Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class LeftAlone:
    """A record that undoing does not touch, and why."""

    entity: str
    key: str
    reason: str


@dataclass(slots=True)
class Undone:
    """What undoing a batch does or did, counted in records.

    `batch` is the undoing's own batch, "" in a preview and where nothing was left to undo.
    `brought_back` names families and list entries that earlier versions needed.
    """

    of: StoredBatch
    batch: str = ""
    to_bin: int = 0
    out_of_bin: int = 0
    earlier: int = 0
    left_alone: int = 0
    left: list[LeftAlone] = field(default_factory=list)
    brought_back: list[str] = field(default_factory=list)

    @property
    def total(self) -> int:
        """How many records change."""
        return self.to_bin + self.out_of_bin + self.earlier

    def leave(self, touched: Touched, reason: str) -> None:
        self.left_alone += 1
        if len(self.left) < _MOST_NAMED:
            self.left.append(LeftAlone(touched.entity, touched.key, reason))

    def count(self, way: Way, number: int = 1) -> None:
        name = {"to the bin": "to_bin", "out of the bin": "out_of_bin"}.get(way, "earlier")
        setattr(self, name, getattr(self, name) + number)


@dataclass(frozen=True, slots=True)
class _Step:
    touched: Touched
    way: Way
    earlier: Earlier | None = None


def preview_undo(shop: Shop, batch_id: str) -> Undone:
    """What `undo_batch` would do now; changes nothing. Raises NotFound, and BadInput as it does."""
    with shop.read() as session:
        batch = batches.get(session, batch_id)
        _refuse_undone(batch)
        undone = Undone(batch)
        for group in _groups(session, batch):
            for step in _steps(session, group, undone):
                if step.way == "to the bin" and step.touched.entity in bins.LINKS:
                    used = _used_after(session, batch, step.touched)
                    if used:
                        undone.leave(step.touched, _in_use(step.touched, used))
                        continue
                undone.count(step.way)
    return undone


def undo_batch(
    shop: Shop,
    batch_id: str,
    *,
    progress: Progress | None = None,
    before_keeping: Callable[[], None] | None = None,
    refresh: bool = True,
) -> Undone:
    """Takes back a batch in one transaction, which is itself a batch of kind "undo" and can be undone.

    What was added goes to the bin, what was changed gets its earlier version back, what was put in the
    bin comes out of it. A family, symptom or part class that other cases name by now stays.
    `progress` is told how many records more are done; what it raises stops the undoing and keeps nothing.
    `before_keeping` is called once nothing but the commit is left, and stops it in the same way.
    Without `refresh` the derived copies catch up when they are next asked.

    Raises NotFound for an unknown batch and BadInput for one that was undone already.
    """
    with shop.write() as session:
        batch = batches.get(session, batch_id)
        _refuse_undone(batch)
        undone = Undone(batch)
        undone.batch = changes.begin_batch(session, "undo", batch.title)
        work = _Undoing(session, undone)
        for group in _groups(session, batch):
            work.take(_steps(session, group, undone))
            if progress:
                progress(len(group))
        facts = {
            "undoes": batch.id,
            "kind": batch.kind,
            **{name: getattr(undone, name) for name in ("to_bin", "out_of_bin", "earlier", "left_alone")},
        }
        if changes.end_batch(session, facts):
            batches.mark_undone(session, batch.id, shop.person)
        else:
            undone.batch = ""
        if before_keeping:
            before_keeping()
    if refresh:
        shop.refresh()
    return undone


def size(shop: Shop, batch_id: str) -> int:
    """How many changes a batch made. Raises NotFound."""
    with shop.read() as session:
        batches.get(session, batch_id)
        return batches.size(session, batch_id)


def _refuse_undone(batch: StoredBatch) -> None:
    if batch.undone_at is not None:
        raise BadInput(
            f"This was undone already{_by(batch.undone_by)} on {_moment(batch.undone_at)}.",
            remedy="Undo the undoing to have it back.",
        )


def _by(who: str) -> str:
    return f" by {who}" if who else ""


def _moment(at: datetime) -> str:
    return at.strftime("%Y-%m-%d %H:%M")


def _groups(session: Session, batch: StoredBatch) -> Iterator[list[Touched]]:
    """What a batch touched, the last first, in runs of one kind: cases go before what they name."""
    before = None
    while found := batches.touched(session, batch.id, before=before, limit=_CHUNK):
        before = found[-1].seq
        for _, run in groupby(found, key=lambda one: one.entity):
            yield list(run)


def _steps(session: Session, group: Sequence[Touched], undone: Undone) -> list[_Step]:
    """How each record of one kind goes back; those that cannot are noted as left alone."""
    entity = group[0].entity
    if entity not in kinds.KINDS:
        for one in group:
            undone.leave(one, "It is no record but a file; it stays with its case.")
        return []
    there = kinds.standing(session, entity, [one.key for one in group])
    changed = [one.key for one in group if one.key in there and there[one.key].version != one.last_version]
    since = batches.latest_of(session, entity, changed) if changed else {}
    updated = [(one.key, one.first_version - 1) for one in group if one.operation == "updated"]
    before = batches.earlier(session, entity, updated) if updated else {}
    steps = []
    for one in group:
        if one.operation == "merged":
            steps += _back_from_merge(session, one, undone)
        elif one.key not in there:
            undone.leave(one, "It was deleted for good since.")
        elif one.key in since and (joined := _kept_with_later_work(session, one, undone)) is not None:
            steps.append(_Step(one, "earlier version", joined))
        elif one.key in since:
            who, at = since[one.key]
            undone.leave(one, f"It was changed since{_by(who)} on {_moment(at)}.")
        elif one.operation == "updated":
            if one.key in before:
                steps.append(_Step(one, "earlier version", before[one.key]))
            else:
                undone.leave(one, "Its earlier version was not kept.")
        elif one.operation == "unmerged":
            steps.append(_Step(one, "merged again"))
        else:
            steps.append(_Step(one, "out of the bin" if one.operation == "binned" else "to the bin"))
    return steps


def _back_from_merge(session: Session, one: Touched, undone: Undone) -> list[_Step]:
    """A record that was merged away comes back as it was, unless there is again one of its name."""
    before = batches.earlier(session, one.entity, [(one.key, one.first_version - 1)])
    if kinds.standing(session, one.entity, [one.key]):
        undone.leave(one, "There is one of that name again.")
    elif one.key not in before:
        undone.leave(one, "Its last version was not kept.")
    else:
        return [_Step(one, "earlier version", before[one.key])]
    return []


def _kept_with_later_work(session: Session, one: Touched, undone: Undone) -> Earlier | None:
    """For a case that a merge moved and somebody edited since: its old name back and the edit kept.

    None where the two touch the same, and for what is no merge: then it is left alone.
    """
    merging = undone.of.kind == "merge" or undone.of.facts.get("kind") == "merge"
    if not merging or one.entity != "case" or one.operation != "updated":
        return None
    before = batches.earlier(session, "case", [(one.key, one.first_version - 1)]).get(one.key)
    after = feed.kept(session, "case", [one.key], from_version=one.last_version)
    present = feed.present(session, "case", one.key)
    if before is None or present is None or present.binned_at is not None:
        return None
    now = as_dict(present.record)
    joined = merge(after[0].record if after else now, now, before.record)
    return None if joined.clashes else Earlier(joined.record, None)


def _used_after(session: Session, batch: StoredBatch, touched: Touched) -> int:
    """How many cases will name a family, symptom or part class once the batch is undone."""
    entity = touched.entity
    record_id = kinds.standing_of(session, entity, touched.key).id
    stay, changed = batches.users_beyond(session, batch.id, entity, record_id)
    for start in range(0, len(changed), _CHUNK):
        part = changed[start : start + _CHUNK]
        before = batches.earlier_of_batch(session, batch.id, part)
        stay += sum(_will_name(before.get(uid), entity, touched.key) for uid in part)
    return stay


def _will_name(earlier: Earlier | None, entity: str, name: str) -> bool:
    """Whether a case names something once it has its earlier version back; without one it stays as it is."""
    if earlier is None:
        return True
    return earlier.binned_at is None and _names(earlier.record, entity, name)


def _names(record: dict[str, Any], entity: str, name: str) -> bool:
    fold = kinds.KINDS[entity].fold
    lists_of = {"symptom": ("symptoms", "name"), "part_class": ("attempts", "part_class")}
    if entity == "family":
        return fold(record["family"]) == fold(name)
    list_name, part = lists_of[entity]
    return any(fold(entry[part]) == fold(name) for entry in record.get(list_name, ()))


def _in_use(touched: Touched, used: int) -> str:
    return bins.in_use(touched.entity, touched.key, used).message


class _Undoing:
    """Does the steps within the undoing's own transaction."""

    def __init__(self, session: Session, undone: Undone) -> None:
        self._session = session
        self._undone = undone
        self._writer = cases.Writer(session, with_origins=True)

    def take(self, steps: list[_Step]) -> None:
        """Steps of records of one kind."""
        if not steps:
            return
        if steps[0].touched.entity == "case":
            self._take_cases(steps)
            return
        for step in steps:
            try:
                with self._session.begin_nested():
                    self._take_one(step)
                self._undone.count(step.way)
            except KbError as error:
                self._undone.leave(step.touched, error.message)
        self._writer.forget_lists()

    def _take_one(self, step: _Step) -> None:
        entity, key = step.touched.entity, step.touched.key
        if step.way == "to the bin":
            bins.put(self._session, entity, key)
        elif step.way == "merged again":
            there = kinds.standing_of(self._session, entity, key)
            present = feed.present(self._session, entity, key)
            assert present is not None
            references.take_away(self._session, entity, there, present.record)
        elif step.way == "out of the bin":
            bins.take_out(self._session, entity, [key])
        elif step.earlier is not None:
            record = record_from(entity, step.earlier.record)
            if step.touched.operation == "merged":
                any_kind.put_back(self._session, record)
            else:
                any_kind.save(self._session, record)
            if step.earlier.binned_at is not None:
                bins.put(self._session, entity, key)

    def _take_cases(self, steps: list[_Step]) -> None:
        by_way: dict[Way, list[_Step]] = {}
        for step in steps:
            by_way.setdefault(step.way, []).append(step)
        to_bin = [step.touched.key for step in by_way.get("to the bin", ())]
        out_of_bin = [step.touched.key for step in by_way.get("out of the bin", ())]
        self._undone.count("to the bin", bins.put_cases(self._session, to_bin))
        if out_of_bin:
            brought = bins.take_out(self._session, "case", out_of_bin)
            self._undone.count("out of the bin", len(out_of_bin))
            self._note_brought(brought)
        self._give_earlier(by_way.get("earlier version", []))

    def _note_brought(self, brought: list[str]) -> None:
        if brought:
            self._undone.brought_back += brought
            self._writer.forget_lists()

    def _give_earlier(self, steps: list[_Step]) -> None:
        records, binned = [], []
        for step in steps:
            assert step.earlier is not None
            try:
                record = version_as(CaseRecord, step.earlier.record)
                record, brought = fit(self._session, self._writer, record)
            except KbError as error:
                self._undone.leave(step.touched, error.message)
                continue
            self._note_brought(brought)
            records.append(record)
            if step.earlier.binned_at is not None:
                binned.append(step.touched.key)
        if records:
            self._writer.write(records)
            self._undone.count("earlier version", len(records))
        if binned:
            bins.put_cases(self._session, binned)
