"""Two people changed one record at the same time: both changes side by side, and joined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kb.model import Record, as_dict
from kb.model.difference import Difference, differences
from kb.model.three_way_merge import Merged, Side, merge
from kb.service.history import versions
from kb.service.history.restore import record_from
from kb.service.shop.shop import Shop
from kb.store.records import feed

__all__ = ["Meeting", "Side", "joined", "meet"]


@dataclass(frozen=True, slots=True)
class Meeting:
    """What is in the store (`theirs`, at `version`) against what was about to be saved (`mine`).

    `they_changed` and `i_changed` are told from the version that mine began with; both are empty where
    nobody knows it any more, and then everything that differs is a clash.
    """

    entity: str
    name: str
    version: int
    who: str
    theirs: dict[str, Any]
    mine: dict[str, Any]
    they_changed: tuple[Difference, ...]
    i_changed: tuple[Difference, ...]
    merged: Merged
    binned: bool


def meet(
    shop: Shop,
    entity: str,
    name: str,
    mine: Record,
    *,
    opened_on: int,
    choices: Mapping[str, Side] | None = None,
) -> Meeting:
    """Both sides of a conflict, joined as far as `choices` settles it. Raises NotFound.

    `opened_on` is the version that the form of mine was opened on, 0 where nobody knows.
    """
    base = versions.version_of(shop, entity, name, opened_on)
    with shop.read() as session:
        present = versions.as_it_stands(session, entity, name)
        last = feed.of_record(session, entity, [present.name])
    theirs, written = as_dict(present.record), as_dict(mine)
    return Meeting(
        entity,
        present.name,
        present.version,
        last[-1].who if last else "",
        theirs,
        written,
        differences(base, theirs) if base is not None else (),
        differences(base, written) if base is not None else (),
        merge(base, theirs, written, choices),
        present.binned_at is not None,
    )


def joined(meeting: Meeting) -> Record:
    """Both changes as one record. Raises BadInput where together they are none."""
    return record_from(meeting.entity, meeting.merged.record)
