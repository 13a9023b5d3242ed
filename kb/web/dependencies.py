"""What routes ask for."""

import asyncio
import errno
from collections.abc import AsyncIterator
from concurrent.futures import Future
from contextlib import asynccontextmanager
from typing import Annotated, TypeVar

from fastapi import Depends, Query, Request
from starlette.datastructures import FormData

from kb.errors import InstrumentTrouble, StoreTrouble
from kb.service import Shop
from kb.service.accounts.audit import Visitor
from kb.service.find.case_search import Filters
from kb.service.transfer.exports import Choice

Answer = TypeVar("Answer")
# Beyond the slowest instrument with all its second tries; the thread that asks goes on and ends by itself.
INSTRUMENT_S = 45.0


def _visitor(request: Request) -> Visitor:
    visitor: Visitor = request.state.visitor
    return visitor


def _shop(request: Request) -> Shop:
    shop: Shop = request.app.state.shop
    acting = shop.acting_as(_visitor(request).name, getattr(request.state, "sent_key", ""))
    acting.refuse_done_before()
    return acting


async def _texts(request: Request, max_fields: int) -> FormData:
    """The texts of a form that takes no file; a file that was sent all the same is let go of at once."""
    async with request.form(max_fields=max_fields) as data:
        return FormData([(name, text) for name, text in data.multi_items() if isinstance(text, str)])


async def _form(request: Request) -> FormData:
    return await _texts(request, 1_000)


async def _long_form(request: Request) -> FormData:
    return await _texts(request, 20_000)


async def _form_with_files(request: Request) -> AsyncIterator[FormData]:
    """A form with files in it; what they take up on the disk is let go of after the answer."""
    async with request.form(max_fields=20_000) as data:
        yield data


@asynccontextmanager
async def files_of(request: Request, *, most: int) -> AsyncIterator[FormData]:
    """A form with up to so many files and a few fields. Raises StoreTrouble where the disk is too full to take them
    or what is made of them."""
    try:
        async with request.form(max_files=most, max_fields=20) as form:
            yield form
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        raise StoreTrouble(
            "The disk is full, so nothing was saved.", remedy="Free some space and send it again."
        ) from error


async def awaited(future: Future[Answer], patience_s: float = INSTRUMENT_S) -> Answer:
    """The answer of an instrument, waited for without a thread. Raises what the future holds, and InstrumentTrouble."""
    try:
        async with asyncio.timeout(patience_s):
            return await asyncio.wrap_future(future)
    except TimeoutError as error:
        raise InstrumentTrouble(
            f"The instrument has not answered for {patience_s:g} s.",
            remedy="Switch it off and on, then take the reading again.",
        ) from error


FormHere = Annotated[FormData, Depends(_form)]
LongFormHere = Annotated[FormData, Depends(_long_form)]
FormWithFilesHere = Annotated[FormData, Depends(_form_with_files)]
VisitorHere = Annotated[Visitor, Depends(_visitor)]
ShopHere = Annotated[Shop, Depends(_shop)]
Limit = Annotated[int, Query(ge=1, le=200)]
Offset = Annotated[int, Query(ge=0, le=1_000_000)]
Year = Annotated[int | None, Query(ge=1900, le=9999)]
QueryText = Annotated[str, Query(max_length=20_000)]
FilterText = Annotated[str, Query(max_length=200)]


def _choice(
    q: QueryText = "",
    family: FilterText = "",
    section: FilterText = "",
    part_class: FilterText = "",
    verdict: FilterText = "",
    year: Annotated[str, Query(max_length=4)] = "",
) -> Choice:
    """The cases that the address of a page asks for; a year that is no number is left aside."""
    number = int(year) if year.isascii() and year.isdigit() else None
    return Choice(q, Filters(family, section, part_class, verdict, number))


ChoiceHere = Annotated[Choice, Depends(_choice)]
