"""Connect a phone: what to do on this machine and on the phone, one step after the other."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from kb.errors import KbError, NotFound
from kb.model import Problem
from kb.service import Shop
from kb.service.accounts import people
from kb.web.codes import code
from kb.web.dependencies import FilterText, ShopHere
from kb.web.forms.fields import Form as Typed
from kb.web.hosts import is_loopback
from kb.web.network import BesideThisMachine, port_of
from kb.web.reach import Network
from kb.web.rendering import render, see_other
from kb.web.trust_page import CERTIFICATE_TYPE

router = APIRouter()
# What a browser gives only to pages that it trusts, and what it is for here.
NEEDS_TRUST = (
    "opening it from the home screen, as a program of its own",
    "pages and forms while the connection is away",
    "speaking a reading",
    "sharing a photograph from the phone's gallery",
)


def network_of(request: Request) -> Network:
    """How others reach the program."""
    found: Network = request.app.state.network
    return found


def is_trusted(request: Request) -> bool:
    """Whether a browser can trust the connection: HTTPS, or on the same machine."""
    return request.url.scheme == "https" or is_loopback(urlsplit(str(request.base_url)).hostname or "")


@router.get("/connect")
def connect_page(request: Request, shop: ShopHere, changed: FilterText = "") -> Response:
    """What to do here and on the phone."""
    return _page(request, shop, changed=changed)


def _page(
    request: Request, shop: Shop, form: Typed | None = None, *, changed: str = "", status: int = 200
) -> Response:
    network = network_of(request)
    reach = network.reach()
    address = reach.addresses[0] if reach else ""
    context = {
        "nav": "",
        "network": network,
        "reach": reach,
        "port": network.port if isinstance(network, BesideThisMachine) else 0,
        "form": form or Typed(),
        "changed": changed,
        "has_account": people.can_be_administered(shop),
        "accounts": len(people.listed(shop)),
        "trusted": is_trusted(request),
        "encrypted": address.startswith("https:"),
        "open_code": code(f"{address}/", f"Code that leads to {address}") if reach else "",
        "trust_code": code(reach.trust_page, f"Code that leads to {reach.trust_page}")
        if reach and reach.trust_page
        else "",
        "needs_trust": NEEDS_TRUST,
        "on_this_machine": is_loopback(urlsplit(str(request.base_url)).hostname or ""),
    }
    return render("connect/page.html", context, scope=request.scope, status=status)


@router.post("/connect/open")
def let_in(request: Request, shop: ShopHere, port: Annotated[str, Form()] = "") -> Response:
    """Lets other devices in, from now on."""
    network = network_of(request)
    form = Typed({"port": port})
    try:
        if isinstance(network, BesideThisMachine):
            network.open(port_of(port) if port.strip() else None)
        else:
            network.open()
    except KbError as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        return _page(request, shop, form, status=error.status)
    return see_other("/connect?changed=open")


@router.post("/connect/close")
def shut_out(request: Request, shop: ShopHere) -> Response:
    """Shuts them out again."""
    try:
        network_of(request).close()
    except KbError as error:
        form = Typed()
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        return _page(request, shop, form, status=error.status)
    return see_other("/connect?changed=closed")


@router.get("/connect/board-fault-book.crt")
def certificate(request: Request) -> Response:
    """The certificate of this machine's own authority, its public part."""
    reach = network_of(request).reach()
    if reach is None or reach.authority is None:
        raise NotFound(
            "This machine has no authority of its own.",
            remedy="The page Connect a phone says how it is reached.",
        )
    return Response(reach.authority, media_type=CERTIFICATE_TYPE, headers={"Cache-Control": "no-store"})
