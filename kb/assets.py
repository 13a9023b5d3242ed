"""Finds templates, static files and demo data, in a checkout as in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from kb.errors import StoreTrouble

_PACKAGE = Path(__file__).parent


def folder(name: str) -> Path:
    """The folder `templates`, `static` or `seed_data`. Raises StoreTrouble where it is missing."""
    for candidate in (_PACKAGE / "_assets" / name, _PACKAGE.parent / name):
        if candidate.is_dir():
            return candidate
    raise StoreTrouble(
        f"The installation lacks its folder {name}.", remedy="Install the program again from its wheel."
    )
