"""What a workbook file is looked over for before anything in it is unpacked or parsed."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from kb.errors import BadInput

MOST_MEMBERS = 2_000
MOST_UNPACKED = 1_500_000_000
MOST_RATIO = 400
"""Unpacked to packed bytes of one member; sheets of numbers reach some 30, text repeated for ever 1,030."""
_RATIO_FROM = 20_000_000
_PACKED = (".zip", ".gz", ".7z", ".rar", ".xz", ".bz2", ".zst", ".tar")
_CHUNK = 1 << 18
_TAIL = 300

_MERGE = re.compile(rb'<(?:\w+:)?mergeCell\s[^<>]*?ref="([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})"')
_UNSAVED = re.compile(rb"(?:</f>|<f\b[^<>]*/>)\s*(?:(?:<v\s*/>|<v>\s*</v>)\s*)?</c>")
_FORBIDDEN = (b"<!DOCTYPE", b"<!ENTITY", b"\x00")
"""The last one: parts in an encoding that would hide the others; workbooks are written in UTF-8."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What was seen in a sheet: merged places as written, and formulas that were saved without result."""

    merged: tuple[str, ...]
    unsaved_formulas: int


def _refuse(why: str, remedy: str) -> NoReturn:
    raise BadInput(why, field="file", remedy=remedy)


_SAVE_AS = "Open it in a spreadsheet program and save it again as XLSX or CSV."


def guard(file: Path) -> list[str]:
    """Names of the members of a workbook file. Raises BadInput for what may be a trap or is no workbook.

    Nothing is unpacked here: sizes, ratio, number and places of the members come from the file's own list,
    and reading never goes beyond what that list says.
    """
    try:
        with zipfile.ZipFile(file) as packed:
            members = packed.infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError, EOFError, UnicodeError) as error:
        raise BadInput("This workbook file is damaged.", field="file", remedy=_SAVE_AS) from error
    if len(members) > MOST_MEMBERS:
        _refuse(f"This file packs {len(members):,} files; a workbook has a few dozen.", _SAVE_AS)
    if sum(member.file_size for member in members) > MOST_UNPACKED:
        _refuse("This file would unpack to more than 1.5 GB.", "Split the sheet, or save it as CSV.")
    for member in members:
        if member.file_size > _RATIO_FROM and member.file_size > MOST_RATIO * max(member.compress_size, 1):
            _refuse("This file is packed more tightly than any sheet can be.", _SAVE_AS)
        if member.filename.casefold().endswith(_PACKED):
            _refuse("This file packs further packed files.", _SAVE_AS)
        if member.flag_bits & 0x1:
            _refuse("This workbook is protected by a password.", "Save it without one.")
    _refuse_overlaps(members)
    names = [member.filename for member in members]
    if len(set(names)) != len(names):
        _refuse("This file holds two parts of one name.", _SAVE_AS)
    if "[Content_Types].xml" not in names or not any(name.startswith("xl/") for name in names):
        what = "an OpenDocument file" if "content.xml" in names else "no workbook"
        _refuse(f"This is {what}, whatever its name says.", "Save the sheet as XLSX or CSV.")
    if any(name.casefold().startswith("xl/externallinks/") for name in names):
        _refuse(
            "This workbook takes values from other files, which are not read.",
            "Break its links in the spreadsheet program, or save the sheet as CSV.",
        )
    return names


def _refuse_overlaps(members: list[zipfile.ZipInfo]) -> None:
    """Members that share bytes are how a small file unpacks to a huge one."""
    end = 0
    for member in sorted(members, key=lambda one: one.header_offset):
        if member.header_offset < end:
            _refuse("Parts of this file lie over one another.", _SAVE_AS)
        end = member.header_offset + 30 + len(member.orig_filename) + member.compress_size


def _chunks(packed: zipfile.ZipFile, name: str) -> Iterator[bytes]:
    """A member in pieces; each begins with the end of the one before, so that nothing is cut apart."""
    tail = b""
    with packed.open(name) as member:
        while piece := member.read(_CHUNK):
            yield tail + piece
            tail = (tail + piece)[-_TAIL:]


def look_over(file: Path, sheet_member: str) -> Looked:
    """Refuses entity definitions in any part, and looks a sheet over for what rows do not show.

    Raises BadInput.
    """
    merged: dict[str, None] = {}
    unsaved = 0
    try:
        with zipfile.ZipFile(file) as packed:
            for member in packed.infolist():
                name = member.filename
                if not name.endswith((".xml", ".rels", ".vml")):
                    continue
                overlap = 0
                for chunk in _chunks(packed, name):
                    if any(sign in chunk for sign in _FORBIDDEN):
                        _refuse("This workbook defines entities of its own, as no sheet needs.", _SAVE_AS)
                    if name == sheet_member and b"mergeCell" in chunk:
                        merged.update(dict.fromkeys(found.decode() for found in _MERGE.findall(chunk)))
                    if name == sheet_member and b"<f" in chunk:
                        unsaved += sum(found.end() > overlap for found in _UNSAVED.finditer(chunk))
                    overlap = min(_TAIL, len(chunk))
    except BadInput:
        raise
    except Exception as error:  # a damaged archive fails in many ways; none of them is more telling
        raise BadInput("This workbook file is damaged.", field="file", remedy=_SAVE_AS) from error
    return Looked(tuple(merged), unsaved)
