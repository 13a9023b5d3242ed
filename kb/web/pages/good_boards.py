"""What good boards of a family measure, and the board of a case beside them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from kb.service.boards import good_boards
from kb.service.diagnose import beside
from kb.web.dependencies import ShopHere
from kb.web.rendering import render

router = APIRouter()
Code = Annotated[str, Path(max_length=80)]
Uid = Annotated[str, Path(max_length=64)]


@router.get("/families/{code}/good-boards")
def family_page(request: Request, shop: ShopHere, code: Code) -> Response:
    """Each rail and test point with its normal value and where the next good board lies."""
    family, good = good_boards.of_family(shop, code)
    context = {
        "nav": "families",
        "board": family,
        "good": good,
        "fewest": good_boards.FEWEST_BOARDS,
    }
    return render("families/good_boards.html", context, scope=request.scope)


@router.get("/cases/{uid}/beside")
def case_page(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The readings of a case beside those of good boards, what is off most first."""
    context = {"nav": "cases", "view": beside.view(shop, uid), "fewest": good_boards.FEWEST_BOARDS}
    return render("cases/beside.html", context, scope=request.scope)
