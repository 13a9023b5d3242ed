"""Names of files as other machines give them: text to show, never a path."""

from __future__ import annotations

import unicodedata

LONGEST_NAME = 120
NAMELESS = "without a name"


def printable_name(given: str) -> str:
    """The last part of a file's name, fit to be shown: one line, at most 120 characters.

    Control characters, marks that turn the direction of writing and characters of no known meaning go; a
    long name keeps its beginning and its suffix. A name of which nothing is left is told as such.
    """
    last = given.replace("\\", "/").rstrip("/").rpartition("/")[2]
    kept = "".join(" " if one.isspace() else one for one in last if one.isspace() or _shows(one))
    name = " ".join(unicodedata.normalize("NFC", kept).split())
    if name.strip(". ") == "":
        return NAMELESS
    if len(name) <= LONGEST_NAME:
        return name
    stem, dot, suffix = name.rpartition(".")
    if not dot or len(suffix) > 10:
        return name[: LONGEST_NAME - 1] + "…"
    return f"{stem[: LONGEST_NAME - len(suffix) - 2]}….{suffix}"


def _shows(one: str) -> bool:
    return not unicodedata.category(one).startswith("C")
