"""Records in and out through the browser, the lists a shop may extend, and the state of the store."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.datastructures import UploadFile
from starlette.responses import Response

from kb.facts.symptoms import HOW
from kb.facts.values import parse_minutes
from kb.model import PartClassRecord, Problem, SymptomRecord, problems
from kb.service import Shop
from kb.service.boards import vocabulary
from kb.service.diagnose.import_facts import ImportReading
from kb.service.operate import health
from kb.service.transfer import json_lines
from kb.web.dependencies import FormHere, FormWithFilesHere, ShopHere
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.fields import Form, top_field
from kb.web.rendering import render, see_other

router = APIRouter()
Word = SymptomRecord | PartClassRecord


@dataclass(frozen=True, slots=True)
class _WordList:
    """One of the lists: its kind of record, its entries, and the fields that it has beside the words.

    `shown` gives these fields of an entry as they are typed, `typed` what a form says in them.
    """

    entity: str
    record: type[Word]
    entries: Callable[[Shop], Sequence[Word]]
    shown: Callable[[Any], dict[str, str]]
    typed: Callable[[Form], dict[str, Any]]


def _typed_telling(form: Form) -> dict[str, Any]:
    minutes = form.parse("minutes", form.get("minutes"), parse_minutes)
    return {"how": form.get("how") or "told", "minutes": float(minutes or 1)}


_LISTS = {
    "symptoms": _WordList(
        "symptom",
        SymptomRecord,
        vocabulary.symptoms,
        lambda entry: {"how": entry.how, "minutes": f"{entry.minutes:g}"},
        _typed_telling,
    ),
    "part-classes": _WordList(
        "part_class",
        PartClassRecord,
        vocabulary.part_classes,
        lambda entry: {"letters": ", ".join(entry.letters)},
        lambda form: {"letters": _split(form.get("letters"))},
    ),
}
Kind = Annotated[Literal["symptoms", "part-classes"], Path()]


@router.get("/data")
def data_page(request: Request, shop: ShopHere) -> Response:
    """Export, import, lists and health."""
    context = {"nav": "data", "health": health.health(shop), "report": None, "problem": None}
    return render("data/page.html", context, scope=request.scope)


@router.post("/data/import")
def import_file(request: Request, shop: ShopHere, form: FormWithFilesHere) -> Response:
    """Imports the file that was sent and reports, with nothing kept where a line was refused."""
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
            overwrite=bool(form.get("overwrite")),
            read_texts=ImportReading(shop, create_missing=bool(form.get("create_missing")))
            if form.get("read_texts")
            else None,
        )
    context = {"nav": "data", "health": health.health(shop), "report": report, "problem": problem}
    refused = problem is not None or (report is not None and not report.saved)
    return render("data/page.html", context, scope=request.scope, status=422 if refused else 200)


@router.get("/data/{kind}")
def list_words(request: Request, shop: ShopHere, kind: Kind, name: str = "", saved: str = "") -> Response:
    """One of the lists that a shop may extend, with a form for one entry."""
    form = Form({"name": name[:80]})
    for entry in _LISTS[kind].entries(shop):
        if entry.name.casefold() == name.casefold():
            form = _form_on(_LISTS[kind], entry, vocabulary.version(shop, _LISTS[kind].entity, entry.name))
    return _words_page(request, shop, kind, form, saved=saved)


@router.post("/data/{kind}")
def save_word(request: Request, shop: ShopHere, kind: Kind, data: FormHere) -> Response:
    """Adds or changes one entry."""
    form = Form({name: str(value) for name, value in data.items()})
    record = _record_of(kind, form)
    here = f"/data/{kind}"

    def save(record: Word, version: int) -> str:
        return vocabulary.save(shop, record, expected_version=version)

    edit: Edit[Word, str] = Edit(
        _LISTS[kind].entity,
        record.name if record else None,
        save,
        show=lambda form, status: _words_page(request, shop, kind, form, status=status),
        opened_on=partial(_form_on, _LISTS[kind]),
        in_form=top_field,
        action=here,
        back=f"{here}?{urlencode({'name': record.name})}" if record else here,
        nav="data",
    )
    saved = save_edited(request, shop, edit, record, form)
    return saved if isinstance(saved, Response) else see_other(f"{here}?saved=yes")


def _record_of(kind: str, form: Form) -> Word | None:
    """The entry that was typed, None where something cannot be used (see `form.problems`)."""
    shared = {"name": form.get("name"), "synonyms": _split(form.get("synonyms"))}
    try:
        record = _LISTS[kind].record.model_validate({**shared, **_LISTS[kind].typed(form)})
        return None if form.problems else record
    except ValidationError as error:
        form.problems += [top_field(problem) for problem in problems(error)]
        return None


def _form_on(words: _WordList, entry: Word, version: int) -> Form:
    typed = {"name": entry.name, "synonyms": "\n".join(entry.synonyms), "version": str(version)}
    return Form({**typed, **words.shown(entry)})


def _words_page(
    request: Request, shop: Shop, kind: str, form: Form, *, saved: str = "", status: int = 200
) -> Response:
    context = {
        "nav": "data",
        "kind": kind,
        "entries": _LISTS[kind].entries(shop),
        "form": form,
        "saved": saved,
        "hows": HOW,
    }
    return render("data/words.html", context, scope=request.scope, status=status)


def _split(text: str, pattern: str = r"[\n,;]") -> list[str]:
    return [part.strip() for part in re.split(pattern, text) if part.strip()]
