"""Readings that are said: a sound in, what the page does about it out."""

from __future__ import annotations

import base64
import binascii
from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import BaseModel, Field

from kb.errors import BadInput
from kb.model.records import Record
from kb.service.speech import hearing
from kb.service.speech.hearing import Entry, Where, entry_of
from kb.web.dependencies import ShopHere

router = APIRouter(prefix="/speech")
_LONGEST_TEXT = 600_000
"""Twelve seconds of sound in base 64, and room for what surrounds it."""
_Short = Annotated[str, Field(max_length=200)]


class SpeechWhere(Record):
    """The page that is spoken to: `step` of a bench `run`, or a page of `lines` or `pins` of a `family`."""

    page: Literal["step", "lines", "pins"]
    family: _Short = ""
    run: Annotated[str, Field(max_length=64)] = ""
    step: Annotated[int, Field(ge=0, le=1000)] = 0


class SpeechEntry(Record):
    """What waits for its yes, as the answer before had it."""

    field: _Short
    text: _Short = ""
    say: _Short = ""
    twin: _Short = ""
    twin_say: _Short = ""
    doubted: bool = False


class SpeechBody(SpeechWhere):
    """`sound` in base 64: 16-bit little-endian samples, one channel, 16,000 a second, at most 12 s."""

    sound: Annotated[str, Field(max_length=_LONGEST_TEXT)]
    waiting: SpeechEntry | None = None


class SpeechEntryOut(BaseModel):
    field: str
    text: str
    say: str
    twin: str
    twin_say: str
    doubted: bool


class SpeechOut(BaseModel):
    """`outcome` is `wait` (read `entry` back; it counts after yes), `keep` (type `entry`), `do` (`command`) or
    `again`; `words` are those that were recognised."""

    outcome: str
    say: str
    entry: SpeechEntryOut | None
    command: str
    words: str


class ReadyOut(BaseModel):
    """The names of rails, points or connectors that can be said."""

    places: list[str]


def _where(given: SpeechWhere) -> Where:
    return Where(given.page, given.family, given.run, given.step)


def _entry(entry: Entry | None) -> dict[str, Any] | None:
    names = ("field", "text", "say", "twin", "twin_say", "doubted")
    return None if entry is None else {name: getattr(entry, name) for name in names}


@router.post("/ready", response_model=ReadyOut)
def get_ready(shop: ShopHere, where: SpeechWhere) -> dict[str, Any]:
    """Loads what the first sound needs, so that it need not wait."""
    return {"places": hearing.get_ready(shop, _where(where))}


@router.post("/heard", response_model=SpeechOut)
def hear(shop: ShopHere, body: SpeechBody) -> dict[str, Any]:
    """What was said, and what is asked before it counts. The sound is kept nowhere, and nothing is stored."""
    try:
        sound = base64.b64decode(body.sound, validate=True)
    except (binascii.Error, ValueError) as error:
        raise BadInput(
            "The sound is not in base 64.", field="sound", remedy="Send it as the page does."
        ) from error
    waiting = entry_of(body.waiting.model_dump()) if body.waiting else None
    told = hearing.hear(shop, _where(body), sound, waiting)
    return {
        "outcome": told.answer.outcome,
        "say": told.answer.say,
        "entry": _entry(told.answer.entry),
        "command": told.answer.command,
        "words": " ".join(told.words),
    }
