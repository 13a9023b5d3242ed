"""The page Instruments: what can be read here, what it says now, its name and address, and the logs it wrote."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from kb.errors import BadInput, InstrumentTrouble, NotFound, Taken
from kb.facts import vocabulary as words
from kb.facts.cautions import METER_CAUTIONS
from kb.instruments import addresses, lines, queries
from kb.instruments.logs import About
from kb.instruments.registry import BAUDS, checked
from kb.instruments.responses import Identity
from kb.instruments.session import Shown
from kb.instruments.visa import Found
from kb.model import Problem
from kb.service import Shop
from kb.service.bench import metering
from kb.service.cases import cases
from kb.service.shop.translate import find_rail
from kb.web.dependencies import FilterText, FormHere, ShopHere, awaited
from kb.web.forms.fields import Form
from kb.web.pages import calculators
from kb.web.rendering import render, see_other

router = APIRouter()
LogId = Annotated[str, Path(max_length=64)]
_FIELDS = ("name", "address", "kind", "quantity", "way", "baud", "before")
# What a form for another one begins with.
_NEW = {"kind": "meter", "quantity": "dc_v", "way": "measure", "baud": "9600"}


@dataclass(frozen=True, slots=True)
class Looked:
    """What an instrument said when it was asked just now, or why it said nothing."""

    name: str
    identity: Identity | None
    settings: tuple[Shown, ...]
    text: str
    trouble: InstrumentTrouble | None = None


@router.get("/instruments")
def instruments_page(request: Request, shop: ShopHere, change: FilterText = "") -> Response:
    """All instruments, and the form to name another one or to change one."""
    form = Form(_NEW)
    known = shop.instruments.registry.find(change)
    if known is not None:
        form.plain |= {name: str(getattr(known, name)) for name in _FIELDS if name != "before"}
        form.plain["before"] = known.name
    return _page(request, shop, form)


def _page(
    request: Request,
    shop: Shop,
    form: Form,
    *,
    found: list[Found] | None = None,
    looked: Looked | None = None,
    status: int = 200,
) -> Response:
    context = {
        "nav": "bench",
        "form": form,
        "listed": metering.meters(shop),
        "found": found,
        "looked": looked,
        "missing": shop.instruments.missing,
        "kinds": list(queries.KINDS.items()),
        "ways": list(queries.WAYS.items()),
        "quantities": metering.QUANTITIES,
        "bauds": [str(one) for one in BAUDS],
        "examples": addresses.EXAMPLES,
        "line": lines.EXAMPLE,
        "line_description": lines.DESCRIPTION,
        "cautions": METER_CAUTIONS,
        "logs": shop.instruments.logs.all(),
        "open": cases.listed(shop, "open", limit=12, offset=0)[1],
        "supply_states": words.values(words.SUPPLY_STATES),
        "loads": words.values(words.LOADS),
        "page_id": metering.page_id(),
    }
    return render("instruments/page.html", context, scope=request.scope, status=status)


def _noted(form: Form, error: BadInput | InstrumentTrouble | NotFound | Taken) -> int:
    form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
    return error.status


@router.post("/instruments/find")
def find(request: Request, shop: ShopHere) -> Response:
    """Lists what is plugged in; nothing is sent to it."""
    form = Form(_NEW)
    try:
        return _page(request, shop, form, found=shop.instruments.find())
    except InstrumentTrouble as error:
        return _page(request, shop, form, status=_noted(form, error))


@router.post("/instruments")
def save(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Names an instrument, or changes one."""
    form = Form({name: str(data.get(name, ""))[:300] for name in _FIELDS})
    try:
        typed: dict[str, Any] = {name: form.get(name) for name in _FIELDS if name != "before"}
        shop.instruments.save(checked(**typed), form.get("before"))
    except (BadInput, Taken, InstrumentTrouble) as error:
        return _page(request, shop, form, status=_noted(form, error))
    return see_other("/instruments")


@router.post("/instruments/remove")
def remove(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Forgets an instrument; what it measured stays."""
    form = Form({})
    try:
        shop.instruments.remove(str(data.get("name", ""))[:80])
    except (InstrumentTrouble, NotFound) as error:
        return _page(request, shop, form, status=_noted(form, error))
    return see_other("/instruments")


@router.post("/instruments/look")
async def look(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Asks an instrument who it is, what is set at it and what it measures now."""
    name = str(data.get("name", ""))[:80]
    try:
        identity, settings, text = await awaited(shop.instruments.look(name, metering.page_id()))
        looked = Looked(name, identity, settings, text)
    except InstrumentTrouble as error:
        looked = Looked(name, None, (), "", error)
    form = Form(_NEW)
    status = looked.trouble.status if looked.trouble else 200
    return await run_in_threadpool(lambda: _page(request, shop, form, looked=looked, status=status))


@router.post("/instruments/log")
def begin_log(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Begins a log of a rail of a case."""
    names = ("instrument", "case", "rail", "supply", "load", "after")
    form = Form({name: str(data.get(name, ""))[:200] for name in names})
    form.plain |= _NEW
    try:
        log = shop.instruments.begin_log(form.get("instrument"), _about(shop, form))
    except (BadInput, InstrumentTrouble, NotFound) as error:
        return _page(request, shop, form, status=_noted(form, error))
    return see_other(f"/instruments/log/{log.id}")


def _about(shop: Shop, form: Form) -> About:
    """What a log is of. Raises NotFound, and BadInput for a rail, state or load that is none."""
    if not form.get("case"):
        raise BadInput(
            "It is not said of which case.", field="case", remedy="Choose one that is on the bench."
        )
    found = cases.own(shop, form.get("case"))
    rail = find_rail(found.family, form.get("rail").strip()) if found.family else None
    if rail is None:
        names = ", ".join(one.name for one in found.family.rails) if found.family else ""
        raise BadInput(
            f"{found.record.family} has no such rail.",
            field="rail",
            remedy=f"Choose one of: {names or 'none is known'}.",
        )
    supply = form.get("supply") if form.get("supply") in words.values(words.SUPPLY_STATES) else "running"
    load = form.get("load") if form.get("load") in words.values(words.LOADS) else "none"
    return About(
        title=f"{rail.name} of {found.record.family}, case {found.record.uid}"[:160],
        case=found.record.uid or "",
        family=found.record.family,
        rail=rail.name,
        supply=supply,
        load=load,
        after="yes" if form.get("after") else "",
    )


@router.get("/instruments/log/{log_id}")
def show_log(request: Request, shop: ShopHere, log_id: LogId) -> Response:
    """A log that an instrument writes or wrote, in figures and as a picture."""
    return calculators.instrument_log(request, shop, shop.instruments.logs.get(log_id))


@router.post("/instruments/log/{log_id}/end")
def end_log(shop: ShopHere, log_id: LogId) -> Response:
    """Ends a log and lets go of its instrument."""
    return see_other(f"/instruments/log/{shop.instruments.end_log(log_id).id}")
