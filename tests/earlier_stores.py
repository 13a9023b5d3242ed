"""Stores of earlier programs, and what each of those programs exported of its own."""

from __future__ import annotations

from pathlib import Path

OLD = Path(__file__).parent / "store" / "old_stores"
# Symptoms that migration 0013 adds to the lists of earlier stores.
ADDED = (
    "does not boot",
    "does not work",
    "freezes",
    "more than one output missing",
    "one channel silent",
    "relay clicks once",
)


def without_added(text: str) -> str:
    """An export without the symptoms that were added to the list; each must be there."""
    lines = {name: f'{{"record":"symptom","name":"{name}",' for name in ADDED}
    for name, head in lines.items():
        assert head in text, name
    return "".join(
        line for line in text.splitlines(keepends=True) if not line.startswith(tuple(lines.values()))
    )


def kept(revision: str) -> str:
    """What the program of that time exported, without what it had of the symptoms that came later."""
    text = (OLD / f"{revision}.jsonl").read_text(encoding="utf-8")
    return without_added(text) if all(f'"name":"{name}"' in text for name in ADDED) else text
