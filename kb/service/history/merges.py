"""Merging two families, two symptoms or two part classes that are one: looked at first, and undone as one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from kb.errors import BadInput
from kb.model import as_dict
from kb.model.difference import Difference, differences
from kb.model.three_way_merge import Merged, Side, merge
from kb.service.boards.families import offered
from kb.service.history.restore import record_from
from kb.service.shop.shop import Shop
from kb.store.records import any_kind, changes, families, feed, kinds, lists, pictures, references
from kb.store.records.feed import Present
from kb.store.tables.core import PartClass, Symptom

MERGED = ("family", "symptom", "part_class")
_OTHER_NAMES = {"family": "aliases", "symptom": "synonyms", "part_class": "synonyms"}


@dataclass(frozen=True, slots=True)
class Joining:
    """What merging `away` into `into` does: how many cases move, and what becomes of the record that stays.

    `changed` leaves out what still waits for a choice.
    `merged.clashes` are what the two say differently; "theirs" is what `into` says.
    """

    entity: str
    away: str
    into: str
    cases: int
    changed: tuple[Difference, ...]
    merged: Merged


def preview(
    shop: Shop, entity: str, away: str, into: str, choices: Mapping[str, Side] | None = None
) -> Joining:
    """What `join` would do with these choices; changes nothing.

    Raises NotFound, and BadInput for a record merged with itself, in the bin, or merged already.
    """
    with shop.read() as session:
        gone, stays = _both(session, entity, away, into)
        standing = kinds.standing_of(session, entity, gone.name)
        count = references.users_total(session, entity, standing.id)
    merged = _merged(entity, gone, stays, choices or {})
    shown: dict[str, Side] = {**dict.fromkeys(merged.open, "theirs"), **(choices or {})}
    changed = differences(as_dict(stays.record), _merged(entity, gone, stays, shown).record)
    return Joining(entity, gone.name, stays.name, count, changed, merged)


def join(
    shop: Shop,
    entity: str,
    away: str,
    into: str,
    choices: Mapping[str, Side],
    *,
    progress: Callable[[int], None] | None = None,
    before_keeping: Callable[[], None] | None = None,
) -> str:
    """Merges `away` into `into` as one batch and returns its id, with which it can be undone.

    Every case that names `away` names `into` afterwards; the name that goes stays as another number or
    word, so that labels and addresses with it still lead somewhere.

    Raises what `preview` raises, BadInput where a choice is missing or the two together are no record,
    and what `progress` and `before_keeping` raise, which keeps nothing; the latter is called once nothing
    but the commit is left.
    """
    with shop.write() as session:
        gone, stays = _both(session, entity, away, into)
        merged = _merged(entity, gone, stays, choices)
        if merged.open:
            first = next(one for one in merged.clashes if one.name in merged.open)
            raise BadInput(
                f"{first.what}: it is not chosen which stays.",
                field=f"choice.{first.name}",
                remedy="Choose one.",
            )
        record = record_from(entity, merged.record)
        batch = changes.begin_batch(session, "merge", f"{gone.name} into {stays.name}")
        there, target = (kinds.standing_of(session, entity, one.name) for one in (gone, stays))
        count = 0
        for number in references.repoint(session, entity, there, target):
            count += number
            if progress:
                progress(number)
        if entity == "family":
            references.move_runs(session, there.id, target.id)
            pictures.move_to_family(session, there.id, target.id)
        references.take_away(session, entity, there, gone.record)
        any_kind.save(session, record)
        changes.end_batch(session, {"cases": count})
        if before_keeping:
            before_keeping()
    shop.refresh()
    return batch


def names(shop: Shop, entity: str) -> list[str]:
    """What is offered to be merged: codes of families, names of symptoms or part classes."""
    with shop.read() as session:
        if entity == "family":
            return [one.code for one in offered(shop, session)]
        kept = shop.kept
        entries = kept.symptoms(session) if entity == "symptom" else kept.part_classes(session)
        return [entry.name for entry in entries]


def _both(session: Session, entity: str, away: str, into: str) -> tuple[Present, Present]:
    gone, stays = _one(session, entity, away, "away"), _one(session, entity, into, "into")
    if gone.name == stays.name:
        raise BadInput(
            f"{gone.name} cannot be merged with itself.", field="into", remedy="Name two different ones."
        )
    return gone, stays


def _one(session: Session, entity: str, name: str, field: str) -> Present:
    spoken = kinds.KINDS[entity].spoken
    found = feed.present(session, entity, name.strip())
    if found is not None and found.binned_at is None:
        return found
    if found is not None:
        raise BadInput(
            f"The {spoken} {found.name} lies in the bin.", field=field, remedy="Take it out of the bin first."
        )
    known = _known_as(session, entity, name.strip())
    if known is not None:
        raise BadInput(
            f"{name.strip()} is another name of the {spoken} {known} already, so there is nothing to merge.",
            field=field,
            remedy=f"Name {known} instead.",
        )
    raise BadInput(
        f"There is no {spoken} {name.strip()[:80]}.", field=field, remedy="Choose one from the list."
    )


def _known_as(session: Session, entity: str, name: str) -> str | None:
    if entity == "family":
        found = families.find(session, name)
    else:
        found = lists.Names(session, Symptom if entity == "symptom" else PartClass).find(name)
    return found[1] if found else None


def _merged(entity: str, gone: Present, stays: Present, choices: Mapping[str, Side]) -> Merged:
    away, into = as_dict(gone.record), as_dict(stays.record)
    key, others = ("code" if entity == "family" else "name"), _OTHER_NAMES[entity]
    fold = kinds.KINDS[entity].fold
    known = [into[key], *into.get(others, [])]
    added: dict[str, str] = {}
    for name in (gone.name, *away.get(others, [])):
        if fold(name) not in map(fold, known):
            added.setdefault(fold(name), name)
    shared: dict[str, Any] = {key: into[key], others: [*into.get(others, []), *added.values()]}
    texts = [one["notes"] for one in (into, away) if one.get("notes")]
    if texts:
        shared["notes"] = "\n\n".join(dict.fromkeys(texts))
    return merge({}, into | shared, away | shared, choices)
