"""The parts shelf and what to order, for programs."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel

from kb.model import ShelfPartRecord
from kb.service.parts import order_list, shelf
from kb.web.dependencies import FilterText, Limit, Offset, ShopHere

router = APIRouter()


class ShelfOut(BaseModel):
    """One page of the parts that hold every word of `q`; `short` of them all are below their least count."""

    total: int
    short: int
    parts: list[ShelfPartRecord]


class WantedOut(BaseModel):
    """A case that waits for `count` of a part, or a board that needs it with this `chance`."""

    case: str
    family: str
    count: int
    chance: float


class OrderLineOut(BaseModel):
    """A part to order; `on_shelf` is null where the shelf has no such part, `cost` where no price is known."""

    part: str
    order: int
    on_shelf: int | None
    least: int | None
    likely: float
    cost: float | None
    waiting: list[WantedOut]
    boards: list[WantedOut]


class OrderListOut(BaseModel):
    """What to order, what cases wait for first. The newest `boards` on the bench were looked at."""

    boards: int
    cost: float
    lines: list[OrderLineOut]


@router.get("/shelf", response_model=ShelfOut, response_model_exclude_defaults=True)
def parts(shop: ShopHere, q: FilterText = "", limit: Limit = 100, offset: Offset = 0) -> dict[str, Any]:
    """The parts on the shelf with their counts, places and ratings, in order of their names."""
    total, short, lines = shelf.listed(shop, q, limit=limit, offset=offset)
    return {"total": total, "short": short, "parts": [line.record for line in lines]}


@router.get("/order-list", response_model=OrderListOut)
def orders(shop: ShopHere) -> dict[str, Any]:
    """What open cases wait for, what is below its least count, and what boards on the bench are likely to need."""
    found = order_list.view(shop)
    return {
        "boards": found.boards,
        "cost": found.cost,
        "lines": [
            {
                "part": line.name,
                "order": line.order,
                "on_shelf": line.line.record.count if line.line else None,
                "least": line.line.record.least if line.line else None,
                "likely": line.likely,
                "cost": line.cost,
                "waiting": [_wanted(one) for one in line.waiting],
                "boards": [_wanted(one) for one in line.boards],
            }
            for line in found.lines
        ],
    }


def _wanted(one: order_list.Wanted) -> dict[str, Any]:
    return {"case": one.uid, "family": one.family, "count": one.count, "chance": one.chance}
