"""The versions of a record, each with what it changed, and going back to one of them."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Path, Query, Request
from starlette.responses import Response

from kb.service import Shop
from kb.service.history import versions
from kb.web.dependencies import Offset, ShopHere
from kb.web.rendering import history_path, render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
Code = Annotated[str, Path(max_length=80)]
Kind = Annotated[Literal["symptoms", "part-classes"], Path()]
Name = Annotated[str, Query(max_length=80)]
Number = Annotated[int, Query(ge=0, le=1_000_000_000)]
Typed = Annotated[int, Form(ge=1, le=1_000_000_000)]
_PAGE = 30
_ENTITY = {"symptoms": "symptom", "part-classes": "part_class"}


@router.get("/cases/{uid}/history")
def case_history(
    request: Request, shop: ShopHere, uid: Uid, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The versions of a case; with `restore` what going back to one would change."""
    return _page(request, shop, "case", uid, restore, offset)


@router.post("/cases/{uid}/history")
def restore_case(shop: ShopHere, uid: Uid, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a case."""
    return _restore(shop, "case", uid, version, seen)


@router.get("/families/{code}/history")
def family_history(
    request: Request, shop: ShopHere, code: Code, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The same of a board family."""
    return _page(request, shop, "family", code, restore, offset)


@router.post("/families/{code}/history")
def restore_family(shop: ShopHere, code: Code, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a board family."""
    return _restore(shop, "family", code, version, seen)


@router.get("/data/{kind}/history")
def word_history(
    request: Request, shop: ShopHere, kind: Kind, name: Name, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The same of a symptom or part class."""
    return _page(request, shop, _ENTITY[kind], name, restore, offset)


@router.post("/data/{kind}/history")
def restore_word(shop: ShopHere, kind: Kind, name: Name, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a symptom or part class."""
    return _restore(shop, _ENTITY[kind], name, version, seen)


@router.get("/loads/history")
def load_history(
    request: Request, shop: ShopHere, name: Name, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The same of a load."""
    return _page(request, shop, "load", name, restore, offset)


@router.post("/loads/history")
def restore_load(shop: ShopHere, name: Name, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a load."""
    return _restore(shop, "load", name, version, seen)


@router.get("/shelf/part/history")
def shelf_part_history(
    request: Request, shop: ShopHere, name: Name, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The same of a part on the shelf."""
    return _page(request, shop, "shelf_part", name, restore, offset)


@router.post("/shelf/part/history")
def restore_shelf_part(shop: ShopHere, name: Name, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a part on the shelf."""
    return _restore(shop, "shelf_part", name, version, seen)


@router.get("/pictures/{uid}/history")
def picture_history(
    request: Request, shop: ShopHere, uid: Uid, restore: Number = 0, offset: Offset = 0
) -> Response:
    """The same of a picture of a board."""
    return _page(request, shop, "picture", uid, restore, offset)


@router.post("/pictures/{uid}/history")
def restore_picture(shop: ShopHere, uid: Uid, version: Typed, seen: Typed) -> Response:
    """Goes back to an earlier version of a picture's corners, scale and pins."""
    return _restore(shop, "picture", uid, version, seen)


def _page(request: Request, shop: Shop, entity: str, name: str, restore: int, offset: int) -> Response:
    history = versions.history(shop, entity, name, limit=_PAGE, offset=offset)
    context = {
        "nav": {
            "case": "cases",
            "family": "families",
            "picture": "families",
            "load": "loads",
            "shelf_part": "bench",
        }.get(entity, "data"),
        "history": history,
        "restoring": versions.preview_restore(shop, entity, history.name, restore) if restore else None,
        "limit": _PAGE,
        "offset": offset,
    }
    return render("history/page.html", context, scope=request.scope)


def _restore(shop: Shop, entity: str, name: str, version: int, seen: int) -> Response:
    versions.restore(shop, entity, name, version, expected_version=seen)
    return see_other(history_path(entity, name))
