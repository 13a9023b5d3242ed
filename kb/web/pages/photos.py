"""Photographs and files of a case: sending, looking, captions, marks, removing and taking back."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import Response

from kb.errors import BadInput, Conflict
from kb.facts.values import parse_share
from kb.model import FileWords, Mark, Problem, problems
from kb.model.marks import MARK_KINDS
from kb.service import Shop
from kb.service.boards import pictures
from kb.service.cases import cases, files
from kb.service.cases.files import StoredCaseFile
from kb.web.dependencies import FormHere, ShopHere, files_of
from kb.web.file_responses import content_answer, small_answer
from kb.web.forms.fields import Form, read_form
from kb.web.forms.picture_marks import drawing_of
from kb.web.rendering import record_path, render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
# Read, so that each of them can be told; how many are kept is for the service to say.
_MOST_READ = 200
PLACES = {
    "x": "From the left",
    "y": "From the top",
    "size": "Radius",
    "to_x": "Points to, from the left",
    "to_y": "Points to, from the top",
}


def files_context(shop: Shop, case_uid: str) -> dict[str, Any]:
    """What the section of a case's files shows: (file, its drawing) pairs, and the removed ones."""
    found = files.of_case(shop, case_uid)
    return {
        "files": [(one, drawing_of(one)) for one in found.kept],
        "removed": [(one, drawing_of(one)) for one in found.binned],
    }


@router.get("/cases/{uid}/photos")
def photos_page(
    request: Request, shop: ShopHere, uid: Uid, kept: Annotated[int, Query(ge=0, le=1000)] = 0
) -> Response:
    """Where a phone sends photographs of a case."""
    return _photos(request, shop, uid, kept=kept)


def _photos(
    request: Request,
    shop: Shop,
    uid: str,
    *,
    kept: int = 0,
    refused: tuple[files.Refused, ...] = (),
    status: int = 200,
) -> Response:
    context = {
        "nav": "cases",
        "view": cases.own(shop, uid),
        **files_context(shop, uid),
        "kept": kept,
        "refused": refused,
    }
    return render("files/photos.html", context, scope=request.scope, status=status)


@router.post("/cases/{uid}/photos")
async def send_files(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """Takes what was sent, and tells of each file that could not be used."""
    try:
        async with files_of(request, most=_MOST_READ) as form:
            return await run_in_threadpool(_take, request, shop, uid, form)
    except HTTPException as error:
        if "files" not in str(error.detail):
            raise
        raise BadInput(
            f"More than {_MOST_READ} files were sent at once, so none was kept.",
            field="file",
            remedy=f"Send {files.MOST_AT_ONCE} at a time.",
        ) from error


def _take(request: Request, shop: Shop, uid: str, form: FormData) -> Response:
    sent = [
        (one.filename, one.file)
        for one in form.getlist("file")
        if isinstance(one, UploadFile) and one.filename
    ]
    if not sent:
        nothing = files.Refused("", "No file was chosen.", f"Choose {files.TAKEN}.")
        return _photos(request, shop, uid, refused=(nothing,), status=422)
    done = files.add(shop, uid, sent)
    if done.refused:
        status = 200 if done.kept else 422
        return _photos(request, shop, uid, kept=len(done.kept), refused=done.refused, status=status)
    return see_other(f"/cases/{uid}/photos?kept={len(done.kept)}")


@router.get("/cases/{uid}/files/{file}")
def show_content(request: Request, shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """The bytes of a file that the case refers to, one in its bin included."""
    return content_answer(request, shop, files.stored(shop, uid, file))


@router.get("/cases/{uid}/files/{file}/small")
def show_small(request: Request, shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """The small picture of a file that the case refers to."""
    return small_answer(request, shop, files.stored(shop, uid, file))


@router.get("/cases/{uid}/photos/{file}")
def file_page(request: Request, shop: ShopHere, uid: Uid, file: Uid, saved: str = "") -> Response:
    """One file with its caption and marks."""
    return _file_page(request, shop, files.stored(shop, uid, file), Form(), saved=saved)


def _file_page(
    request: Request, shop: Shop, file: StoredCaseFile, form: Form, *, saved: str = "", status: int = 200
) -> Response:
    view = cases.view(shop, file.case_uid)
    order = files.of_case(shop, file.case_uid).kept
    place = next((number for number, one in enumerate(order) if one.uid == file.uid), None)
    context = {
        "nav": "cases",
        "view": view,
        "file": file,
        "drawing": drawing_of(file),
        "place": None if place is None else place + 1,
        "of": len(order),
        "before": order[place - 1] if place else None,
        "after": order[place + 1] if place is not None and place + 1 < len(order) else None,
        "form": form,
        "saved": saved,
        "places": PLACES,
        "kinds": MARK_KINDS,
    }
    return render("files/file.html", context, scope=request.scope, status=status)


def _change(
    request: Request,
    shop: Shop,
    uid: str,
    file_uid: str,
    data: FormData,
    work: Callable[[Shop, StoredCaseFile, Form], str],
) -> Response:
    """Does the work and returns its page; what was typed stays where it cannot be used."""
    form, file = read_form(data, {}), files.stored(shop, uid, file_uid)
    status = 422
    try:
        saved = work(shop, file, form)
        if not form.problems:
            return see_other(f"/cases/{file.case_uid}/photos/{file.uid}?saved={saved}")
    except ValidationError as error:
        form.problems += problems(error)
    except Conflict as error:
        status = 409
        form.problems.append(Problem("", error.message, error.remedy or ""))
    except BadInput as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
    now = files.stored(shop, file.case_uid, file.uid)
    return _file_page(request, shop, now, form, status=status)


@router.post("/cases/{uid}/photos/{file}")
def write_caption(request: Request, shop: ShopHere, uid: Uid, file: Uid, data: FormHere) -> Response:
    """Changes the caption."""

    def work(shop: Shop, found: StoredCaseFile, form: Form) -> str:
        words = FileWords(caption=form.get("caption"), marks=list(found.marks))
        files.describe(shop, uid, file, words, expected_version=form.version)
        return "caption"

    return _change(request, shop, uid, file, data, work)


@router.post("/cases/{uid}/photos/{file}/marks")
def add_mark(request: Request, shop: ShopHere, uid: Uid, file: Uid, data: FormHere) -> Response:
    """Draws one mark from places in per cent."""

    def work(shop: Shop, found: StoredCaseFile, form: Form) -> str:
        mark = _mark_of(form)
        if mark is not None:
            files.mark(shop, uid, file, mark)
        return "marks"

    return _change(request, shop, uid, file, data, work)


def _mark_of(form: Form) -> Mark | None:
    """The mark as it was typed, None where something is missing or cannot be read. Raises ValidationError."""
    kind = form.get("kind")
    wanted = {"circle": ("x", "y", "size"), "arrow": ("x", "y", "to_x", "to_y")}.get(kind, ("x", "y"))
    given: dict[str, object] = {"kind": kind}
    for name in wanted:
        label = PLACES[name]
        if not form.get(name).strip():
            remedy = "Write per cent from 0 to 100, or draw on the picture."
            form.problems.append(Problem(name, f"{label} is missing.", remedy))
            continue
        share = form.parse(name, form.get(name), partial(parse_share, field=label))
        given[name] = None if share is None else float(share)
    if kind == "text":
        given["text"] = form.get("text")
    return None if form.problems else Mark.model_validate(given)


@router.post("/cases/{uid}/photos/{file}/marks/remove")
def remove_mark(request: Request, shop: ShopHere, uid: Uid, file: Uid, data: FormHere) -> Response:
    """Removes one mark."""

    def work(shop: Shop, found: StoredCaseFile, form: Form) -> str:
        typed = form.get("mark")
        number = int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 4 else -1
        files.unmark(shop, uid, file, number, expected_version=form.version)
        return "marks"

    return _change(request, shop, uid, file, data, work)


@router.post("/cases/{uid}/photos/{file}/bin")
def bin_file(shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """Removes a file from its case."""
    files.put_in_bin(shop, uid, file)
    return see_other(f"/cases/{uid}?saved=file-removed#photos")


@router.post("/cases/{uid}/photos/{file}/board")
def board_file(shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """Makes a photograph a picture of the board family; what to do next is laying its corners."""
    seen = pictures.add_photograph(shop, uid, file)
    return see_other(record_path("picture", seen.record.uid) + "/corners")


@router.post("/cases/{uid}/photos/{file}/restore")
def restore_file(shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """Takes a removed file back."""
    files.take_from_bin(shop, uid, file)
    return see_other(f"/cases/{uid}?saved=file-back#photos")
