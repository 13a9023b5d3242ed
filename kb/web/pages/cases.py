"""Cases: list, page, form, follow-ups, earlier versions and the bin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.datastructures import FormData, QueryParams
from starlette.responses import Response

from kb.errors import AlreadyDone, BadInput, KbError, StoreAway
from kb.facts import cautions
from kb.facts import vocabulary as words
from kb.facts.values import parse_iso_date
from kb.model import CaseRecord, FollowUp, Problem, as_dict, problems
from kb.service import Shop
from kb.service.bench import metering, reports, runs
from kb.service.boards import families, pictures
from kb.service.boards import vocabulary as lists
from kb.service.cases import cases
from kb.service.cases.files import StoredCaseFile
from kb.service.diagnose import case_facts as words_read
from kb.service.diagnose import good_board_comparison
from kb.service.diagnose.tried_lines import tried_line
from kb.service.find.case_search import OPEN, Filters
from kb.service.parts import shelf
from kb.service.shop.cut_off import indexed_cases
from kb.web.dependencies import FilterText, FormHere, LongFormHere, Offset, ShopHere
from kb.web.forms import case_words
from kb.web.forms.case import form_of, in_form, note_origins, read_case_form, record_of
from kb.web.forms.case_words import leave_or_take
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.fields import Form
from kb.web.guard.requests import MICROPHONE_HERE
from kb.web.pages.case_from_evidence import write_fix, write_in
from kb.web.pages.diagnose import Asked, read_asked
from kb.web.pages.photos import files_context
from kb.web.rendering import render, see_other

router = APIRouter()
PAGE_LENGTH = 30
_BLANK_ROWS = 1
Uid = Annotated[str, Path(max_length=64)]


@router.get("/cases")
def list_cases(
    request: Request,
    shop: ShopHere,
    show: Annotated[Literal["all", "open", "waiting", "binned"], Query()] = "all",
    worker: FilterText = "",
    offset: Offset = 0,
) -> Response:
    """Cases, newest first; those on the bench, waiting for parts or in the bin when asked for."""
    from_memory = False
    try:
        total, found = cases.listed(shop, show, limit=PAGE_LENGTH, offset=offset, worker=worker)
        workers = cases.workers(shop) if show in ("open", "waiting") else []
    except StoreAway:
        if worker or show not in ("all", "open"):
            raise
        verdict = OPEN if show == "open" else ""
        total, known = indexed_cases.some(shop, Filters(verdict=verdict), limit=PAGE_LENGTH, offset=offset)
        found, workers, from_memory = tuple(one.record for one in known), [], True
    context = {
        "nav": "cases",
        "show": show,
        "total": total,
        "cases": found,
        "from_memory": from_memory,
        "worker": worker,
        "workers": workers,
        "person": shop.person,
        "today": shop.today(),
        "limit": PAGE_LENGTH,
        "offset": offset,
    }
    return render("cases/list.html", context, scope=request.scope)


@router.get("/cases/new")
def new_case(request: Request, shop: ShopHere) -> Response:
    """An empty form, or one filled from the evidence and the fix named in the address, or from a case."""
    if like := request.query_params.get("like"):
        return _form_page(request, shop, _form_like(shop, like), None)
    asked = read_asked(shop, request.query_params)
    return _form_page(request, shop, _form_from(shop, asked, request.query_params.get("fix", "")), None)


def _form_like(shop: Shop, uid: str) -> Form:
    """The form of a new case with the evidence and the fixes of another, which stays as it is."""
    form = form_of(cases.view(shop, uid[:64]).record)
    form.plain |= {"uid": "", "received": shop.today().isoformat(), "closed": "", "verdict": ""}
    form.plain |= dict.fromkeys(
        ("customer", "worker", "waiting_for", "waiting_since", "quote", "pin_values"), ""
    )
    for row in form.rows["attempts"]:
        row["shelf_part"] = row["shelf_count"] = ""
    form.rows["follow_ups"] = []
    return form


def _form_from(shop: Shop, asked: Asked, fix: str) -> Form:
    form = Form({"received": shop.today().isoformat()})
    for name in ("symptoms", "readings", "attempts", "follow_ups"):
        form.list(name)
    write_in(form, asked, with_facts=False)
    write_fix(form, asked, fix)
    return form


@router.post("/cases/read")
def read_case_words(request: Request, shop: ShopHere, data: LongFormHere, uid: str = "") -> Response:
    """What the words of the form say, for the form's own script. Nothing is kept."""
    form = read_case_form(data)
    leave_or_take(form)
    family = families.find(shop, form.get("family")) if form.get("family").strip() else None
    before = cases.stored(shop, uid[:64]).record if uid else None
    context = {"form": form, "texts": case_words.of_form(shop, form, family, before)}
    return render("cases/_read.html", context, scope=request.scope)


@router.post("/cases")
def add_case(request: Request, shop: ShopHere, data: LongFormHere) -> Response:
    """Saves a new case, or shows the form again with what is wrong at its field."""
    return _save_form(request, shop, None, data)


@router.get("/cases/{uid}")
def show_case(request: Request, shop: ShopHere, uid: Uid, saved: str = "") -> Response:
    """A case with its readings judged."""
    try:
        context = _case_context(shop, cases.view(shop, uid), Form(), saved)
    except StoreAway:
        known = indexed_cases.one(shop, uid)
        return render("cases/remembered.html", _remembered_context(known), scope=request.scope)
    return render("cases/page.html", context, scope=request.scope)


def _remembered_context(known: indexed_cases.RememberedCase) -> dict[str, object]:
    record = known.record
    asked = Asked(record.family, record.complaint)
    asked.symptoms = [(entry.name, entry.present) for entry in record.symptoms]
    return {
        "nav": "cases",
        "case": record,
        "short": cases.short_uid(str(record.uid)),
        "known": known.document,
        "day": known.day,
        "diagnose_url": asked.url("/diagnose"),
    }


def _case_context(shop: Shop, view: cases.CaseView, form: Form, saved: str) -> dict[str, object]:
    record = view.record
    replaced, cause = cases.cause_of(record)
    return {
        "nav": "cases",
        "view": view,
        "saved": saved,
        "form": form,
        "hand": Form(
            {name: as_dict(record).get(name, "") for name in ("worker", "waiting_for", "waiting_since")}
        ),
        "workers": _worker_names(shop) if record.verdict is None else (),
        "diagnose_url": "/diagnose?" + urlencode({"case": str(record.uid)}),
        "texts": case_words.of_case(shop, record, view.family),
        "replaced": replaced,
        "cause": cause,
        "follow_up_states": words.values(words.FOLLOW_UP_STATES),
        "today": shop.today().isoformat(),
        "trouble": shop.derived.trouble,
        "tests": runs.of_case(shop, str(record.uid)),
        "reports": reports.issued_of(shop, str(record.uid)),
        **(held := files_context(shop, str(record.uid))),
        "for_board": _for_board(shop, record, held["files"]),
        "learned": good_board_comparison.learned(shop, view.family, record.readings, str(record.uid)),
        "shelf": shelf.for_case(shop, record, view.family),
        "cautions": cautions.cautions_for("energise") if record.verdict is None else (),
    }


def _for_board(
    shop: Shop, record: CaseRecord, held: Sequence[tuple[StoredCaseFile, object]]
) -> StoredCaseFile | None:
    """The photograph of a closed case that could be the picture its board family lacks."""
    if record.verdict is None:
        return None
    photo = next((file for file, _ in held if file.is_picture), None)
    return photo if photo and not pictures.has_one(shop, record.family) else None


@router.get("/cases/{uid}/edit")
def edit_case(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The form filled with a case."""
    view = cases.view(shop, uid)
    if view.origin:
        return see_other(f"/cases/{uid}?saved=others")
    form = _form_on(shop, view.record, view.version)
    if request.query_params:
        asked = read_asked(shop, request.query_params)
        write_in(form, asked, with_facts=True)
        write_fix(form, asked, request.query_params.get("fix", ""))
    return _form_page(request, shop, form, uid, stored=view)


def _form_on(shop: Shop, record: CaseRecord, version: int) -> Form:
    """The form of a case, opened on a version; facts of its words that it does not hold stay left out."""
    form = form_of(record)
    form.plain["version"] = str(version)
    form.plain["not_read"] = "\n".join(case_words.unnoted(shop, record, families.find(shop, record.family)))
    return form


@router.post("/cases/{uid}")
def change_case(request: Request, shop: ShopHere, uid: Uid, data: LongFormHere) -> Response:
    """Saves a changed case, or shows the form again with what is wrong at its field."""
    return _save_form(request, shop, uid, data)


@router.post("/cases/{uid}/evidence")
def write_evidence(request: Request, shop: ShopHere, uid: Uid, data: LongFormHere) -> Response:
    """Writes everything that the diagnose screen knows into an open case, and with `failed` a fix tried in vain."""
    view = cases.own(shop, uid)
    pairs = [pair for pair in data.multi_items() if pair[0] != "case"]
    if failed := str(data.get("failed", "")):
        section, part_class, part = (*failed.split("|"), "", "")[:3]
        pairs.append(("tried", tried_line(part, part_class, section)))
    asked = read_asked(shop, QueryParams([("case", uid), *pairs]))
    form = _form_on(shop, view.record, view.version)
    write_in(form, asked, with_facts=True)
    form.problems += [
        Problem(_form_field(problem.field), problem.message, problem.remedy)
        for problem in asked.problems
        if problem.field.partition(".")[0] in ("tried", "symptom")
    ]
    record = record_of(form, asked.board or view.family, shop.today()) if not form.problems else None
    stored = save_edited(request, shop, _edit(request, shop, uid, form), record, form)
    if isinstance(stored, Response):
        return stored
    if failed or data.get("then") == "diagnose":
        return see_other("/diagnose?" + urlencode({"case": uid}) + "#ranking")
    return see_other(f"/cases/{uid}?saved=evidence")


def _form_field(field: str) -> str:
    """A field of the diagnose screen, under the name of the list it goes into."""
    return {"tried": "attempts", "symptom": "symptoms"}.get(field.partition(".")[0], field)


@router.post("/cases/{uid}/facts")
def set_fact(shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Takes a fact that the words of a case state off the case, or notes it."""
    if leave := str(data.get("leave", "")):
        words_read.leave_out(shop, uid, leave)
    elif take := str(data.get("take", "")):
        words_read.take_in(shop, uid, take)
    return see_other(f"/cases/{uid}?saved=fact#read")


@router.post("/cases/{uid}/cause")
def set_cause(shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Says which of several parts replaced was the cause; the others followed from it."""
    cases.set_cause(shop, uid, str(data.get("part", "")))
    return see_other(f"/cases/{uid}?saved=cause#tried")


@router.post("/cases/{uid}/follow-ups")
def add_follow_up(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Adds news of a board that has left."""
    form = Form({name: str(data.get(name, "")) for name in ("date", "state", "note")})
    view = cases.view(shop, uid)
    try:
        entry = FollowUp.model_validate(form.plain)
        record = view.record.model_copy(update={"follow_ups": [*view.record.follow_ups, entry]})
        cases.save(shop, CaseRecord.model_validate(as_dict(record)), expected_version=view.version)
        return see_other(f"/cases/{uid}?saved=follow-up")
    except ValidationError as error:
        form.problems = [
            Problem(problem.field.rpartition(".")[2], problem.message, problem.remedy)
            for problem in problems(error)
        ]
    except BadInput as error:
        form.problems = [Problem((error.field or "").rpartition(".")[2], error.message, error.remedy or "")]
    return render("cases/page.html", _case_context(shop, view, form, ""), scope=request.scope, status=422)


@router.post("/cases/{uid}/in-hand")
def set_in_hand(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Notes who has the board in hand and which parts it waits for."""
    names = ("worker", "waiting_for", "waiting_since", "version")
    form = Form({name: str(data.get(name, "")) for name in names})
    since = form.parse("waiting_since", form.get("waiting_since"), parse_iso_date)
    try:
        if not form.problems:
            cases.set_bench_state(
                shop,
                uid,
                worker=form.get("worker"),
                waiting_for=form.get("waiting_for"),
                since=since,
                expected_version=form.version,
            )
            return see_other(f"/cases/{uid}?saved=in-hand")
    except ValidationError as error:
        form.problems = problems(error)
    except AlreadyDone:
        raise
    except KbError as error:
        if error.status >= 500:
            raise
        form.problems = [Problem(error.field or "", error.message, error.remedy or "")]
    context = _case_context(shop, cases.view(shop, uid), Form(), "")
    return render("cases/page.html", {**context, "hand": form}, scope=request.scope, status=422)


@router.post("/cases/{uid}/bin")
def bin_case(shop: ShopHere, uid: Uid) -> Response:
    """Puts a case in the bin."""
    cases.put_in_bin(shop, uid)
    return see_other(f"/cases/{uid}?saved=binned")


@router.post("/cases/{uid}/restore")
def restore_case(shop: ShopHere, uid: Uid) -> Response:
    """Takes a case out of the bin."""
    cases.take_from_bin(shop, uid)
    return see_other(f"/cases/{uid}?saved=restored")


def _worker_names(shop: Shop) -> list[str]:
    """Names offered for who has a board in hand: whoever is signed in first, then who has some already."""
    names = [shop.person, *(name for name, _ in cases.workers(shop))]
    return list(dict.fromkeys(name for name in names if name))


def _form_page(
    request: Request,
    shop: Shop,
    form: Form,
    uid: str | None,
    status: int = 200,
    stored: cases.CaseView | cases.StoredCase | None = None,
) -> Response:
    """The form; the case of `uid` is read where it is not given as `stored`."""
    for name in ("symptoms", "readings", "attempts", "follow_ups"):
        form.list(name)
    added = form.get("add")
    family = families.find(shop, form.get("family")) if form.get("family") else None
    if stored is None and uid:
        stored = cases.stored(shop, uid)
    before = stored.record if stored else None
    context = {
        "binned": stored is not None and stored.binned_at is not None,
        "nav": "new" if uid is None else "cases",
        "texts": case_words.of_form(shop, form, family, before),
        "form": form,
        "uid": uid,
        "blank": {name: _BLANK_ROWS + (added == name) for name in form.rows},
        "family": family,
        "fixes": families.leading_fixes(shop, family.code, 6)[0] if family else (),
        "families": families.offered(shop),
        "symptoms": lists.symptoms(shop),
        "part_classes": [entry.name for entry in lists.part_classes(shop)],
        "sections": words.values(words.SECTIONS),
        "results": words.values(words.RESULTS),
        "verdicts": words.values(words.VERDICTS),
        "follow_up_states": words.values(words.FOLLOW_UP_STATES),
        "failures": words.FAILURE_MODES,
        "actions": words.ACTIONS,
        "unknown_words": any("in the store" in problem.message for problem in form.problems),
        "today": shop.today().isoformat(),
        "workers": _worker_names(shop),
        "meters": metering.meters(shop),
        "meter_quantities": metering.QUANTITIES,
        "page_id": metering.page_id(),
    }
    return render("cases/form.html", context, scope=request.scope, status=status, headers=MICROPHONE_HERE)


def _save_form(request: Request, shop: Shop, uid: str | None, data: FormData) -> Response:
    form = read_case_form(data)
    form.plain["uid"] = uid or ""
    note_origins(form, shop.instruments.origin)
    if leave_or_take(form) or form.get("add") or form.get("remove"):
        return _form_page(request, shop, form, uid)
    family = families.find(shop, form.get("family")) if form.get("family").strip() else None
    record = record_of(form, family, shop.today())
    if record is not None:
        before = cases.stored(shop, uid).record if uid and cases.exists(shop, uid) else None
        record = case_words.with_words(shop, form, record, family, before)
    stored = save_edited(request, shop, _edit(request, shop, uid, form), record, form)
    if isinstance(stored, Response):
        return stored
    kept = stored.record
    cured = any(entry.result == "cured" for entry in kept.attempts)
    saved = "open" if cured and kept.verdict is None else "changed" if uid else "new"
    return see_other(f"/cases/{kept.uid}?" + urlencode({"saved": saved}))


def _edit(request: Request, shop: Shop, uid: str | None, form: Form) -> Edit[CaseRecord, cases.StoredCase]:
    """How the form of a case is saved and shown."""
    here = f"/cases/{uid}"

    def save(record: CaseRecord, version: int) -> cases.StoredCase:
        create_missing = bool(form.get("create_missing"))
        return cases.save(
            shop, record, expected_version=version if uid else None, create_missing=create_missing
        )

    return Edit(
        "case",
        uid,
        save,
        show=lambda form, status: _form_page(request, shop, form, uid, status=status),
        opened_on=lambda record, version: _form_on(shop, record, version),
        in_form=in_form,
        action=here,
        back=here,
        nav="cases",
    )
