"""Which entries of two versions of a list are the same entry, told by what they say and not by their place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from kb.facts.designators import code_key, rail_key

Entry = Any
_Likeness = Callable[[Entry], Any]


def _of(*names: str) -> _Likeness:
    return lambda entry: tuple(str(entry.get(name, "")).casefold() for name in names)


# For each list what makes two entries one, the surest sign first. Equal entries always are.
_SIGNS: dict[str, tuple[_Likeness, ...]] = {
    "symptoms": (_of("name"),),
    "readings": (
        _of("rail", "point", "quantity", "supply", "load", "after_repair"),
        _of("rail", "point", "quantity", "after_repair"),
    ),
    "attempts": (_of("part", "part_class", "section"), _of("part", "section"), _of("part_class", "section")),
    "follow_ups": (_of("date", "state"), _of("date")),
    "rails": (lambda entry: rail_key(entry["name"]),),
    "connectors": (lambda entry: code_key(entry["name"]),),
    # Of a picture; the pins of a rail are plain numbers.
    "pins": (lambda entry: code_key(entry.get("label", "")) if isinstance(entry, dict) else entry,),
    "points": (lambda entry: entry[0],),
    "tips": (_of("place", "name", "text"), _of("place", "name")),
    "revisions": (_of("name"),),
    "used_in": (_of("brand", "device"),),
    "documents": (_of("file"),),
    "pin_values": (lambda entry: (code_key(entry["connector"]), entry["pin"]),),
    "used_at": (lambda entry: (code_key(entry["family"]), code_key(entry["part"])),),
    "instead_of": (_of("part"),),
}


def frozen(value: Any) -> Any:
    """A value that equals another exactly where the two JSON values do; 1 and true differ."""
    if isinstance(value, dict):
        return tuple((name, frozen(part)) for name, part in sorted(value.items()))
    if isinstance(value, list):
        return ("list", *(frozen(part) for part in value))
    return (value.__class__ is bool, value)


def pairs(field: str, left: Sequence[Entry], right: Sequence[Entry]) -> list[tuple[int | None, int | None]]:
    """(place in `left`, place in `right`) of each entry of a list called `field`; None where it is missing.

    Entries of `right` come in their order, those that only `left` has after them.
    """
    partner: dict[int, int] = {}
    free_left, free_right = list(range(len(left))), list(range(len(right)))
    for sign in (frozen, *_SIGNS.get(field, ())):
        waiting: dict[Any, list[int]] = {}
        for place in free_left:
            waiting.setdefault(sign(left[place]), []).append(place)
        for place in free_right:
            found = waiting.get(sign(right[place]))
            if found:
                partner[place] = found.pop(0)
        taken = set(partner.values())
        free_left = [place for place in free_left if place not in taken]
        free_right = [place for place in free_right if place not in partner]
    matched: list[tuple[int | None, int | None]] = [
        (partner.get(place), place) for place in range(len(right))
    ]
    return matched + [(place, None) for place in free_left]
