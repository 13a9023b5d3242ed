"""The door for files that people send: what is inside decides, and what cannot be used is told why."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import BinaryIO

from kb.errors import BadInput
from kb.pictures.kinds import HEAD_BYTES, HEIC, PDF, kind_of, other_kind
from kb.pictures.names import printable_name
from kb.pictures.prepare import can_read_heic, prepare

LARGEST_BYTES = 40_000_000
TAKEN = "JPEG, PNG, WebP, HEIC or PDF"
_TAIL_BYTES = 1024


@dataclass(frozen=True, slots=True)
class Accepted:
    """A file fit to keep. `content` is None for a document, which is kept as it was sent.

    `small` is a picture for lists, None for a document; `name` is only to be shown.
    """

    name: str
    media_type: str
    content: bytes | None
    width_px: int | None = None
    height_px: int | None = None
    small: bytes | None = None


def accept(file: BinaryIO, name: str) -> Accepted:
    """Decides what a sent file is and makes it fit to keep. Reads at most 40 million bytes of it.

    Raises BadInput, naming the file, for everything that is not a sound picture or PDF.
    """
    shown = printable_name(name)
    try:
        return _accept(file, shown)
    except BadInput as error:
        raise BadInput(f"“{shown}” {error.message}.", field="file", remedy=error.remedy) from error


def accept_file(path: str, name: str) -> Accepted:
    """The same for a file on the disk, so that it can be done in another process."""
    with open(path, "rb") as file:
        return accept(file, name)


def _accept(file: BinaryIO, shown: str) -> Accepted:
    size = file.seek(0, os.SEEK_END)
    if size == 0:
        raise BadInput("is empty", remedy="Send it again; the connection may have broken.")
    if size > LARGEST_BYTES:
        raise BadInput(f"is larger than {LARGEST_BYTES // 1_000_000} MB", remedy="Send it at a smaller size.")
    file.seek(0)
    head = file.read(HEAD_BYTES)
    kind = kind_of(head)
    if kind is None:
        remedy = f"Send {TAKEN}. What is inside counts, not the name."
        raise BadInput(f"is {other_kind(head)} inside", remedy=remedy)
    if kind == PDF:
        _check_pdf(file, size)
        return Accepted(shown, PDF, None)
    if kind == HEIC and not can_read_heic():
        raise BadInput(
            "is a HEIC picture, for which this machine has no decoder",
            remedy="Set the phone's camera to JPEG (“most compatible”), or send a JPEG copy.",
        )
    file.seek(0)
    content, media_type, width, height, small = prepare(file, kind)
    return Accepted(shown, media_type, content, width, height, small)


def _check_pdf(file: BinaryIO, size: int) -> None:
    """A document begins and ends as one, with nothing hung on behind (ISO 32000-1, 7.5.2 and 7.5.5, from memory)."""
    file.seek(0)
    if not re.match(rb"%PDF-[12]\.[0-9]\s", file.read(16)):
        raise BadInput("begins like a PDF, but names no version of it", remedy="Save it as a PDF again.")
    file.seek(max(0, size - _TAIL_BYTES))
    tail = file.read(_TAIL_BYTES)
    end = tail.rfind(b"%%EOF")
    if end < 0 or b"startxref" not in tail[:end]:
        raise BadInput("is a PDF that is cut off", remedy="Send it again, or save it as a PDF again.")
    if tail[end + 5 :].strip(b"\r\n\t \x00\x1a"):
        raise BadInput("is a PDF with something else behind its end", remedy="Save it as a PDF again.")
    file.seek(0)
