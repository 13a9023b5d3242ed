"""The bin: what lies there, taking it out, and deleting it for good."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import Response

from kb.service.history import bin as binning
from kb.web.dependencies import Offset, ShopHere
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
_Kind = Literal["case", "family", "symptom", "part_class", "load", "picture", "shelf_part"]
Entity = Annotated[_Kind, Form()]
Name = Annotated[str, Form(max_length=80)]
_PAGE = 50


@router.get("/data/bin")
def show_bin(
    request: Request, shop: ShopHere, offset: Offset = 0, done: Annotated[str, Query(max_length=20)] = ""
) -> Response:
    """What lies in the bin, with the days it stays."""
    total, lines = binning.listed(shop, limit=_PAGE, offset=offset)
    context = {
        "nav": "data",
        "total": total,
        "lines": lines,
        "days": shop.settings.bin_days,
        "limit": _PAGE,
        "offset": offset,
        "done": done,
    }
    return render("bin/list.html", context, scope=request.scope)


@router.post("/data/bin")
def put_in_bin(
    shop: ShopHere,
    entity: Entity,
    name: Name,
    seen: Annotated[int | None, Form(ge=1, le=1_000_000_000)] = None,
    with_cases: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Puts one record in the bin, a family on demand with all its cases."""
    if entity == "family" and with_cases:
        binning.put_family_with_cases(shop, name, expected_version=seen)
    else:
        binning.put(shop, entity, name, expected_version=seen)
    return see_other("/data/bin?done=put")


@router.post("/data/bin/take-out")
def take_out(shop: ShopHere, entity: Entity, name: Name) -> Response:
    """Takes a record out of the bin."""
    binning.take_out(shop, entity, name)
    return see_other(record_path(entity, name))


@router.get("/data/bin/delete")
def confirm_delete(
    request: Request,
    shop: ShopHere,
    entity: Annotated[_Kind, Query()],
    name: Annotated[str, Query(max_length=80)],
) -> Response:
    """Asks once more before something is deleted for good."""
    context = {"nav": "data", "entity": entity, "name": name}
    return render("bin/delete.html", context, scope=request.scope)


@router.post("/data/bin/delete")
def delete(shop: ShopHere, entity: Entity, name: Name) -> Response:
    """Deletes a record for good."""
    binning.delete_for_good(shop, entity, name)
    return see_other("/data/bin?done=deleted")
