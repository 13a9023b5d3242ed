"""The customer's report and the label of a case."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from kb.errors import BadInput, OthersCase
from kb.model import Problem
from kb.service import Shop
from kb.service.bench import reports
from kb.service.cases import cases, files
from kb.web.dependencies import FormHere, ShopHere
from kb.web.forms.fields import Form
from kb.web.hosts import is_loopback
from kb.web.rendering import render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]


@router.get("/cases/{uid}/report")
def report_page(request: Request, shop: ShopHere, uid: Uid, saved: str = "") -> Response:
    """The report of a case to be edited, and the versions that were issued."""
    return _desk_page(request, shop, uid, Form(), saved=saved)


def _desk_page(
    request: Request, shop: Shop, uid: str, form: Form, *, saved: str = "", status: int = 200
) -> Response:
    desk = reports.desk(shop, uid)
    names = [*(name for name, _ in reports.PARAGRAPHS), "price", "warranty"]
    typed = form.plain or {name: desk.report.content.get(name, "") for name in names}
    chosen = form.rows.get("photos")
    if chosen is None:
        chosen = [{"uid": one["uid"]} for one in desk.report.content.get("photos", ())]
    context = {
        "nav": "cases",
        "desk": desk,
        "paragraphs": reports.PARAGRAPHS,
        "typed": typed,
        "form": form,
        "saved": saved,
        "most": reports.MOST_LETTERS,
        "pictures": [one for one in files.of_case(shop, uid).kept if one.is_picture],
        "chosen": [row["uid"] for row in chosen],
    }
    return render("report/edit.html", context, scope=request.scope, status=status)


@router.post("/cases/{uid}/report")
def keep_report(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Keeps the draft, issues it, or throws it away."""
    names = [*(name for name, _ in reports.PARAGRAPHS), "price", "warranty"]
    form = Form({name: str(data.get(name, "")) for name in names})
    photos = [str(uid)[:64] for uid in data.getlist("photos")]
    form.rows["photos"] = [{"uid": uid} for uid in photos]
    action = data.get("action")
    if action == "again":
        reports.start_again(shop, uid)
        return see_other(f"/cases/{uid}/report")
    try:
        report = reports.keep(shop, uid, form.plain, issue=action == "issue", photos=photos)
    except OthersCase:
        raise
    except BadInput as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        return _desk_page(request, shop, uid, form, status=422)
    where = f"/reports/{report}" if action == "issue" else f"/cases/{uid}/report?saved=yes"
    return see_other(where)


@router.get("/reports/{uid}")
def show_report(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """A report as it was issued, on one page."""
    context = {
        "nav": "cases",
        "report": reports.issued(shop, uid),
        "paragraphs": reports.PARAGRAPHS,
    }
    return render("report/page.html", context, scope=request.scope)


@router.get("/reports/{uid}/readings")
def report_readings(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """Every reading behind a report, for the shop."""
    context = {"nav": "cases", "report": reports.issued(shop, uid)}
    return render("report/readings.html", context, scope=request.scope)


def _address(request: Request, shop: Shop, uid: str) -> str:
    base = shop.settings.base_url.rstrip("/") or str(request.base_url).rstrip("/")
    return f"{base}/cases/{uid}"


@router.get("/cases/{uid}/label")
def label(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """A small label for the board, which is here: not for a case of another shop."""
    address = _address(request, shop, uid)
    context = {
        "nav": "cases",
        "view": cases.own(shop, uid),
        "address": address,
        "only_here": not shop.settings.base_url and is_loopback(request.url.hostname or ""),
    }
    return render("report/label.html", context, scope=request.scope)


@router.get("/cases/{uid}/label.svg")
def label_code(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The code on the label."""
    cases.own(shop, uid)
    picture = reports.label_code(_address(request, shop, uid))
    return Response(picture, media_type="image/svg+xml", headers={"Cache-Control": "no-cache"})
