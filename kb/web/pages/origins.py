"""Other shops whose cases are here: who they are, and letting all cases of one go."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import Response

from kb.service.transfer import origins
from kb.web.dependencies import ShopHere
from kb.web.rendering import plural, render, see_other

router = APIRouter()
OriginId = Annotated[str, Path(max_length=40)]


@router.get("/data/origins")
def list_origins(request: Request, shop: ShopHere, done: str = "", cases: int = 0) -> Response:
    """The shops, with the number of their cases."""
    said = {
        "withdrawn": f"{plural(cases, 'case')} went into the bin. Nothing further is taken from that shop.",
        "allowed": f"The shop is allowed again; {plural(cases, 'case')} came back.",
    }
    context = {"nav": "data", "origins": origins.listed(shop), "said": said.get(done, "")}
    return render("data/origins.html", context, scope=request.scope)


@router.post("/data/origins/{origin_id}/withdraw")
def withdraw(shop: ShopHere, origin_id: OriginId) -> Response:
    """Puts all cases of a shop into the bin."""
    gone = origins.withdraw(shop, origin_id)
    return see_other(f"/data/origins?done=withdrawn&cases={gone}")


@router.post("/data/origins/{origin_id}/allow")
def allow(shop: ShopHere, origin_id: OriginId, bring_back: Annotated[str, Form()] = "") -> Response:
    """Takes cases of the shop again."""
    back = origins.allow_again(shop, origin_id, bring_back=bool(bring_back))
    return see_other(f"/data/origins?done=allowed&cases={back}")
