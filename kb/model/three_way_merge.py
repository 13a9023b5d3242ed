"""Joins two changes that were made to one record at the same time: a merge of three versions.

What only one side changed is taken over. What both changed differently is a clash and needs a choice.
Records come as the exchange format writes them (`as_dict`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from kb.model import spoken
from kb.model.likeness import frozen, pairs

Side = Literal["theirs", "mine"]
_MISSING = object()
# Lists in which a name may stand once. In all others two people may both have added one, and both stay.
_ONCE = frozenset(
    {
        "symptoms",
        "rails",
        "connectors",
        "points",
        "revisions",
        "used_in",
        "documents",
        "pin_values",
        "used_at",
        "instead_of",
    }
)


@dataclass(frozen=True, slots=True)
class Clash:
    """Something that both sides changed differently.

    `name` tells it from others of the same merge and is the same when the merge is done again.
    """

    name: str
    what: str
    theirs: str
    mine: str


@dataclass(slots=True)
class Merged:
    """The joined record, and the clashes for which no choice was given; there it holds what is mine."""

    record: dict[str, Any]
    clashes: list[Clash] = field(default_factory=list)
    open: list[str] = field(default_factory=list)


def merge(
    base: Mapping[str, Any] | None,
    theirs: Mapping[str, Any],
    mine: Mapping[str, Any],
    choices: Mapping[str, Side] | None = None,
) -> Merged:
    """Joins `theirs` and `mine`, which both began as `base`.

    `choices` says by the name of each clash which side is wanted. Without a `base` everything that
    differs is a clash, for nobody can say who changed it.
    """
    work = _Merge(choices or {})
    record = work.objects(base, theirs, mine, "", "")
    return Merged(record, work.clashes, [one.name for one in work.clashes if one.name not in work.choices])


class _Merge:
    def __init__(self, choices: Mapping[str, Side]) -> None:
        self.choices = choices
        self.clashes: list[Clash] = []

    def objects(
        self,
        base: Mapping[str, Any] | None,
        theirs: Mapping[str, Any],
        mine: Mapping[str, Any],
        path: str,
        owner: str,
        *,
        both_added: bool = False,
    ) -> dict[str, Any]:
        """Field by field, in the order of the fields of mine and then theirs.

        Of what `both_added`, fields that one of them left empty are taken from the other; but for what
        goes without saying, where leaving it out says something.
        """
        joined = {}
        for name in dict.fromkeys((*mine, *theirs)):
            begun = base is not None or (both_added and name not in spoken.UNSAID)
            old = (base or {}).get(name) if begun else _MISSING
            found = self._value(name, old, theirs.get(name), mine.get(name), path, owner)
            if found not in (None, "", []):
                joined[name] = found
        return joined

    def _value(self, name: str, base: Any, theirs: Any, mine: Any, path: str, owner: str) -> Any:
        if _same(theirs, mine) or _same(base, mine):
            return theirs
        if _same(base, theirs):
            return mine
        here = f"{path}{name}"
        words = spoken.label(name)
        what = f"{owner}, {words[:1].lower()}{words[1:]}" if owner else words
        old = None if base is _MISSING else base
        if isinstance(theirs or mine, list):
            return self._lists(name, old or [], theirs or [], mine or [], here, owner)
        if isinstance(theirs, dict) and isinstance(mine, dict):
            return self.objects(old, theirs, mine, f"{here}.", what)
        return self._choose(here, what, theirs, mine, name)

    def _choose(self, path: str, what: str, theirs: Any, mine: Any, name: str, *, entry: bool = False) -> Any:
        told = spoken.entry if entry else spoken.value
        gone = "taken out"
        self.clashes.append(
            Clash(
                path,
                what,
                gone if entry and theirs is None else told(name, theirs),
                gone if entry and mine is None else told(name, mine),
            )
        )
        return theirs if self.choices.get(path) == "theirs" else mine

    def _lists(
        self,
        name: str,
        base: Sequence[Any],
        theirs: Sequence[Any],
        mine: Sequence[Any],
        path: str,
        owner: str,
    ) -> list[Any]:
        """Entry by entry: theirs in their order, and after them what mine adds."""
        in_theirs = {old: new for old, new in pairs(name, base, theirs) if old is not None}
        in_mine = {old: new for old, new in pairs(name, base, mine) if old is not None}
        from_base = {new: old for old, new in in_theirs.items() if new is not None}
        mine_new = [place for place in range(len(mine)) if place not in set(in_mine.values())]
        twins = _twins(
            name, [place for place in range(len(theirs)) if place not in from_base], theirs, mine_new, mine
        )
        joined: list[Any] = []
        for place, entry in enumerate(theirs):
            number = len(joined) + 1
            if place in from_base:
                old = from_base[place]
                partner = in_mine.get(old)
                mine_entry = None if partner is None else mine[partner]
                found = self._entry(name, base[old], entry, mine_entry, f"{path}.{old}", number, owner)
            elif place in twins:
                found = self._entry(
                    name, None, entry, mine[twins[place]], f"{path}.new{place}", number, owner
                )
            else:
                found = entry
            if found is not None:
                joined.append(found)
        for old, partner in in_mine.items():
            if in_theirs.get(old) is None and partner is not None:
                number = len(joined) + 1
                found = self._entry(name, base[old], None, mine[partner], f"{path}.{old}", number, owner)
                if found is not None:
                    joined.append(found)
        return joined + [mine[place] for place in mine_new if place not in twins.values()]

    def _entry(self, name: str, base: Any, theirs: Any, mine: Any, path: str, number: int, owner: str) -> Any:
        """One entry; None where it goes. `base` None: both sides added it."""
        if _same(theirs, mine) or (base is not None and _same(base, mine)):
            return theirs
        if base is not None and _same(base, theirs):
            return mine
        shown = mine if mine is not None else theirs
        what = spoken.entry_name(name, number, shown)
        what = f"{owner}, {what[:1].lower()}{what[1:]}" if owner else what
        if isinstance(theirs, dict) and isinstance(mine, dict):
            return self.objects(base, theirs, mine, f"{path}.", what, both_added=base is None)
        return self._choose(path, what, theirs, mine, name, entry=True)


def _same(one: Any, other: Any) -> bool:
    return one is not _MISSING and other is not _MISSING and frozen(one) == frozen(other)


def _twins(
    name: str, left_places: list[int], left: Sequence[Any], right_places: list[int], right: Sequence[Any]
) -> dict[int, int]:
    """Entries that both sides added: place in `left` to place in `right`."""
    matched = pairs(name, [left[place] for place in left_places], [right[place] for place in right_places])
    both = [
        (left_places[old], right_places[new]) for old, new in matched if old is not None and new is not None
    ]
    return {old: new for old, new in both if name in _ONCE or _same(left[old], right[new])}
