"""Signing in and out, and choosing a password with a one-time link."""

from __future__ import annotations

import logging
from typing import Annotated

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import Response

from kb.errors import BadInput, KbError, NotFound, StoreAway, TooSoon
from kb.model import Problem
from kb.service import Shop
from kb.service.accounts import people, signed_in
from kb.service.accounts.audit import Visitor
from kb.web.dependencies import QueryText, ShopHere, VisitorHere
from kb.web.errors import when_to_ask_again
from kb.web.forms.fields import Form as Typed
from kb.web.guard.cookies import Cookies
from kb.web.guard.door import place_after
from kb.web.rendering import render, see_other

log = logging.getLogger(__name__)
router = APIRouter()
Secret = Annotated[str, Path(max_length=100)]
Text = Annotated[str, Form()]


def _cookies(request: Request) -> Cookies:
    found: Cookies = request.app.state.cookies
    return found


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _browser(request: Request) -> str:
    return request.headers.get("user-agent", "")


def problem_of(error: KbError) -> Problem:
    """An error at its field of a form."""
    return Problem(error.field or "", error.message, error.remedy or "")


@router.get("/sign-in")
def sign_in_page(request: Request, visitor: VisitorHere, next: QueryText = "") -> Response:
    """The form to sign in with; straight on for who is signed in already."""
    if visitor.level:
        return see_other(place_after(next))
    return _sign_in_page(request, Typed({"next": place_after(next)}))


def asking_page(
    request: Request, template: str, form: Typed, error: KbError | None = None, *, nav: str = ""
) -> Response:
    """A page that asks for who somebody is, with what was wrong with the last answer."""
    if error:
        form.problems.append(problem_of(error))
    return render(
        template,
        {"nav": nav, "form": form},
        scope=request.scope,
        status=error.status if error else 200,
        headers=when_to_ask_again(error) if error else None,
    )


def _sign_in_page(request: Request, form: Typed, error: KbError | None = None) -> Response:
    return asking_page(request, "people/sign_in.html", form, error)


@router.post("/sign-in")
def sign_in(
    request: Request, shop: ShopHere, name: Text = "", password: Text = "", next: Text = ""
) -> Response:
    """Signs in and goes on to what was asked for."""
    cookies, wanted = _cookies(request), place_after(next)
    try:
        device = cookies.device_in(request.headers, people.id_of(shop, name))
        visitor, key = signed_in.sign_in(
            shop, name, password, address=_address(request), browser=_browser(request), device=device
        )
    except signed_in.CodeNeeded:
        account = people.named(shop, name)
        ticket = cookies.ticket(account.id, account.password_hash)
        return _code_page(request, Typed({"next": wanted, "ticket": ticket}))
    except (BadInput, TooSoon) as error:
        return _sign_in_page(request, Typed({"next": wanted, "name": name[:100]}), error)
    except StoreAway as error:
        error.message = "Nobody can be signed in while this server is cut off from its database."
        error.remedy = "Try again in a while. Who is signed in already can go on reading."
        return _sign_in_page(request, Typed({"next": wanted, "name": name[:100]}), error)
    return _let_in(request, shop, visitor, key, wanted, device)


def _code_page(request: Request, form: Typed, error: KbError | None = None) -> Response:
    return asking_page(request, "people/code.html", form, error)


@router.post("/sign-in/code")
def sign_in_with_code(
    request: Request, shop: ShopHere, ticket: Text = "", code: Text = "", next: Text = ""
) -> Response:
    """The second half of signing in: the code of the app, or a recovery code."""
    cookies, wanted = _cookies(request), place_after(next)
    known = cookies.person_of_ticket(ticket)
    try:
        if known is None:
            raise BadInput("Too much time has passed since the password.", remedy="Sign in again.")
        device = cookies.device_in(request.headers, known[0])
        visitor, key = signed_in.sign_in_with_code(
            shop,
            known[0],
            code,
            is_same=lambda password_hash: cookies.has_mark(password_hash, known[1]),
            address=_address(request),
            browser=_browser(request),
            device=device,
        )
    except signed_in.SignInAgain as error:
        return _sign_in_page(request, Typed({"next": wanted}), error)
    except (BadInput, TooSoon) as error:
        if known is None:
            return _sign_in_page(request, Typed({"next": wanted}), error)
        return _code_page(request, Typed({"next": wanted, "ticket": ticket}), error)
    return _let_in(request, shop, visitor, key, wanted, device)


def _let_in(
    request: Request, shop: Shop, visitor: Visitor, key: str, wanted: str, device: str = ""
) -> Response:
    """Goes on with a new session; the one this browser had before ends."""
    cookies = _cookies(request)
    before = cookies.session_in(request.headers)
    if before is not None:
        signed_in.end_with_key(shop, before)
    answer = see_other(wanted)
    answer.headers.append("Set-Cookie", cookies.session(key))
    answer.headers.append("Set-Cookie", cookies.device(visitor.person_id or 0, device))
    return answer


@router.post("/sign-out")
def sign_out(request: Request, shop: ShopHere, visitor: VisitorHere) -> Response:
    """Signs out here."""
    signed_in.sign_out(shop, visitor)
    return signed_out(request)


def signed_out(request: Request) -> Response:
    """Back to the sign-in page, with nothing of the session left in the browser."""
    answer = see_other("/sign-in")
    answer.headers.append("Set-Cookie", _cookies(request).no_session())
    return answer


@router.get("/open/{secret}")
def open_with_key(request: Request, secret: Secret) -> Response:
    """Lets the browser in for good that opens the one-time address first."""
    cookies, one_time = _cookies(request), request.app.state.serving.one_time
    # A browser may fetch an address ahead while it is typed; that is nobody who opens it.
    ahead = "prefetch" in request.headers.get("sec-purpose", request.headers.get("purpose", ""))
    opens = one_time is not None and not ahead and one_time.opens(secret)
    if one_time and cookies.is_owner(request.headers):
        return see_other("/")
    if not opens:
        if one_time and one_time.is_it(secret) and not ahead:
            log.warning("the one-time address was opened again from %s", _address(request))
        raise NotFound(
            "This address does not work: it was opened before, or the program was started again since.",
            remedy="Start the program again and open the address it prints then. Was it not you who opened it "
            "first, delete sign-in.key in the data folder before: every browser is shut out by that.",
        )
    answer = see_other("/")
    answer.headers.append("Set-Cookie", cookies.owner())
    return answer


@router.get("/set-up/{secret}")
def set_up_page(request: Request, shop: ShopHere, secret: Secret) -> Response:
    """Where a person chooses a password; opening the page does not use the link up."""
    return _set_up_page(request, people.opened_by(shop, secret).name, secret, Typed())


def _set_up_page(request: Request, name: str, secret: str, form: Typed, status: int = 200) -> Response:
    context = {"nav": "", "form": form, "name": name, "secret": secret}
    return render("people/set_up.html", context, scope=request.scope, status=status)


@router.post("/set-up/{secret}")
def set_up(
    request: Request, shop: ShopHere, secret: Secret, password: Text = "", again: Text = ""
) -> Response:
    """Keeps the password and signs in."""
    name = people.opened_by(shop, secret).name
    form = Typed()
    if password != again:
        form.problems.append(Problem("again", "The two are not the same.", "Type both again."))
        return _set_up_page(request, name, secret, form, 422)
    try:
        visitor, key = people.choose_password(
            shop, secret, password, address=_address(request), browser=_browser(request)
        )
    except (BadInput, TooSoon) as error:
        form.problems.append(problem_of(error))
        return _set_up_page(request, name, secret, form, error.status)
    if not request.app.state.serving.sign_in:
        return see_other("/people")
    return _let_in(request, shop, visitor, key, "/")
