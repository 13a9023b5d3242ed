"""One's second factor and its recovery codes, proving again who one is, and what one was told of one's account."""

from __future__ import annotations

import io
from typing import Annotated

import segno
from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from kb.errors import BadInput, Conflict, KbError, NotFound, TooSoon
from kb.service import Shop
from kb.service.accounts import people, second_factor
from kb.service.accounts.audit import Visitor
from kb.web.dependencies import QueryText, ShopHere, VisitorHere
from kb.web.forms.fields import Form as Typed
from kb.web.guard.door import place_after
from kb.web.pages.sign_in import asking_page, problem_of
from kb.web.rendering import render, see_other

router = APIRouter()
Text = Annotated[str, Form()]


@router.get("/account/prove")
def prove_page(request: Request, visitor: VisitorHere, next: QueryText = "") -> Response:
    """Asks for the password again, and for a code where the account has a second factor."""
    if visitor.person_id is None:
        return see_other(place_after(next))
    return _prove_page(request, Typed({"next": place_after(next)}))


def _prove_page(request: Request, form: Typed, error: KbError | None = None) -> Response:
    return asking_page(request, "people/prove.html", form, error, nav="account")


@router.post("/account/prove")
def prove(
    request: Request,
    shop: ShopHere,
    visitor: VisitorHere,
    password: Text = "",
    code: Text = "",
    next: Text = "",
) -> Response:
    """Goes on to what was asked for once the password is right."""
    wanted = place_after(next)
    try:
        if visitor.person_id is not None:
            second_factor.prove(shop, visitor, password, code)
    except (BadInput, TooSoon) as error:
        return _prove_page(request, Typed({"next": wanted}), error)
    return see_other(wanted)


@router.post("/account/seen")
def seen(shop: ShopHere, visitor: VisitorHere, next: Text = "") -> Response:
    """What befell the account was read."""
    people.has_seen(shop, visitor)
    return see_other(place_after(next))


@router.get("/account/code")
def code_page(request: Request, shop: ShopHere, visitor: VisitorHere) -> Response:
    """The QR code for the app and a field for the first code; straight back where none is being added."""
    if visitor.person_id is None or not second_factor.pending(shop, visitor):
        return see_other("/account")
    return _code_page(request, shop, visitor, Typed())


def _code_page(
    request: Request, shop: Shop, visitor: Visitor, form: Typed, error: KbError | None = None
) -> Response:
    if error:
        form.problems.append(problem_of(error))
    secret = second_factor.pending(shop, visitor)
    grouped = " ".join(secret[at : at + 4] for at in range(0, len(secret), 4))
    context = {"nav": "account", "form": form, "secret": grouped, "codes": []}
    return render(
        "people/code_added.html", context, scope=request.scope, status=error.status if error else 200
    )


@router.get("/account/code.svg")
def code_picture(shop: ShopHere, visitor: VisitorHere) -> Response:
    """The QR code of the secret that waits for its first code. Raises NotFound where none does."""
    secret = second_factor.pending(shop, visitor) if visitor.person_id is not None else ""
    if not secret:
        raise NotFound("No second factor is being added.", remedy="Begin under Account.")
    picture = io.BytesIO()
    address = second_factor.address_of(secret, visitor.name, shop.settings.shop_name)
    segno.make(address, error="m", micro=False).save(
        picture, kind="svg", scale=5, border=4, dark="#000", light="#fff", xmldecl=False
    )
    return Response(picture.getvalue(), media_type="image/svg+xml", headers={"Cache-Control": "no-store"})


@router.post("/account/code")
def begin(shop: ShopHere, visitor: VisitorHere) -> Response:
    """Begins to add a second factor; it counts once a code of it was typed."""
    if visitor.person_id is None:
        return see_other("/account")
    try:
        second_factor.begin(shop, visitor)
    except Conflict:
        return see_other("/account")
    return see_other("/account/code")


@router.post("/account/code/confirm")
def confirm(request: Request, shop: ShopHere, visitor: VisitorHere, code: Text = "") -> Response:
    """Turns it on with its first code, and shows the recovery codes, this once."""
    if visitor.person_id is None or not second_factor.pending(shop, visitor):
        raise BadInput("No second factor is being added.", field="code", remedy="Begin under Account.")
    try:
        codes = second_factor.confirm(shop, visitor, code)
    except BadInput as error:
        return _code_page(request, shop, visitor, Typed(), error)
    return _recovery_page(request, codes)


def _recovery_page(request: Request, codes: list[str]) -> Response:
    context = {"nav": "account", "form": Typed(), "secret": "", "codes": codes}
    return render(
        "people/code_added.html", context, scope=request.scope, headers={"Cache-Control": "no-store"}
    )


@router.post("/account/code/recovery")
def new_recovery_codes(request: Request, shop: ShopHere, visitor: VisitorHere) -> Response:
    """Makes new recovery codes and shows them, this once; the old ones are no good any more."""
    if visitor.person_id is None:
        return see_other("/account")
    try:
        return _recovery_page(request, second_factor.new_codes(shop, visitor))
    except BadInput:
        return see_other("/account")


@router.post("/account/code/remove")
def remove(shop: ShopHere, visitor: VisitorHere) -> Response:
    """Takes one's second factor away."""
    if visitor.person_id is not None:
        second_factor.remove(shop, visitor, visitor.person_id)
    return see_other("/account?saved=yes")
