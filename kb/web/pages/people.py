"""People: who may sign in, what they may do, and the audit list."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Query, Request
from starlette.responses import Response

from kb.errors import BadInput, Conflict, KbError, Taken
from kb.model.people import LEVELS, WORK
from kb.service import Shop
from kb.service.accounts import audit, people
from kb.web.codes import code
from kb.web.dependencies import FilterText, Offset, ShopHere, VisitorHere
from kb.web.forms.fields import Form as Typed
from kb.web.pages.connect import network_of
from kb.web.pages.sign_in import problem_of
from kb.web.rendering import render, see_other

router = APIRouter()
PersonId = Annotated[int, Path(ge=1, le=2**31 - 1)]
Text = Annotated[str, Form()]
_A_PAGE = 50


@router.get("/people")
def people_page(request: Request, shop: ShopHere, removed: FilterText = "") -> Response:
    """All people, with a form for one more."""
    return _people_page(request, shop, Typed({"level": WORK}), removed=removed)


def _people_page(
    request: Request, shop: Shop, form: Typed, *, removed: str = "", error: KbError | None = None
) -> Response:
    if error:
        form.problems.append(problem_of(error))
    context = {
        "nav": "people",
        "form": form,
        "people": [
            (one, audit.moment(one.signed_in_at) if one.signed_in_at else None) for one in people.listed(shop)
        ],
        "levels": LEVELS,
        "removed": removed,
    }
    return render("people/list.html", context, scope=request.scope, status=error.status if error else 200)


@router.post("/people")
def add_person(
    request: Request, shop: ShopHere, visitor: VisitorHere, name: Text = "", level: Text = ""
) -> Response:
    """Adds a person and shows the link to hand over, this once."""
    try:
        account, secret = people.add(shop, visitor, name, level)
    except (BadInput, Taken) as error:
        return _people_page(request, shop, Typed({"name": name, "level": level}), error=error)
    return _link_page(request, shop, account.name, secret)


def _link_page(request: Request, shop: Shop, name: str, secret: str) -> Response:
    # The address of the request leads nowhere from another machine where it is that of this one.
    reach = network_of(request).reach()
    base = reach.addresses[0] if reach else str(request.base_url).rstrip("/")
    link = f"{base}/set-up/{secret}"
    context = {
        "nav": "people",
        "name": name,
        "link": link,
        "link_code": code(link, f"Code that holds the link for {name}") if reach else "",
        "hours": people.LINK_HOURS,
    }
    return render("people/link.html", context, scope=request.scope, headers={"Cache-Control": "no-store"})


@router.get("/people/audit")
def audit_page(request: Request, shop: ShopHere, event: FilterText = "", offset: Offset = 0) -> Response:
    """What was done with accounts and with the store as a whole, the newest first."""
    chosen = event if event in audit.EVENTS else ""
    total, lines = audit.listed(shop, event=chosen, limit=_A_PAGE, offset=offset)
    context = {
        "nav": "people",
        "lines": lines,
        "total": total,
        "offset": offset,
        "limit": _A_PAGE,
        "event": chosen,
        "events": audit.EVENTS,
    }
    return render("people/audit.html", context, scope=request.scope)


@router.get("/people/{person_id}")
def person_page(
    request: Request,
    shop: ShopHere,
    person_id: PersonId,
    saved: Annotated[str, Query(max_length=10)] = "",
) -> Response:
    """One person: level, new link, removal."""
    return _person_page(request, shop, person_id, saved=saved == "yes")


def _person_page(
    request: Request, shop: Shop, person_id: int, *, saved: bool = False, error: KbError | None = None
) -> Response:
    account = people.get(shop, person_id)
    form = Typed({"level": account.level})
    if error:
        form.problems.append(problem_of(error))
    context = {"nav": "people", "account": account, "levels": LEVELS, "form": form, "saved": saved}
    return render("people/person.html", context, scope=request.scope, status=error.status if error else 200)


@router.post("/people/{person_id}/level")
def change_level(
    request: Request, shop: ShopHere, visitor: VisitorHere, person_id: PersonId, level: Text = ""
) -> Response:
    """Changes what somebody may do, at once."""
    try:
        people.set_level(shop, visitor, person_id, level)
    except (BadInput, Conflict) as error:
        return _person_page(request, shop, person_id, error=error)
    return see_other(f"/people/{person_id}?saved=yes")


@router.post("/people/{person_id}/link")
def make_link(request: Request, shop: ShopHere, visitor: VisitorHere, person_id: PersonId) -> Response:
    """Gives somebody a new link; the password, sessions and tokens they had end."""
    try:
        account, secret = people.new_link(shop, visitor, person_id)
    except (BadInput, Conflict) as error:
        return _person_page(request, shop, person_id, error=error)
    return _link_page(request, shop, account.name, secret)


@router.post("/people/{person_id}/remove")
def remove_person(
    request: Request, shop: ShopHere, visitor: VisitorHere, person_id: PersonId, sure: Text = ""
) -> Response:
    """Removes somebody with all sessions and tokens."""
    try:
        if sure != "yes":
            raise BadInput("Removing was not confirmed.", field="sure", remedy="Tick the box first.")
        people.remove(shop, visitor, person_id)
    except (BadInput, Conflict) as error:
        return _person_page(request, shop, person_id, error=error)
    return see_other("/people?removed=yes")
