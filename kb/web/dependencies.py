"""What routes ask for."""

from typing import Annotated

from fastapi import Depends, Query, Request

from kb.service import Shop
from kb.service.accounts.audit import Visitor
from kb.service.find.case_search import Filters
from kb.service.transfer.exports import Choice


def _visitor(request: Request) -> Visitor:
    visitor: Visitor = request.state.visitor
    return visitor


def _shop(request: Request) -> Shop:
    shop: Shop = request.app.state.shop
    return shop.acting_as(_visitor(request).name)


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
