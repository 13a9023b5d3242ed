"""Records in and out through the browser, the lists a shop may extend, and the state of the store."""

from __future__ import annotations

import re
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import RedirectResponse, Response

from kb.errors import BadInput, Conflict
from kb.facts.symptoms import HOW
from kb.facts.values import parse_minutes
from kb.model import PartClassRecord, Problem, SymptomRecord, problems
from kb.service import Shop
from kb.service.boards import vocabulary
from kb.service.history.conflicts import Meeting, meet
from kb.service.operate import health
from kb.service.transfer import json_lines
from kb.web.dependencies import ShopHere
from kb.web.forms import conflicts
from kb.web.forms.fields import Form, typed_fields
from kb.web.rendering import render

router = APIRouter()
_ENTITY = {"symptoms": "symptom", "part-classes": "part_class"}
Kind = Annotated[Literal["symptoms", "part-classes"], Path()]


@router.get("/data")
def data_page(request: Request, shop: ShopHere) -> Response:
    """Export, import, lists and health."""
    context = {"nav": "data", "health": health.health(shop), "report": None, "problem": None}
    return render("data/page.html", context, scope=request.scope)


@router.post("/data/import")
async def import_file(request: Request, shop: ShopHere) -> Response:
    """Imports the file that was sent and reports, with nothing kept where a line was refused."""
    async with request.form() as form:
        return await run_in_threadpool(_import, request, shop, form)


def _import(request: Request, shop: Shop, form: FormData) -> Response:
    sent = form.get("file")
    report, problem = None, None
    if not isinstance(sent, UploadFile) or not sent.filename:
        problem = Problem("file", "No file was chosen.", "Choose a file that kb export wrote.")
    else:
        report = json_lines.bring_in(
            shop,
            sent.file,
            create_missing=bool(form.get("create_missing")),
            skip_bad=bool(form.get("skip_bad")),
        )
    context = {"nav": "data", "health": health.health(shop), "report": report, "problem": problem}
    refused = problem is not None or (report is not None and not report.saved)
    return render("data/page.html", context, scope=request.scope, status=422 if refused else 200)


@router.get("/data/{kind}")
def list_words(request: Request, shop: ShopHere, kind: Kind, name: str = "", saved: str = "") -> Response:
    """One of the lists that a shop may extend, with a form for one entry."""
    form = Form({"name": name[:80]})
    for entry in _entries(shop, kind):
        if entry.name.casefold() == name.casefold():
            form = _form_on(entry, vocabulary.version(shop, _ENTITY[kind], entry.name))
    return _words_page(request, shop, kind, form, saved=saved)


@router.post("/data/{kind}")
async def save_word(request: Request, shop: ShopHere, kind: Kind) -> Response:
    """Adds or changes one entry."""
    data = await typed_fields(request)
    return await run_in_threadpool(_save_word, request, shop, kind, data)


def _entries(shop: Shop, kind: str) -> list[SymptomRecord] | list[PartClassRecord]:
    return vocabulary.symptoms(shop) if kind == "symptoms" else vocabulary.part_classes(shop)


def _form_on(entry: SymptomRecord | PartClassRecord, version: int) -> Form:
    form = _form_of(entry)
    form.plain["version"] = str(version)
    return form


def _conflict(request: Request, kind: str, met: Meeting, form: Form) -> Response:
    here = f"/data/{kind}"
    back = f"{here}?{urlencode({'name': met.name})}"
    return conflicts.page(request, met, form, action=here, back=back, nav="data")


def _form_of(entry: SymptomRecord | PartClassRecord) -> Form:
    form = Form({"name": entry.name, "synonyms": "\n".join(entry.synonyms)})
    if isinstance(entry, SymptomRecord):
        form.plain |= {"how": entry.how, "minutes": f"{entry.minutes:g}"}
    else:
        form.plain["letters"] = ", ".join(entry.letters)
    return form


def _words_page(
    request: Request, shop: Shop, kind: str, form: Form, *, saved: str = "", status: int = 200
) -> Response:
    context = {
        "nav": "data",
        "kind": kind,
        "entries": _entries(shop, kind),
        "form": form,
        "saved": saved,
        "hows": HOW,
    }
    return render("data/words.html", context, scope=request.scope, status=status)


def _split(text: str, pattern: str = r"[\n,;]") -> list[str]:
    return [part.strip() for part in re.split(pattern, text) if part.strip()]


def _save_word(request: Request, shop: Shop, kind: str, data: FormData) -> Response:
    form = Form({name: str(value) for name, value in data.items() if isinstance(value, str)})
    shared = {"name": form.get("name"), "synonyms": _split(form.get("synonyms"))}
    try:
        record: SymptomRecord | PartClassRecord
        if kind == "symptoms":
            minutes = form.parse("minutes", form.get("minutes"), parse_minutes)
            record = SymptomRecord.model_validate(
                {**shared, "how": form.get("how") or "told", "minutes": float(minutes or 1)}
            )
        else:
            record = PartClassRecord.model_validate({**shared, "letters": _split(form.get("letters"))})
        if not form.problems:
            return _keep_word(request, shop, kind, record, form)
    except ValidationError as error:
        form.problems += [
            Problem(problem.field.partition(".")[0], problem.message, problem.remedy)
            for problem in problems(error)
        ]
    except BadInput as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
    return _words_page(request, shop, kind, form, status=422)


def _keep_word(
    request: Request, shop: Shop, kind: str, record: SymptomRecord | PartClassRecord, form: Form
) -> Response:
    entity, version = _ENTITY[kind], form.version
    if form.get("meeting"):
        settled = conflicts.settle(shop, entity, record.name, record, form)
        if isinstance(settled, Meeting):
            return _conflict(request, kind, settled, form)
        assert isinstance(settled.record, SymptomRecord | PartClassRecord)
        record, version = settled.record, settled.version
        if settled.to_edit:
            return _words_page(request, shop, kind, _form_on(record, version))
    try:
        vocabulary.save(shop, record, expected_version=version)
    except Conflict:
        met = meet(shop, entity, record.name, record, opened_on=form.version)
        return _conflict(request, kind, met, form)
    return RedirectResponse(f"/data/{kind}?saved=yes", status_code=303)
