"""Notes of a family: tips, revisions, and the sets it is used in."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.responses import Response

from kb.errors import AlreadyDone, BadInput, Conflict
from kb.model import FamilyRecord, Problem, Tip, problems
from kb.service import Shop
from kb.service.boards import families, notes
from kb.web.dependencies import FilterText, FormHere, ShopHere
from kb.web.forms.fields import Form, top_field
from kb.web.rendering import family_path, render, see_other

router = APIRouter()
Code = Annotated[str, Path(max_length=80)]
PLACES = (
    ("board", "the board as a whole"),
    ("rail", "a rail"),
    ("part", "a part"),
    ("point", "a test point"),
    ("step", "a step of the bench test"),
)


@router.get("/families/{code}/notes")
def notes_page(
    request: Request,
    shop: ShopHere,
    code: Code,
    place: FilterText = "",
    name: FilterText = "",
    saved: str = "",
) -> Response:
    """Everything noted of a family, and the forms to note more."""
    return _page(request, shop, code, tip=Form({"place": place, "name": name}), saved=saved)


def _page(
    request: Request,
    shop: Shop,
    code: str,
    *,
    tip: Form | None = None,
    more: Form | None = None,
    documents: Form | None = None,
    saved: str = "",
    status: int = 200,
) -> Response:
    record, version = families.get(shop, code)
    context = {
        "nav": "families",
        "board": record,
        "tip": tip or Form(),
        "more": more or _form_of(record, version),
        "places": PLACES,
        "names": _names(shop, record),
        "documents": documents or Form(),
        "at_hand": [
            (one.uid, f"{one.caption or one.original_name or 'document'} ({one.case_uid[:8]})")
            for one in notes.documents_at_hand(shop, record.code)
        ],
        "saved": saved,
        "person": shop.person,
    }
    return render("families/notes.html", context, scope=request.scope, status=status)


def _form_of(record: FamilyRecord, version: int) -> Form:
    sets = [
        f"{one.brand}; {one.device}" if one.brand or ";" in one.device else one.device
        for one in record.used_in
    ]
    revisions = [f"{one.name}: {' '.join(one.differs.split())}" for one in record.revisions]
    return Form({"revisions": "\n".join(revisions), "used_in": "\n".join(sets), "version": str(version)})


def _names(shop: Shop, record: FamilyRecord) -> list[str]:
    """What a tip may be about: rails, and the parts that were replaced most."""
    fixes, _ = families.leading_fixes(shop, record.code, 12)
    parts = [part for fix in fixes for part, _ in fix.record.parts[:2]]
    return list(dict.fromkeys([*(rail.name for rail in record.rails), *parts]))


@router.post("/families/{code}/notes")
def save_notes(request: Request, shop: ShopHere, code: Code, data: FormHere) -> Response:
    """Keeps revisions and sets as typed."""
    form = Form({name: str(data.get(name, "")) for name in ("revisions", "used_in", "version")})
    try:
        revisions, sets = notes.revisions_of(form.get("revisions")), notes.sets_of(form.get("used_in"))
        notes.change(
            shop,
            code,
            lambda _: {"revisions": revisions, "used_in": sets},
            expected_version=form.version,
        )
        return see_other(family_path(code) + "/notes?saved=notes")
    except ValidationError as error:
        form.problems = [top_field(problem) for problem in problems(error)]
    except AlreadyDone:
        raise
    except (BadInput, Conflict) as error:
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    return _page(request, shop, code, more=form, status=422)


@router.post("/families/{code}/tips")
def add_tip(request: Request, shop: ShopHere, code: Code, data: FormHere) -> Response:
    """Adds a tip, or takes one off."""
    form = Form({name: str(data.get(name, "")) for name in ("place", "name", "text", "who")})
    try:
        if data.get("remove"):
            notes.remove_tip(shop, code, form.get("text"), form.get("place"), form.get("name"))
            return see_other(family_path(code) + "/notes?saved=removed")
        given = {name: form.get(name) for name in ("place", "name", "text", "who")}
        notes.add_tip(shop, code, Tip.model_validate(given))
        return see_other(family_path(code) + "/notes?saved=tip")
    except ValidationError as error:
        form.problems = [
            Problem(
                "" if problem.field.startswith("tips") else problem.field, problem.message, problem.remedy
            )
            for problem in problems(error)
        ]
    except AlreadyDone:
        raise
    except (BadInput, Conflict) as error:
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    return _page(request, shop, code, tip=form, status=422)


@router.post("/families/{code}/documents")
def attach_document(request: Request, shop: ShopHere, code: Code, data: FormHere) -> Response:
    """Puts a document of one of its cases on the family, or takes one off."""
    form = Form({name: str(data.get(name, "")) for name in ("file", "remove")})
    try:
        if form.get("remove"):
            notes.detach(shop, code, form.get("remove"))
        else:
            notes.attach(shop, code, form.get("file"))
        return see_other(family_path(code) + "/notes?saved=documents#documents")
    except AlreadyDone:
        raise
    except (BadInput, Conflict) as error:
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    return _page(request, shop, code, documents=form, status=422)
