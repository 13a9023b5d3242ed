"""Readings of instruments: taken for a page or a program, and sent from another computer (`kb meter`)."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field, model_validator
from pydantic_core import PydanticCustomError
from starlette.concurrency import run_in_threadpool

from kb.instruments.desk import Live
from kb.instruments.feeds import MOST_AT_ONCE
from kb.instruments.recording import LINE_WORDS
from kb.instruments.responses import Measured
from kb.model.fields import Name
from kb.model.records import Record
from kb.service.bench import metering
from kb.web.dependencies import ShopHere, VisitorHere, awaited

router = APIRouter()
Short = Annotated[str, Field(max_length=120)]
Seconds = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Quantity = Literal["dc_v", "ac_v", "amp", "ohm", "diode_v", "farad", "hz", "celsius"]


class AskBody(Record):
    """Which instrument is asked for which quantity, by which opened page and for what."""

    instrument: Name
    quantity: Quantity
    page: Short = ""
    doing: Short = ""


class RecordBody(AskBody):
    """`begin` records lowest and highest, `watch` asks how it goes and keeps it going, `stop` ends it."""

    action: Literal["begin", "watch", "stop"]


class TakenOut(BaseModel):
    """A reading. `text` is what a person would type, `words` what a line of a case needs besides."""

    taken: str
    instrument: str
    quantity: str
    text: str
    words: str
    origin: str
    low: str
    high: str
    note: str


class LiveOut(BaseModel):
    """What a recording shows; all empty once it has ended."""

    text: str
    low: str
    high: str
    count: int
    trouble: str


class InstrumentOut(BaseModel):
    """`kind` is null for an instrument of another computer, `sent_by` then whose; `in_use` says by what."""

    name: str
    kind: str | None
    quantity: str
    in_use: str
    last: str
    last_at: str
    sent_by: str


class SentReading(Record):
    """One reading at a moment of the sender's clock (s); `value` in the SI base unit, null where it is beyond range."""

    at_s: Seconds
    quantity: Quantity
    value: Annotated[float, Field(ge=-1e12, le=1e12, allow_inf_nan=False)] | None = None
    beyond: Literal["", "over", "under"] = ""

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        if (self.value is None) != bool(self.beyond):
            raise PydanticCustomError("one_of", "The reading has a value or is beyond the range.")
        return self


class SentBody(Record):
    """Readings of one instrument, oldest first. `sent_s` is the sender's clock when it was first sent."""

    instrument: Name
    sent_s: Seconds
    readings: Annotated[list[SentReading], Field(min_length=1, max_length=MOST_AT_ONCE)]


class SentOut(BaseModel):
    """How many readings counted; none where the same was `repeated`."""

    counted: int
    repeated: bool


@router.get("/instruments", response_model=list[InstrumentOut])
def instruments(shop: ShopHere) -> list[dict[str, Any]]:
    """What can be read: the instruments of this machine and those that other computers send from."""
    return [
        {
            "name": one.name,
            "kind": one.instrument.kind if one.instrument else None,
            "quantity": one.quantity,
            "in_use": one.doing,
            "last": one.said,
            "last_at": one.said_at,
            "sent_by": one.person,
        }
        for one in metering.meters(shop)
    ]


@router.post("/instruments/take", response_model=TakenOut)
async def take(shop: ShopHere, body: AskBody) -> dict[str, Any]:
    """One reading, now; with lowest and highest where the same page recorded them. 409 where there is none."""
    page = body.page or metering.page_id()
    doing = metering.in_use_by(body.doing, shop.person)
    future = await run_in_threadpool(shop.instruments.take, body.instrument, body.quantity, page, doing)
    found = await awaited(future)
    return {
        "taken": found.id,
        "instrument": found.instrument,
        "quantity": found.quantity,
        "text": found.text,
        "words": LINE_WORDS.get(found.quantity, ""),
        "origin": found.origin,
        "low": found.low,
        "high": found.high,
        "note": found.note,
    }


@router.post("/instruments/record", response_model=LiveOut)
def record(shop: ShopHere, body: RecordBody) -> Live:
    """Records lowest and highest for a page, as long as it asks for news of it. 409 where another one has it."""
    desk = shop.instruments
    if body.action == "stop":
        desk.stop_recording(body.instrument, body.page)
        return Live("", "", "", 0, "")
    if body.action == "begin":
        desk.record(body.instrument, body.quantity, body.page, metering.in_use_by(body.doing, shop.person))
    return desk.watch(body.instrument, body.page)


@router.post("/instruments/readings", response_model=SentOut)
def readings(request: Request, shop: ShopHere, visitor: VisitorHere, body: SentBody) -> dict[str, Any]:
    """Takes in what `kb meter` sends from another computer. With an Idempotency-Key the same counts once."""
    key = getattr(request.state, "sent_key", "")
    found: list[tuple[float, str, Measured]] = [
        (
            one.at_s,
            one.quantity,
            Measured("value", Decimal(repr(one.value)))
            if one.value is not None
            else Measured("over" if one.beyond == "over" else "under"),
        )
        for one in body.readings
    ]
    counted = shop.instruments.receive(body.instrument, visitor.name, key, body.sent_s, found)
    return {"counted": len(found) if counted else 0, "repeated": not counted}
