"""What differs between two versions of a record, told field by field in plain words.

Records come as the exchange format writes them (`as_dict`). Entries of lists are matched by what they
say (see `kb.model.likeness`), so that one entry put in at the top is one difference and not many.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from kb.model import spoken
from kb.model.edit_script import stretches
from kb.model.likeness import frozen, pairs

# Fields of running text, whose change is shown word by word.
_TEXTS = frozenset({"complaint", "notes"})
_WORDS = re.compile(r"\S+|\s+")


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of text that both versions have, or only the newer ("added") or the older ("removed")."""

    text: str
    way: Literal["same", "added", "removed"]


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference. `path` leads to it in the newer version, in the older one where it was removed.

    `pieces` is filled for running text; `before` and `after` then hold the whole texts.
    """

    path: tuple[str | int, ...]
    kind: Literal["changed", "added", "removed", "moved"]
    what: str
    before: str = ""
    after: str = ""
    pieces: tuple[Piece, ...] = ()

    @property
    def sentence(self) -> str:
        """The difference in one line: "Verdict: on the bench → repaired"."""
        if self.kind == "changed":
            return f"{self.what}: {self.before} → {self.after}"
        if self.kind == "moved":
            return f"{self.what}: in another order"
        return f"{self.what} {self.kind}: {self.after or self.before}"


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Difference, ...]:
    """Every difference between two versions of one record, in the order of the newer one's fields.

    None where the two are equal.
    """
    return tuple(_of_object(before, after, (), ""))


def _of_object(
    before: Mapping[str, Any], after: Mapping[str, Any], path: tuple[str | int, ...], owner: str
) -> Iterator[Difference]:
    for field in dict.fromkeys((*after, *before)):
        left, right = _said(before, field), _said(after, field)
        if frozen(left) == frozen(right):
            continue
        here = (*path, field)
        if isinstance(left, list) or isinstance(right, list):
            yield from _of_list(field, left or [], right or [], here, owner)
        elif isinstance(left, dict) or isinstance(right, dict):
            yield from _of_object(left or {}, right or {}, here, _named(owner, field))
        else:
            pieces = _pieces(left or "", right or "") if field in _TEXTS else ()
            yield Difference(
                here,
                "changed",
                _named(owner, field),
                spoken.value(field, left),
                spoken.value(field, right),
                pieces,
            )


def _said(record: Mapping[str, Any], field: str) -> Any:
    return record.get(field, spoken.UNSAID.get(field))


def _named(owner: str, field: str) -> str:
    words = spoken.label(field)
    return f"{owner}, {words[:1].lower()}{words[1:]}" if owner else words


def _of_list(
    field: str, left: Sequence[Any], right: Sequence[Any], path: tuple[str | int, ...], owner: str
) -> Iterator[Difference]:
    word = spoken.entry_label(field)
    what = f"{owner}, {word[:1].lower()}{word[1:]}" if owner else word
    matched = pairs(field, left, right)
    for old, new in matched:
        if new is None and old is not None:
            yield Difference((*path, old), "removed", what, before=spoken.entry(field, left[old]))
        elif old is None and new is not None:
            yield Difference((*path, new), "added", what, after=spoken.entry(field, right[new]))
        elif old is not None and new is not None and frozen(left[old]) != frozen(right[new]):
            if isinstance(right[new], dict):
                name = spoken.entry_name(field, new + 1, right[new])
                yield from _of_object(left[old], right[new], (*path, new), name)
            else:
                yield Difference(
                    (*path, new),
                    "changed",
                    what,
                    spoken.entry(field, left[old]),
                    spoken.entry(field, right[new]),
                )
    kept = [old for old, new in matched if old is not None and new is not None]
    if kept != sorted(kept):
        yield Difference(
            path, "moved", f"{owner}, {spoken.label(field).lower()}" if owner else spoken.label(field)
        )


def _pieces(before: str, after: str) -> tuple[Piece, ...]:
    """The two texts word by word; what cannot be told apart in reasonable time is shown as a whole."""
    left, right = _WORDS.findall(before), _WORDS.findall(after)
    found: list[Piece] = []
    for one in stretches(left, right):
        if one.same:
            found.append(Piece("".join(left[one.old_from : one.old_to]), "same"))
            continue
        if one.old_to > one.old_from:
            found.append(Piece("".join(left[one.old_from : one.old_to]), "removed"))
        if one.new_to > one.new_from:
            found.append(Piece("".join(right[one.new_from : one.new_to]), "added"))
    return tuple(found)
