"""What routes ask for."""

from typing import Annotated

from fastapi import Depends, Query, Request

from kb.service import Shop
from kb.service.audit import Visitor


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
