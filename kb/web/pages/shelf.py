"""The parts shelf: what there is, one part, and what a repair takes from it."""

from __future__ import annotations

from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.datastructures import FormData
from starlette.responses import Response

from kb.errors import BadInput
from kb.facts import vocabulary as words
from kb.facts.stand_ins import RULES
from kb.model import Attempt, Problem, ShelfPartRecord, problems
from kb.service import Shop
from kb.service.boards import vocabulary
from kb.service.cases import cases
from kb.service.parts import order_list, shelf
from kb.web.dependencies import FilterText, FormHere, Offset, ShopHere
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.fields import Form, top_field
from kb.web.forms.shelf import form_of, read_shelf_form, record_of
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
PartName = Annotated[str, Query(max_length=80)]


@router.get("/shelf")
def list_parts(
    request: Request,
    shop: ShopHere,
    q: FilterText = "",
    show: Literal["all", "short"] = "all",
    case: FilterText = "",
    offset: Offset = 0,
    saved: str = "",
) -> Response:
    """The parts on the shelf, or those that hold what was typed; with a case each can be taken for it."""
    return _list_page(request, shop, Form(), q=q, show=show, case=case, offset=offset, saved=saved)


def _list_page(
    request: Request,
    shop: Shop,
    form: Form,
    *,
    q: str = "",
    show: str = "all",
    case: str = "",
    offset: int = 0,
    saved: str = "",
    status: int = 200,
) -> Response:
    total, short, lines = shelf.listed(shop, q, only_short=show == "short", offset=offset)
    context = {
        "nav": "bench",
        "lines": lines,
        "total": total,
        "short": short,
        "typed": q,
        "show": show,
        "offset": offset,
        "limit": shelf.MOST_LISTED,
        "saved": saved,
        "case": cases.view(shop, case) if case else None,
        "form": form,
        "sections": words.values(words.SECTIONS),
    }
    return render("shelf/list.html", context, scope=request.scope, status=status)


@router.get("/shelf.csv")
def shelf_file(shop: ShopHere) -> Response:
    """The whole shelf for a spreadsheet."""
    return Response(
        # The mark tells spreadsheet programs that this is UTF-8.
        "\ufeff" + shelf.as_csv(shop),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="parts-shelf.csv"'},
    )


@router.get("/shelf/new")
def new_part(request: Request, shop: ShopHere, part_class: FilterText = "", name: PartName = "") -> Response:
    """An empty form."""
    return _form_page(request, shop, Form({"name": name, "part_class": part_class, "count": "1"}), "")


@router.post("/shelf")
def add_part(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Adds a part, or shows the form again with what is wrong at its field."""
    return _save(request, shop, data, "")


@router.get("/shelf/part")
def show_part(request: Request, shop: ShopHere, name: PartName, saved: str = "") -> Response:
    """One part: what it is, where it belongs, what may stand in for it, and the form to change it."""
    record, version = shelf.find(shop, name)
    return _form_page(request, shop, _form_on(record, version), record.name, saved=saved)


@router.post("/shelf/part")
def change_part(request: Request, shop: ShopHere, name: PartName, data: FormHere) -> Response:
    """Saves a changed part."""
    return _save(request, shop, data, shelf.find(shop, name)[0].name)


def _form_on(record: ShelfPartRecord, version: int) -> Form:
    form = form_of(record)
    form.plain["version"] = str(version)
    return form


def _form_page(
    request: Request,
    shop: Shop,
    form: Form,
    name: str,
    *,
    saved: str = "",
    accept: Form | None = None,
    status: int = 200,
) -> Response:
    with shop.read() as session:
        known = shelf.known(shop, session)
    line = known.by_name.get(name.casefold()) if name else None
    context = {
        "nav": "bench",
        "form": form,
        "line": line,
        "stand_ins": shelf.stand_ins(known, line.record) if line else (),
        "accept": accept or Form(),
        "names": [one.record.name for one in known.lines if one.record.name != name],
        "rules": list(RULES.values()),
        "part_classes": [entry.name for entry in vocabulary.part_classes(shop)],
        "kinds": [(kind.value, f"{kind.value}: {kind.meaning}") for kind in words.PART_KINDS],
        "saved": saved,
    }
    return render("shelf/part.html", context, scope=request.scope, status=status)


def _save(request: Request, shop: Shop, data: FormData, name: str) -> Response:
    form = read_shelf_form(data)
    if name:
        form.plain["name"] = name
    record = record_of(form)
    here = record_path("shelf_part", name) if name else "/shelf"

    def save(record: ShelfPartRecord, version: int) -> str:
        shelf.save(shop, record, expected_version=version)
        return record.name

    edit = Edit(
        "shelf_part",
        name or None,
        save,
        show=lambda form, status: _form_page(request, shop, form, name, status=status),
        opened_on=_form_on,
        in_form=top_field,
        action=here,
        back=here,
        nav="bench",
    )
    saved = save_edited(request, shop, edit, record, form)
    return (
        saved if isinstance(saved, Response) else see_other(record_path("shelf_part", saved) + "&saved=yes")
    )


@router.post("/shelf/part/remove")
def remove_part(shop: ShopHere, name: PartName) -> Response:
    """Puts a part in the bin."""
    shelf.remove(shop, name)
    return see_other("/shelf?saved=removed")


@router.post("/shelf/part/accept")
def accept_stand_in(request: Request, shop: ShopHere, name: PartName, data: FormHere) -> Response:
    """Notes that the shop takes this part in place of another, and the rule that allows it."""
    form = Form({field: str(data.get(field, "")) for field in ("instead_of", "rule", "of")})
    # The other way round from a part's own list: the part shown is the one that is replaced.
    offered, wanted = (form.get("of"), name) if form.get("of") else (name, form.get("instead_of"))
    try:
        shelf.accept(shop, offered, instead_of=wanted, rule=form.get("rule"))
        return see_other(record_path("shelf_part", name) + "&saved=accepted#stand-ins")
    except ValidationError as error:
        form.problems = [
            Problem(
                problem.field.rpartition(".")[2].replace("part", "instead_of"),
                problem.message,
                problem.remedy,
            )
            for problem in problems(error)
        ]
    except BadInput as error:
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    record, version = shelf.find(shop, name)
    return _form_page(request, shop, _form_on(record, version), record.name, accept=form, status=422)


@router.get("/order-list")
def order_page(request: Request, shop: ShopHere) -> Response:
    """What to order, as a page and on paper."""
    context = {
        "nav": "bench",
        "found": order_list.view(shop),
        "share": order_list.SHARE,
        "today": shop.today(),
    }
    return render("shelf/order_list.html", context, scope=request.scope)


@router.get("/order-list.csv")
def order_file(shop: ShopHere) -> Response:
    """The same for a spreadsheet."""
    return Response(
        "\ufeff" + order_list.as_csv(order_list.view(shop)),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="order-list.csv"'},
    )


@router.post("/cases/{uid}/take")
def take_part(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Takes a part from the shelf for a fix of a case, or for a new one."""
    names = ("part", "attempt", "designator", "section", "count", "part_class", "q")
    form = Form({name: str(data.get(name, "")) for name in names})
    typed = form.get("count").strip() or "1"
    new = None
    try:
        count = int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 4 else 0
        if not form.get("attempt"):
            new = Attempt(
                part=form.get("designator"),
                part_class=shelf.find(shop, form.get("part"))[0].part_class,
                section=form.get("section"),
            )
        shelf.take(shop, uid, form.get("part"), attempt=form.get("attempt"), new=new, count=count)
        return see_other(f"/cases/{uid}?" + urlencode({"saved": "taken"}) + "#tried")
    except ValidationError as error:
        form.problems = [
            Problem(problem.field.replace("part", "designator"), problem.message, problem.remedy)
            for problem in problems(error)
        ]
    except BadInput as error:
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    return _list_page(request, shop, form, q=form.get("q"), case=uid, status=422)


@router.post("/cases/{uid}/put-back")
def put_part_back(shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Puts what a fix took back on the shelf."""
    shelf.put_back(shop, uid, str(data.get("attempt", "")))
    return see_other(f"/cases/{uid}?saved=put-back#tried")
