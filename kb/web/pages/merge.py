"""Merging two families, symptoms or part classes that are one."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from kb.errors import AlreadyDone, BadInput, KbError
from kb.model import Problem
from kb.model.three_way_merge import Side
from kb.service import Shop
from kb.service.history import merges
from kb.web.dependencies import FormHere, ShopHere
from kb.web.forms.fields import Form
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
Kind = Annotated[Literal["family", "symptom", "part_class"], Query()]
Name = Annotated[str, Query(max_length=80)]
# More cases than this take longer than a page may.
_AT_ONCE = 500


@router.get("/data/merge")
def show_merge(
    request: Request, shop: ShopHere, entity: Kind = "family", away: Name = "", into: Name = ""
) -> Response:
    """Which two, and what merging them would do."""
    form = Form({"entity": entity, "away": away, "into": into})
    return _page(request, shop, form, look=bool(away.strip() and into.strip()))


@router.post("/data/merge")
def do_merge(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Merges the two; many cases as long work."""
    form = Form({name: str(value) for name, value in data.items() if isinstance(value, str)})
    entity, away, into = (form.get(name) for name in ("entity", "away", "into"))
    if entity not in merges.MERGED:
        raise BadInput("It is not said what is to be merged.", field="entity", remedy="Begin on the page.")
    choices = _choices(form)
    try:
        seen = merges.preview(shop, entity, away, into, choices)
        if seen.cases <= _AT_ONCE or seen.merged.open:
            merges.join(shop, entity, away, into, choices)
            return see_other(record_path(entity, seen.into))
    except AlreadyDone:
        raise
    except KbError as error:
        if error.status >= 500:
            raise
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        return _page(request, shop, form, look=(error.field or "").startswith("choice."), status=error.status)
    job = shop.jobs.start(
        "merge",
        f"Merge {seen.away} into {seen.into}",
        lambda job: merges.join(
            shop,
            entity,
            away,
            into,
            choices,
            progress=job.advance,
            before_keeping=job.point_of_no_return,
        ),
        unit="cases",
        total=seen.cases,
        person=shop.person,
        answer_at=record_path(entity, seen.into),
    )
    return see_other(f"/jobs/{job.id}")


def _choices(form: Form) -> dict[str, Side]:
    return {
        key.removeprefix("choice."): "theirs" if value == "theirs" else "mine"
        for key, value in form.plain.items()
        if key.startswith("choice.") and value in ("theirs", "mine")
    }


def _page(request: Request, shop: Shop, form: Form, *, look: bool, status: int = 200) -> Response:
    entity, seen = form.get("entity"), None
    if look:
        try:
            seen = merges.preview(shop, entity, form.get("away"), form.get("into"), _choices(form))
        except BadInput as error:
            form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
            status = error.status
    context = {
        "nav": "data",
        "form": form,
        "entity": entity,
        "seen": seen,
        "names": merges.names(shop, entity),
    }
    return render("merge/page.html", context, scope=request.scope, status=status)
