"""One's own account: password, where one is signed in, and tokens for programs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import Response

from kb.errors import BadInput, KbError, TooSoon
from kb.model.people import READ, SCOPES
from kb.service import Shop
from kb.service.accounts import audit, people, second_factor, signed_in, tokens
from kb.service.accounts.audit import Visitor
from kb.web.dependencies import ShopHere, VisitorHere
from kb.web.forms.fields import Form as Typed
from kb.web.pages.sign_in import problem_of, signed_out
from kb.web.rendering import render, see_other

router = APIRouter()
Text = Annotated[str, Form()]
_DAYS = "90"


@router.get("/account")
def account_page(request: Request, shop: ShopHere, visitor: VisitorHere, saved: str = "") -> Response:
    """The account of whoever asks."""
    return _account_page(request, shop, visitor, saved=saved == "yes")


def _account_page(
    request: Request,
    shop: Shop,
    visitor: Visitor,
    *,
    form: Typed | None = None,
    error: KbError | None = None,
    token: str = "",
    saved: bool = False,
) -> Response:
    form = form or Typed({"scope": READ, "days": _DAYS})
    if error:
        form.problems.append(problem_of(error))
    now = int(shop.clock())
    context = {
        "nav": "account",
        "form": form,
        "sessions": [
            (one, audit.moment(one.started_at), audit.moment(one.seen_at))
            for one in signed_in.sessions_of(shop, visitor)
        ],
        "tokens": [
            (
                one,
                audit.moment(one.expires_at),
                one.expires_at <= now,
                audit.moment(one.used_at) if one.used_at else None,
            )
            for one in tokens.of(shop, visitor)
        ],
        "scopes": [scope for scope in SCOPES if visitor.may(scope)],
        "token": token,
        "saved": saved,
        "longest_days": tokens.LONGEST_DAYS,
        "codes_left": second_factor.codes_left(shop, visitor) if visitor.has_code else 0,
    }
    return render("people/account.html", context, scope=request.scope, status=error.status if error else 200)


@router.post("/account/password")
def change_password(
    request: Request, shop: ShopHere, visitor: VisitorHere, old: Text = "", new: Text = "", again: Text = ""
) -> Response:
    """Changes one's password; all other sessions end."""
    try:
        if new != again:
            raise BadInput("The two are not the same.", field="again", remedy="Type both again.")
        people.change_password(shop, visitor, old, new)
    except (BadInput, TooSoon) as error:
        return _account_page(request, shop, visitor, error=error)
    return see_other("/account?saved=yes")


@router.post("/account/sign-out-everywhere")
def sign_out_everywhere(request: Request, shop: ShopHere, visitor: VisitorHere) -> Response:
    """Ends all of one's sessions, this one too."""
    signed_in.sign_out_everywhere(shop, visitor)
    return signed_out(request)


@router.post("/account/tokens")
def make_token(
    request: Request,
    shop: ShopHere,
    visitor: VisitorHere,
    label: Text = "",
    scope: Text = "",
    days: Text = "",
) -> Response:
    """Makes a token and shows it, this once."""
    typed = Typed({"label": label, "scope": scope, "days": days})
    try:
        token = tokens.make(shop, visitor, label, scope, days.strip())
    except BadInput as error:
        return _account_page(request, shop, visitor, form=typed, error=error)
    return _account_page(request, shop, visitor, token=token)


@router.post("/account/tokens/{token_id}/revoke")
def revoke_token(
    shop: ShopHere, visitor: VisitorHere, token_id: Annotated[int, Path(ge=1, le=2**31 - 1)]
) -> Response:
    """Ends a token."""
    tokens.revoke(shop, visitor, token_id)
    return see_other("/account?saved=yes#tokens")
