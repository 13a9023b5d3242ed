"""Bringing in a spreadsheet: one page for each step, each with an address of its own."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import FileResponse, Response

from kb.errors import BadInput, KbError
from kb.model import Problem
from kb.service import Shop, sheets
from kb.service.sheets import Sheet
from kb.service.shop.jobs import Job
from kb.web.dependencies import FormWithFilesHere, ShopHere
from kb.web.rendering import render, see_other

router = APIRouter()
SheetId = Annotated[str, Path(max_length=32)]


def _problem(error: KbError) -> Problem:
    return Problem(error.field or "", error.message, error.remedy or "")


def _page(
    request: Request, step: str, context: dict[str, Any], *, status: int = 200, sheet: Sheet | None = None
) -> Response:
    shared: dict[str, Any] = {"nav": "data", "sheet": sheet, "step": step, "problems": []}
    return render(f"sheets/{step}.html", {**shared, **context}, scope=request.scope, status=status)


def _after(shop: Shop, job: Job) -> Response:
    """To the answer of quick work, else to the page that shows how far it is."""
    job.wait(shop.jobs.patience_s)
    return see_other(job.answer_at if job.state == "done" else f"/jobs/{job.id}")


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


@router.get("/data/sheet")
def start(request: Request, shop: ShopHere) -> Response:
    """Choose a file, or go on with one."""
    return _start_page(request, shop)


def _start_page(request: Request, shop: Shop, problem: Problem | None = None, status: int = 200) -> Response:
    context = {
        "under_way": sheets.under_way(shop),
        "mappings": sheets.saved_mappings(shop),
        "problem": problem,
        "megabytes": shop.settings.max_upload_mb,
    }
    return _page(request, "start", context, status=status)


@router.post("/data/sheet")
def upload(request: Request, shop: ShopHere, form: FormWithFilesHere) -> Response:
    """Takes a file and reads it."""
    sent = form.get("file")
    if not isinstance(sent, UploadFile) or not sent.filename:
        problem = Problem("file", "No file was chosen.", "Choose the spreadsheet on your machine.")
        return _start_page(request, shop, problem, 422)
    sheet, job = sheets.begin(shop, sent.filename, sent.file)
    job.wait(shop.jobs.patience_s)
    if job.state == "failed":
        sheets.forget(shop, sheet.id)
        return _start_page(request, shop, Problem("file", job.trouble, job.remedy), 422)
    return _after(shop, job)


@router.post("/data/sheet/mappings/remove")
def remove_mapping(request: Request, shop: ShopHere, form: FormWithFilesHere) -> Response:
    """Takes a saved mapping away."""
    sheets.remove_mapping(shop, _text(form, "name"))
    return see_other("/data/sheet")


@router.post("/data/sheet/{sheet_id}/remove")
def remove(shop: ShopHere, sheet_id: SheetId) -> Response:
    """Throws a sheet away that is under way."""
    sheets.forget(shop, sheet_id)
    return see_other("/data/sheet")


@router.get("/data/sheet/{sheet_id}/columns")
def columns(request: Request, shop: ShopHere, sheet_id: SheetId) -> Response:
    """What each column holds."""
    return _columns_page(request, shop, sheets.load(shop, sheet_id))


def _columns_page(
    request: Request, shop: Shop, sheet: Sheet, problem: Problem | None = None, status: int = 200
) -> Response:
    context = {
        "columns": sheets.columns_of(shop, sheet),
        "rows": sheets.first_rows(shop, sheet),
        "top": sheets.top_rows(shop, sheet) if sheet.rows_above else [],
        "groups": sheets.field_groups(),
        "encodings": list(sheets.ENCODINGS.items()),
        "separators": list(sheets.SEPARATORS.items()),
        "problems": [problem] if problem else [],
    }
    return _page(request, "columns", context, status=status, sheet=sheet)


@router.post("/data/sheet/{sheet_id}/reading")
def change_reading(request: Request, shop: ShopHere, sheet_id: SheetId, form: FormWithFilesHere) -> Response:
    """Reads the file again in another way."""
    sheet = sheets.load(shop, sheet_id)
    names = ("encoding", "separator", "sheet", "heading_row")
    try:
        job = sheets.read_again(shop, sheet, {name: _text(form, name) for name in names if name in form})
    except BadInput as error:
        return _columns_page(request, shop, sheets.load(shop, sheet_id), _problem(error), 422)
    job.wait(shop.jobs.patience_s)
    if job.state == "failed":
        problem = Problem("", job.trouble, job.remedy)
        return _columns_page(request, shop, sheets.load(shop, sheet_id), problem, 422)
    return _after(shop, job)


@router.post("/data/sheet/{sheet_id}/columns")
def choose_columns(request: Request, shop: ShopHere, sheet_id: SheetId, form: FormWithFilesHere) -> Response:
    """Keeps what each column holds and goes on to the words."""
    sheet = sheets.load(shop, sheet_id)
    chosen = {key: _text(form, f"to.{place}") for place, key in enumerate(sheet.keys)}
    try:
        sheets.choose_columns(shop, sheet, chosen, _text(form, "family_of_all"))
    except BadInput as error:
        return _columns_page(request, shop, sheet, _problem(error), 422)
    return see_other(f"/data/sheet/{sheet_id}/values")


@router.get("/data/sheet/{sheet_id}/values")
def values(request: Request, shop: ShopHere, sheet_id: SheetId) -> Response:
    """What their words mean and how days and numbers are written."""
    sheet = sheets.load(shop, sheet_id)
    return _page(request, "values", {"asked": sheets.ask(shop, sheet)}, sheet=sheet)


@router.post("/data/sheet/{sheet_id}/values")
def decide(request: Request, shop: ShopHere, sheet_id: SheetId, form: FormWithFilesHere) -> Response:
    """Keeps the decisions and goes on once all are made."""
    sheet = sheets.load(shop, sheet_id)
    before = sheets.ask(shop, sheet)
    sent = {one.key: _text(form, one.name) for one in before.questions if one.name in form}
    sheets.decide(shop, sheet, sent)
    asked = sheets.ask(shop, sheet)
    known = {one.key for one in before.questions}
    # Rows that are cases after all, as somebody chose, may hold words that were not asked yet.
    new = [one for one in asked.questions if one.key not in known]
    left = [one for one in (*before.questions, *new) if not sheet.answers.get(one.key)]
    problems = [Problem(one.name, f"{one.topic}: “{one.title}” is not decided yet.", "") for one in left[:12]]
    problems += [Problem("", text, "") for text in asked.too_many]
    if problems:
        context = {"asked": sheets.left_open(asked, {one.key for one in left}), "problems": problems}
        return _page(request, "values", context, sheet=sheet, status=422)
    if sheets.reads_texts(sheet):
        return _after(shop, sheets.start_texts(shop, sheet))
    return _after(shop, sheets.start_check(shop, sheet))


@router.get("/data/sheet/{sheet_id}/texts")
def texts(
    request: Request, shop: ShopHere, sheet_id: SheetId, start: Annotated[int, Query(ge=0, le=1_000_000)] = 0
) -> Response:
    """What the words of the rows say, a row at a time."""
    return _texts_page(request, shop, sheets.load(shop, sheet_id), start)


def _texts_page(
    request: Request, shop: Shop, sheet: Sheet, start: int, problem: Problem | None = None, status: int = 200
) -> Response:
    context = {
        "texts": sheets.texts_read(sheet),
        "rows": sheets.rows_read(shop, sheet, start),
        "start": start,
        "page_of": sheets.ROWS_SHOWN,
        "names": sheets.symptom_names(shop),
        "problems": [problem] if problem else [],
    }
    return _page(request, "texts", context, sheet=sheet, status=status)


@router.post("/data/sheet/{sheet_id}/read")
def read_words(shop: ShopHere, sheet_id: SheetId) -> Response:
    """Reads the words of all rows."""
    return _after(shop, sheets.start_texts(shop, sheets.load(shop, sheet_id)))


@router.post("/data/sheet/{sheet_id}/texts")
def choose_texts(request: Request, shop: ShopHere, sheet_id: SheetId, form: FormWithFilesHere) -> Response:
    """Keeps what is noted of the words, and goes on: to other rows, to read again, or to check all rows."""
    sheet = sheets.load(shop, sheet_id)
    listed = {str(name) for name in form.getlist("listed")}
    wanted = {str(name) for name in form.getlist("symptom")}
    sheets.choose_texts(shop, sheet, bool(form.get("read_texts")), listed - wanted)
    sheets.choose_rows(shop, sheet, _numbers(form, "shown"), _numbers(form, "row"))
    phrases = form.getlist("phrase")
    named = {str(phrase): _text(form, f"named.{place}") for place, phrase in enumerate(phrases)}
    try:
        if sheets.name_phrases(shop, sheet, named):
            return _after(shop, sheets.start_texts(shop, sheet))
    except BadInput as error:
        return _texts_page(request, shop, sheet, 0, _problem(error), 422)
    if (other := _text(form, "to")).isascii() and other.isdigit() and len(other) <= 6:
        return see_other(f"/data/sheet/{sheet_id}/texts?start={other}")
    return _after(shop, sheets.start_check(shop, sheet))


def _numbers(form: FormData, name: str) -> set[int]:
    written = (str(one) for one in form.getlist(name))
    return {int(one) for one in written if one.isascii() and one.isdigit() and len(one) <= 7}


@router.get("/data/sheet/{sheet_id}/check")
def check(request: Request, shop: ShopHere, sheet_id: SheetId) -> Response:
    """What bringing it in would do."""
    return _check_page(request, shop, sheets.load(shop, sheet_id))


def _check_page(
    request: Request, shop: Shop, sheet: Sheet, problem: Problem | None = None, status: int = 200
) -> Response:
    context = {"cases": sheets.first_cases(shop, sheet), "problems": [problem] if problem else []}
    return _page(request, "check", context, sheet=sheet, status=status)


@router.post("/data/sheet/{sheet_id}/check")
def start_check(shop: ShopHere, sheet_id: SheetId) -> Response:
    """Checks all rows."""
    return _after(shop, sheets.start_check(shop, sheets.load(shop, sheet_id)))


@router.get("/data/sheet/{sheet_id}/refused.csv")
def refused(shop: ShopHere, sheet_id: SheetId) -> Response:
    """The refused rows in the sheet's own layout, with the reason in a column."""
    file = sheets.refused_file(shop, sheets.load(shop, sheet_id))
    return FileResponse(file, media_type="text/csv; charset=utf-8", filename="refused.csv")


@router.post("/data/sheet/{sheet_id}/run")
def run(request: Request, shop: ShopHere, sheet_id: SheetId, form: FormWithFilesHere) -> Response:
    """Brings it in."""
    sheet = sheets.load(shop, sheet_id)
    name = _text(form, "mapping_name")
    try:
        job = sheets.start_run(shop, sheet, keep_good=bool(form.get("keep_good")), mapping_name=name)
    except BadInput as error:
        return _check_page(request, shop, sheet, _problem(error), 422)
    return _after(shop, job)


@router.get("/data/sheet/{sheet_id}/result")
def result(request: Request, shop: ShopHere, sheet_id: SheetId) -> Response:
    """What came of it, and how to undo it."""
    sheet = sheets.load(shop, sheet_id)
    if sheet.done is None:
        return see_other(f"/data/sheet/{sheet_id}/check")
    return _page(request, "result", {}, sheet=sheet)


@router.get("/data/sheet/{sheet_id}/undo")
def undo(request: Request, shop: ShopHere, sheet_id: SheetId) -> Response:
    """What undoing the import would do."""
    sheet = sheets.load(shop, sheet_id)
    return _page(request, "undo", {"preview": sheets.preview_undo(shop, sheet)}, sheet=sheet)


@router.post("/data/sheet/{sheet_id}/undo")
def start_undo(shop: ShopHere, sheet_id: SheetId) -> Response:
    """Takes back what the sheet brought in."""
    return _after(shop, sheets.start_undo(shop, sheets.load(shop, sheet_id)))
