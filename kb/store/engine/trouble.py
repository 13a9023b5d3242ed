"""What is wrong with a database, in one sentence with a remedy."""

from __future__ import annotations

from kb.errors import StoreTrouble

_SIGNS = (
    ("full", "The disk is full, so nothing was saved.", "Free some space and save again."),
    ("readonly", "The store is read-only.", "Give this user the right to write to the data folder."),
    ("locked", "Another program is holding the store.", "Wait a moment and save again."),
    ("malformed", "The database file is damaged.", "Restore the latest backup with kb restore."),
    ("not a database", "The database file is damaged.", "Restore the latest backup with kb restore."),
    ("unable to open", "The database cannot be opened.", "Check that KB_DATA names a folder you may use."),
)


def sqlite_trouble(cause: str) -> StoreTrouble:
    """The trouble behind what SQLite or the operating system reported."""
    lowered = cause.lower()
    for sign, message, remedy in _SIGNS:
        if sign in lowered:
            return StoreTrouble(message, remedy=remedy)
    return StoreTrouble(f"The database reported: {cause}.", remedy="Run kb check.")
