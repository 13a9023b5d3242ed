"""What is wrong with a database, in one sentence with a remedy."""

from __future__ import annotations

from pathlib import Path

from kb.errors import StoreReadOnly, StoreTrouble

_SIGNS = (
    ("full", "The disk is full, so nothing was saved.", "Free some space and save again."),
    ("readonly", "The store is read-only.", "Give this user the right to write to the data folder."),
    (
        "i/o error",
        "The disk reported an error.",
        "See that the disk is sound and has room, run kb check, and save again.",
    ),
    ("out of memory", "There is not enough memory for this.", "Close other programs and try again."),
    ("locked", "Another program is holding the store.", "Wait a moment and save again."),
    ("malformed", "The database file is damaged.", "Restore the latest backup with kb restore."),
    ("not a database", "The database file is damaged.", "Restore the latest backup with kb restore."),
    ("unable to open", "The database cannot be opened.", "Check that KB_DATA names a folder you may use."),
)


def write_protected(folder: Path) -> StoreReadOnly:
    """What keeps a store that may only be read from being written."""
    return StoreReadOnly(
        f"Nothing can be saved: the disk or the folder {folder} is write-protected.",
        remedy="See that the disk is sound and mounted for writing, and that the account that runs the program may "
        "write there; then start the program again. kb backup can carry the records to another disk meanwhile.",
    )


def sqlite_trouble(cause: str) -> StoreTrouble:
    """The trouble behind what SQLite or the operating system reported."""
    lowered = cause.lower()
    for sign, message, remedy in _SIGNS:
        if sign == "readonly" and sign in lowered:
            return StoreReadOnly(message, remedy=remedy)
        if sign in lowered:
            return StoreTrouble(message, remedy=remedy)
    return StoreTrouble(f"The database reported: {cause}.", remedy="Run kb check.")
