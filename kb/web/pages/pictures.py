"""Pictures of a family's board: sending one, laying its corners, pinning what is where, and looking at it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from kb.errors import BadInput
from kb.model import PictureRecord, Problem
from kb.service import Shop
from kb.service.boards import families, pictures, places
from kb.service.boards.pictures import PictureView
from kb.web.dependencies import FilterText, LongFormHere, ShopHere, files_of
from kb.web.file_responses import made_answer, stored_picture_answer
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.fields import Form
from kb.web.forms.picture import (
    CORNERS,
    corners_of,
    form_of,
    in_form,
    lines_of,
    points_of,
    read_picture_form,
    record_of,
    unplaced,
)
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
Code = Annotated[str, Path(max_length=80)]
Uid = Annotated[str, Path(max_length=64)]
Grid = Annotated[int, Path(ge=0, le=200)]
_SHARED = 3


@router.get("/families/{code}/pictures")
def family_pictures(request: Request, shop: ShopHere, code: Code, find: FilterText = "") -> Response:
    """The pictures of a family's board, and where on them something is."""
    return _family_page(request, shop, code, find.strip())


def _family_page(
    request: Request, shop: Shop, code: str, find: str = "", problem: Problem | None = None, status: int = 200
) -> Response:
    found = pictures.of_family(shop, code)
    context = {
        "nav": "families",
        "found": found,
        "find": find,
        "place": places.around(shop, found.family, [find]).reading(find) if find else None,
        "problem": problem,
        "sides": pictures.SIDES,
    }
    return render("pictures/family.html", context, scope=request.scope, status=status)


@router.post("/families/{code}/pictures")
async def send_picture(request: Request, shop: ShopHere, code: Code) -> Response:
    """Takes a picture of the board; what to do next is laying its corners."""
    async with files_of(request, most=2) as form:
        return await run_in_threadpool(_take, request, shop, code, form)


def _file_of(form: FormData) -> UploadFile:
    """The file that was sent, the one of the camera or the one chosen. Raises BadInput where there is none."""
    sent = (one for one in form.getlist("file") if isinstance(one, UploadFile) and one.filename)
    found = next(sent, None)
    if found is None:
        raise BadInput("No picture was chosen.", field="file", remedy=f"Choose {pictures.TAKEN}.")
    return found


def _take(request: Request, shop: Shop, code: str, form: FormData) -> Response:
    replaces, side = (str(form.get(name) or "")[:80] for name in ("replaces", "side"))
    try:
        file = _file_of(form)
        seen = pictures.add(shop, code, file.filename or "", file.file, side=side or pictures.SIDES[0])
    except BadInput as error:
        problem = Problem(error.field or "file", error.message, error.remedy or "")
        return _family_page(request, shop, code, problem=problem, status=422)
    joined = f"?replaces={replaces}" if replaces else ""
    return see_other(f"{record_path('picture', seen.record.uid)}/corners{joined}")


@router.get("/pictures/{uid}")
def show_picture(
    request: Request,
    shop: ShopHere,
    uid: Uid,
    at: FilterText = "",
    red: FilterText = "",
    black: FilterText = "",
    saved: FilterText = "",
) -> Response:
    """A picture with what is where on it; what is asked for stands out."""
    seen = pictures.view(shop, uid)
    leads = {name: where for name, where in (("red", red), ("black", black)) if where}
    context = {
        "nav": "families",
        "seen": seen,
        "drawing": places.drawing_of(seen.record, [at], leads),
        "at": at,
        "leads": leads,
        "saved": saved,
    }
    return render("pictures/picture.html", context, scope=request.scope)


@router.get("/pictures/{uid}/content")
def picture_content(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The bytes of a picture as it is kept."""
    return stored_picture_answer(request, shop, pictures.view(shop, uid))


@router.post("/pictures/{uid}/content")
async def bring_content(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """Takes the bytes of a picture whose record came without them."""
    async with files_of(request, most=2) as form:
        file = _file_of(form)
        await run_in_threadpool(pictures.bring_bytes, shop, uid, file.file)
    return see_other(record_path("picture", uid))


@router.get("/pictures/{uid}/whole")
def picture_whole(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """All that is shown of a picture."""
    seen = pictures.view(shop, uid)
    name = f"{seen.record.sha256}-whole-{seen.shown.tag}"
    return made_answer(request, name, lambda: pictures.whole_of(shop, seen))


@router.get("/pictures/{uid}/small")
def picture_small(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """A small picture, as it was taken."""
    seen = pictures.view(shop, uid)
    return made_answer(request, f"{seen.record.sha256}-small", lambda: pictures.small_of(shop, seen))


@router.get("/pictures/{uid}/piece/{of}/{column}/{row}")
def picture_piece(request: Request, shop: ShopHere, uid: Uid, of: Grid, column: Grid, row: Grid) -> Response:
    """A piece of what is shown of a picture."""
    seen = pictures.view(shop, uid)
    window = pictures.Window(of, column, row)
    name = f"{seen.record.sha256}-{seen.shown.tag}-{of}-{column}-{row}"
    return made_answer(request, name, lambda: pictures.piece_of(shop, seen, window))


# -- changing one ------------------------------------------------------------------------------------------


@router.get("/pictures/{uid}/corners")
def lay_corners(request: Request, shop: ShopHere, uid: Uid, replaces: FilterText = "") -> Response:
    """Where the four corners of the board are dragged to."""
    seen = pictures.view(shop, uid)
    form = form_of(seen.record, seen.version)
    if replaces:
        form.plain["joins"] = replaces
    return _corners_page(request, seen, form)


def _corners_page(request: Request, seen: PictureView, form: Form, status: int = 200) -> Response:
    try:
        corners = points_of(form.get("corners"))
    except BadInput:
        corners = []
    start = corners or [(0.08, 0.08), (0.92, 0.08), (0.92, 0.92), (0.08, 0.92)]
    context = {
        "nav": "families",
        "seen": seen,
        "form": form,
        "corners": list(zip(CORNERS, start, strict=False)),
        "laid": bool(corners),
        "sides": pictures.SIDES,
    }
    return render("pictures/corners.html", context, scope=request.scope, status=status)


@router.get("/pictures/{uid}/pins")
def pin(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """Where parts, test points and connectors are pinned on a picture."""
    seen = pictures.view(shop, uid)
    return _pins_page(request, shop, seen, form_of(seen.record, seen.version))


def _pins_page(
    request: Request,
    shop: Shop,
    seen: PictureView,
    form: Form,
    status: int = 200,
    *,
    lost: Sequence[str] = (),
) -> Response:
    family, _ = families.get(shop, seen.record.family)
    context = {
        "nav": "families",
        "seen": seen,
        "form": form,
        "drawing": places.drawing_of(seen.record, []),
        "family": family,
        "suggested": unplaced(pictures.suggested(shop, family.code), seen.record),
        "lost": lost,
    }
    return render("pictures/pins.html", context, scope=request.scope, status=status)


@router.post("/pictures/{uid}")
def change_picture(request: Request, shop: ShopHere, uid: Uid, data: LongFormHere) -> Response:
    """Saves corners, scale and pins, or shows the form again with what is wrong at its field."""
    form = read_picture_form(data)
    seen = pictures.view(shop, uid)
    laying = form.get("page") == "corners"
    if form.get("as_it_is"):
        form.plain["corners"] = ""
    here, replaces = record_path("picture", uid), form.get("replaces")

    def save(record: PictureRecord, version: int) -> str:
        of_old = form.get("replaces_version")
        number = int(of_old) if of_old.isascii() and of_old.isdigit() and len(of_old) < 10 else 0
        return pictures.save(
            shop, record, expected_version=version, replaces=replaces, replaces_version=number
        )

    def show(form: Form, status: int) -> Response:
        if laying:
            return _corners_page(request, seen, form, status)
        return _pins_page(request, shop, seen, form, status)

    edit = Edit(
        "picture",
        uid,
        save,
        show=show,
        opened_on=form_of,
        in_form=in_form,
        action=here,
        back=here,
        nav="families",
    )
    saved = save_edited(request, shop, edit, record_of(form, seen), form)
    if isinstance(saved, Response):
        return saved
    if laying:
        joins = form.get("joins")
        return see_other(f"{here}/join?old={joins}" if joins else f"{here}/pins")
    return see_other(f"{here}?saved=yes")


@router.get("/pictures/{uid}/join")
def join(request: Request, shop: ShopHere, uid: Uid, old: FilterText) -> Response:
    """Where three places are marked on an older picture and on a newer one, so that its pins can move over."""
    return _join_page(request, shop, uid, old, Form())


def _join_page(request: Request, shop: Shop, uid: str, old: str, form: Form, status: int = 200) -> Response:
    context = {
        "nav": "families",
        "seen": pictures.view(shop, uid),
        "old": pictures.view(shop, old),
        "form": form,
        "shared": _SHARED,
    }
    return render("pictures/join.html", context, scope=request.scope, status=status)


@router.post("/pictures/{uid}/join")
def mapped(request: Request, shop: ShopHere, uid: Uid, data: LongFormHere) -> Response:
    """The pins of the older picture where they lie on the newer one, to be looked at before they are saved."""
    form = read_picture_form(data)
    old = form.get("old")
    try:
        points, onto = points_of(form.get("points")), points_of(form.get("onto"))
        record, lost = pictures.mapped_from(shop, uid, old, points, onto)
    except BadInput as error:
        form.problems.append(Problem(error.field or "shared", error.message, error.remedy or ""))
        return _join_page(request, shop, uid, old, form, status=422)
    seen, before = pictures.view(shop, uid), pictures.view(shop, old)
    filled = form_of(seen.record, seen.version)
    filled.plain |= {
        "pins": lines_of(record),
        "side": record.side,
        "scale": "" if record.mm_per_px is None else f"{record.mm_per_px:.6g}",
        "pins_by": corners_of(seen.record),
        "replaces": old,
        "replaces_version": str(before.version),
    }
    return _pins_page(request, shop, seen, filled, lost=lost)


@router.post("/pictures/{uid}/use-again")
def use_again(shop: ShopHere, uid: Uid) -> Response:
    """Takes a picture that was replaced into use again."""
    pictures.use_again(shop, uid)
    return see_other(record_path("picture", uid) + "?saved=yes")
