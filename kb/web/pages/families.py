"""Board families: list, page and form."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from kb.facts import vocabulary as words
from kb.model import FamilyRecord
from kb.service import Shop
from kb.service.boards import families
from kb.web.dependencies import FilterText, LongFormHere, Offset, ShopHere
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.family import form_of, in_form, read_family_form, record_of
from kb.web.forms.fields import Form
from kb.web.rendering import family_path, render, see_other

router = APIRouter()
_ALL_FIXES = 10_000
Code = Annotated[str, Path(max_length=80)]


@router.get("/families")
def list_families(request: Request, shop: ShopHere, q: FilterText = "", offset: Offset = 0) -> Response:
    """All families, or those whose numbers contain what was typed, a page at a time."""
    total, found = families.listed(shop, q, offset=offset)
    context = {
        "nav": "families",
        "families": found,
        "typed": q,
        "total": total,
        "limit": families.MOST_LISTED,
        "offset": offset,
    }
    return render("families/list.html", context, scope=request.scope)


@router.get("/families/new")
def new_family(request: Request, shop: ShopHere, code: FilterText = "") -> Response:
    """An empty form."""
    return _form_page(request, Form({"code": code, "enable_active": "high"}), None)


@router.post("/families")
def add_family(request: Request, shop: ShopHere, data: LongFormHere) -> Response:
    """Saves a new family, or shows the form again with what is wrong at its field."""
    return _save_form(request, shop, None, data)


@router.get("/families/{code}")
def show_family(
    request: Request,
    shop: ShopHere,
    code: Code,
    saved: str = "",
    fixes: Literal["leading", "all"] = "leading",
) -> Response:
    """A family's rails, connectors, fixes and latest cases."""
    most = _ALL_FIXES if fixes == "all" else families.MOST_FIXES
    context = {
        "nav": "families",
        "view": families.view(shop, code, most_fixes=most),
        "saved": saved,
        "trouble": shop.derived.trouble,
    }
    return render("families/page.html", context, scope=request.scope)


@router.get("/families/{code}/edit")
def edit_family(request: Request, shop: ShopHere, code: Code) -> Response:
    """The form filled with a family."""
    record, version = families.get(shop, code)
    return _form_page(request, _form_on(record, version), record.code)


def _form_on(record: FamilyRecord, version: int) -> Form:
    """The form of a family, opened on a version."""
    form = form_of(record)
    form.plain["version"] = str(version)
    return form


@router.post("/families/{code}")
def change_family(request: Request, shop: ShopHere, code: Code, data: LongFormHere) -> Response:
    """Saves a changed family, or shows the form again with what is wrong at its field."""
    return _save_form(request, shop, code, data)


def _form_page(request: Request, form: Form, code: str | None, status: int = 200) -> Response:
    for name in ("rails", "connectors"):
        form.list(name)
    added = form.get("add")
    context = {
        "nav": "families",
        "form": form,
        "code": code,
        "blank": {name: 1 + (added == name) for name in form.rows},
        "roles": words.values(words.RAIL_ROLES),
        "kinds": words.BOARD_KINDS,
        "switches": words.values(words.SWITCH_KINDS),
    }
    return render("families/form.html", context, scope=request.scope, status=status)


def _save_form(request: Request, shop: Shop, code: str | None, data: FormData) -> Response:
    form = read_family_form(data)
    if code is not None:
        code = families.get(shop, code)[0].code
        form.plain["code"] = code
    if form.get("add") or form.get("remove"):
        return _form_page(request, form, code)
    here = family_path(code or "")

    def save(record: FamilyRecord, version: int) -> str:
        if code is None:
            families.save_new(shop, record)
        else:
            families.save(shop, record, expected_version=version)
        return record.code

    edit = Edit(
        "family",
        code,
        save,
        show=lambda form, status: _form_page(request, form, code, status=status),
        opened_on=_form_on,
        in_form=in_form,
        action=here,
        back=here,
        nav="families",
    )
    saved = save_edited(request, shop, edit, record_of(form), form)
    return saved if isinstance(saved, Response) else see_other(family_path(saved) + "?saved=yes")
