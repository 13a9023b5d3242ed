"""Photographs that a phone shares with the program: they are shown, and kept once somebody says where they belong.

The phone's system sends them without a key of our forms. That stores nothing: what comes lies aside for an hour, for
the person alone who is signed in. A page elsewhere that sends here is refused as with every other address
(kb/web/guard/requests.py); what the system itself opens says that nobody sent it (Sec-Fetch-Site: none).
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from kb.errors import BadInput, KbError
from kb.model import CaseRecord, Problem, problems
from kb.service import Shop
from kb.service.accounts.audit import Visitor
from kb.service.boards import families, pictures
from kb.service.cases import cases
from kb.service.transfer import shared_pictures
from kb.web.dependencies import FormHere, ShopHere, VisitorHere, files_of
from kb.web.forms.fields import Form, read_form
from kb.web.guard.requests import Forbidden
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
ShareId = Annotated[str, Path(max_length=32)]
_MOST_READ = 200
_MOST_CASES = 20


@router.post("/shared")
async def share(request: Request, shop: ShopHere, visitor: VisitorHere) -> Response:
    """Takes what a phone shares, and leads to the page that asks where it belongs."""
    # A page's script may send a form too; what the phone's system opens is a page of its own.
    if request.headers.get("sec-fetch-mode", "navigate") != "navigate":
        raise Forbidden(
            "Pictures are shared here by the phone itself.", remedy="Use the share button of its gallery."
        )
    async with files_of(request, most=_MOST_READ) as form:
        return await run_in_threadpool(_take, shop, visitor, form)


def _take(shop: Shop, visitor: Visitor, form: FormData) -> Response:
    sent = [
        (one.filename, one.file)
        for one in form.getlist("file")
        if isinstance(one, UploadFile) and one.filename
    ]
    taken = shared_pictures.take(shop, visitor.person_id or 0, sent)
    left = f"?left={len(taken.refused)}" if taken.refused else ""
    return see_other(f"/shared/{taken.id}{left}")


@router.get("/shared/{share}")
def shared_page(
    request: Request, shop: ShopHere, visitor: VisitorHere, share: ShareId, left: str = ""
) -> Response:
    """What was shared, with the question where it belongs."""
    number = int(left) if left.isascii() and left.isdigit() and len(left) <= 4 else 0
    return _page(request, shop, visitor, share, Form(), left=number)


def _page(
    request: Request,
    shop: Shop,
    visitor: Visitor,
    share: str,
    form: Form,
    *,
    left: int = 0,
    status: int = 200,
) -> Response:
    _, open_cases = cases.listed(shop, "open", limit=_MOST_CASES, offset=0)
    context = {
        "nav": "",
        "share": shared_pictures.get(shop, visitor.person_id or 0, share),
        "left": left,
        "cases": [(case, cases.short_uid(str(case.uid))) for case in open_cases],
        "form": form,
        "families": [one.code for one in families.offered(shop)],
        "sides": pictures.SIDES,
    }
    return render("files/shared.html", context, scope=request.scope, status=status)


@router.get("/shared/{share}/{number}")
def shared_small(
    shop: ShopHere, visitor: VisitorHere, share: ShareId, number: Annotated[int, Path(ge=0, le=1000)]
) -> Response:
    """A small picture of what was shared."""
    content = shared_pictures.small_of(shop, visitor.person_id or 0, share, number)
    return Response(content, media_type="image/webp", headers={"Cache-Control": "no-store"})


@router.post("/shared/{share}")
def put_away(
    request: Request, shop: ShopHere, visitor: VisitorHere, share: ShareId, data: FormHere
) -> Response:
    """Puts the pictures where somebody says, or throws them away."""
    form, owner = read_form(data, {}), visitor.person_id or 0
    shared_pictures.get(shop, owner, share)
    try:
        if form.get("forget"):
            shared_pictures.forget(shop, owner, share)
            return see_other("/")
        if form.get("to") == "board":
            seen = shared_pictures.put_on_family(
                shop, owner, share, form.get("family"), form.get("side") or pictures.SIDES[0]
            )
            return see_other(record_path("picture", seen.record.uid) + "/corners")
        uid = form.get("case") or _new_case(shop, form)
        done = shared_pictures.put_on_case(shop, owner, share, uid)
        for one in done.refused:
            form.problems.append(Problem("", one.message, one.remedy))
        if not form.problems:
            return see_other(f"/cases/{uid}/photos?kept={len(done.kept)}")
    except ValidationError as error:
        form.problems += problems(error)
    except KbError as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        if not isinstance(error, BadInput):
            return _page(request, shop, visitor, share, form, status=error.status)
    return _page(request, shop, visitor, share, form, status=422)


def _new_case(shop: Shop, form: Form) -> str:
    """A case that comes with its pictures. Raises BadInput, ValidationError."""
    if form.get("to") != "new":
        raise BadInput("It was not said where the pictures belong.", remedy="Press one of the cases.")
    if not form.get("family").strip():
        raise BadInput("The board family is missing.", field="family", remedy="Write the code of the board.")
    told: dict[str, Any] = {"family": form.get("family").strip(), "complaint": form.get("complaint").strip()}
    record = CaseRecord.model_validate({**told, "received": shop.today()})
    return str(cases.save(shop, record, create_missing=True).record.uid)
