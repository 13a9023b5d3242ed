"""What an account may be: its levels, the scopes of its tokens, and the names people go by."""

from __future__ import annotations

import re
import unicodedata

from kb.errors import BadInput

READ, WORK, ADMINISTER = "read", "work", "administer"
LEVELS: dict[str, str] = {
    READ: "see everything, change nothing",
    WORK: "all work at the bench: cases, families, lists, loads, tests, bringing records in",
    ADMINISTER: "people, backups, taking out the whole store, and what cannot be undone by hand",
}
SCOPES = (READ, WORK)
_RANK = {level: rank for rank, level in enumerate(LEVELS)}
_LONGEST_NAME = 60
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")


def reaches(level: str, needed: str) -> bool:
    """Whether somebody of a level may do what needs another."""
    return _RANK[level] >= _RANK[needed]


def lower_of(level: str, other: str) -> str:
    """The lesser of two levels."""
    return min(level, other, key=_RANK.__getitem__)


def level_named(text: str) -> str:
    """A level as typed. Raises BadInput."""
    if text not in LEVELS:
        raise BadInput(
            f'There is no level "{text[:20]}".', field="level", remedy=f"Choose one of: {', '.join(LEVELS)}."
        )
    return text


def person_name(text: str, field: str = "name") -> str:
    """A name as it is kept. Raises BadInput for one that is empty, too long or cannot be seen."""
    name = unicodedata.normalize("NFC", " ".join(text.split()))
    if not name:
        raise BadInput("The name is empty.", field=field, remedy="Type the name this person goes by.")
    if len(name) > _LONGEST_NAME:
        raise BadInput(
            f"The name is longer than {_LONGEST_NAME} characters.", field=field, remedy="Shorten it."
        )
    if _UNSEEN.search(name):
        raise BadInput("The name holds characters that cannot be seen.", field=field, remedy="Retype it.")
    return name


def name_key(text: str) -> str:
    """What makes two names the same: case, width and spaces do not count."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())
