"""The bench test: set up, cautions, one step a screen, where the board stands, and the sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from kb.errors import BadInput, Conflict, InstrumentTrouble, KbError, NotFound
from kb.facts.values import parse_minutes, parse_quantity
from kb.model import Attempt, EvidenceRecord, FamilyRecord, Problem, Reading, problems
from kb.service import Shop
from kb.service.bench import loads, metering, outcome, runs, symptoms
from kb.service.bench.outcome import InOrder
from kb.service.bench.runs import NewRun, Question, RunView, StepView, Typed
from kb.service.bench.step_context import charge_at, clock_of, known_so_far
from kb.service.boards import families, places
from kb.service.boards.good_boards import Learned
from kb.service.boards.notes import tips_of_step
from kb.service.boards.places import Place
from kb.service.cases import cases, files
from kb.service.cases.files import StoredCaseFile
from kb.service.diagnose import case_facts, good_board_comparison
from kb.service.parts import shelf
from kb.web.dependencies import FilterText, FormHere, ShopHere, awaited
from kb.web.forms.case import line_of
from kb.web.forms.fields import Form, read_form
from kb.web.guard.requests import MICROPHONE_HERE
from kb.web.pages.diagnose import Asked
from kb.web.rendering import family_path, render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
Number = Annotated[int, Path(ge=1, le=1000)]
# Common practice, no published source: half of the rating shows most faults and few benches load more.
DEFAULT_SHARE = 0.5
MOST_AMPS = 500.0
ENTRY_FIELDS = tuple(one.name for one in fields(Typed))
LOAD_NATURES = (
    ("resistor", "resistors"),
    ("lamp", "lamps"),
    ("electronic", "an electronic load"),
    ("mixed", "several kinds"),
)
_MOST_SOAK_MIN = 7 * 24 * 60


def diagnose_url(evidence: EvidenceRecord, case: str = "", not_read: Sequence[str] = ()) -> str:
    """The diagnose screen with this evidence, of this case where there is one: it knows what was tried on it.

    `not_read` has the keys of facts of the complaint that no longer count.
    """
    asked = Asked(evidence.family or "", evidence.text or "", case=case)
    asked.not_read = list(not_read)
    asked.symptoms = [(entry.name, entry.present) for entry in evidence.symptoms]
    asked.checks = list(evidence.checks)
    # A reading at a part has no line of its own there: what it says stands among the checks.
    asked.lines = [line_of(entry) for entry in evidence.readings if entry.rail is not None]
    return asked.url("/diagnose")


@router.get("/bench")
def bench_page(request: Request, shop: ShopHere) -> Response:
    """Boards under test, and where to begin."""
    return _start_page(request, shop, "", None)


def _start_page(request: Request, shop: Shop, typed: str, problem: KbError | None) -> Response:
    context = {
        "typed": typed,
        "problem": problem,
        "nav": "bench",
        "under_way": runs.under_way(shop),
        "finished": runs.finished(shop),
        "families": families.offered(shop),
        "open": cases.listed(shop, "open", limit=8, offset=0)[1],
    }
    status = problem.status if problem else 200
    return render("bench/start.html", context, scope=request.scope, status=status)


@router.get("/bench/new")
def new_run(
    request: Request,
    shop: ShopHere,
    family: FilterText = "",
    case: FilterText = "",
    share: Annotated[float, Query(gt=0, le=100)] = DEFAULT_SHARE * 100,
) -> Response:
    """The set-up of a test for a case, or for a family without one."""
    form = Form({"case": case, "soak": f"{runs.SOAK_S / 60:g}", "share": f"{share:g}"})
    record = None
    if case:
        found = cases.own(shop, case)
        record = found.family
        cured = any(attempt.result == "cured" for attempt in found.record.attempts)
        form.plain["phase"] = "after" if cured else "before"
    elif family:
        try:
            record, _ = families.get(shop, family)
        except NotFound as error:
            return _start_page(request, shop, family, error)
        form.plain["phase"] = "before"
    if record is None:
        return see_other("/bench")
    form.plain["family"] = record.code
    taken = read_form(request.query_params, {"loads": ("rail", "amps")}).rows["loads"]
    form.rows["loads"] = _taken(record, taken) if taken else _planned(shop, record, share / 100, form)
    return _setup_page(request, shop, record, form)


def _taken(record: FamilyRecord, taken: Sequence[Mapping[str, str]]) -> list[dict[str, str]]:
    """The loads that were planned on another page, a row for every output rail of the family."""
    chosen = {row.get("rail", ""): row for row in taken}
    return [
        {"rail": one.rail}
        | {
            name: chosen.get(one.rail, {}).get(name, "")[:2000]
            for name in ("amps", "what", "kind", "warnings")
        }
        for one in loads.outputs(record)
    ]


def _planned(shop: Shop, record: FamilyRecord, share: float, form: Form) -> list[dict[str, str]]:
    rows = {
        target.rail: {"rail": target.rail, "amps": "", "what": "", "kind": ""}
        for target in loads.outputs(record)
    }
    targets = loads.family_targets(record, share)
    try:
        for row in loads.as_typed(shop, loads.plan(shop, targets).plans) if targets else []:
            rows[row["rail"]] |= row
    except BadInput as error:
        form.problems.append(Problem("", error.message, error.remedy or ""))
    return list(rows.values())


def _setup_page(
    request: Request, shop: Shop, record: FamilyRecord, form: Form, status: int = 200
) -> Response:
    case = form.get("case")
    context = {
        "nav": "bench",
        "form": form,
        "family": record,
        "on_mains": runs.on_mains(record),
        "kinds": LOAD_NATURES,
        "earlier": runs.of_case(shop, case) if case else (),
    }
    return render("bench/new.html", context, scope=request.scope, status=status)


@router.post("/bench")
def start_run(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Begins a test."""
    form = read_form(data, {"loads": ("rail",)})
    record = _with_isolation(shop, families.get(shop, form.get("family")), form)
    soak = form.parse("soak", form.get("soak"), parse_minutes)
    if soak is not None and not 1 <= soak <= _MOST_SOAK_MIN:
        form.problems.append(
            Problem("soak", "The soak is not between a minute and a week.", "Type minutes, such as 30.")
        )
    chosen = _chosen_loads(form)
    if not form.problems:
        try:
            uid = runs.start(
                shop,
                NewRun(
                    family=record.code,
                    case_uid=form.get("case") or None,
                    label=form.get("label"),
                    after_repair=form.get("phase") == "after",
                    isolated=bool(form.get("isolated")),
                    wet=bool(form.get("wet")),
                    soak_s=(soak or runs.SOAK_S / 60) * 60.0,
                    loads=chosen,
                ),
            )
            return see_other(f"/bench/{uid}")
        except BadInput as error:
            form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
    return _setup_page(request, shop, record, form, status=422)


def _with_isolation(shop: Shop, found: tuple[FamilyRecord, int], form: Form) -> FamilyRecord:
    """The family, with the answer to whether its outputs are isolated where nobody had said so before."""
    record, version = found
    answer = {"yes": True, "no": False}.get(form.get("outputs_isolated"))
    if record.isolated is None and answer is not None:
        record = record.model_copy(update={"isolated": answer})
        families.save(shop, record, expected_version=version)
    return record


@router.get("/bench/sheet")
def blank_sheet(request: Request, shop: ShopHere, family: FilterText, isolated: bool = False) -> Response:
    """A sheet to print and fill in by hand."""
    record, _ = families.get(shop, family)
    sequence, steps = runs.sheet_of(record, isolated=isolated)
    context = {
        "nav": "bench",
        "view": None,
        "family": record,
        "sequence": sequence,
        "steps": steps,
        "on_board": _on_board(shop, record, steps),
    }
    return render("bench/sheet.html", context, scope=request.scope)


def _on_board(shop: Shop, family: FamilyRecord, steps: Sequence[StepView]) -> list[tuple[Place, list[int]]]:
    """Where the leads go on the board's pictures, each place once with the numbers of the steps that go there."""
    around = places.around(shop, family, (), [one.step for one in steps])
    found: dict[Place, list[int]] = {}
    for one in steps:
        place = around.step(one.step)
        if place is not None:
            found.setdefault(place, []).append(one.number)
    return list(found.items())


@router.get("/bench/{uid}")
def show_run(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """Where a board stands; first of all its cautions, until they are read."""
    view = runs.view(shop, uid)
    return _overview(request, shop, view, Form())


def _overview(request: Request, shop: Shop, view: RunView, form: Form, status: int = 200) -> Response:
    if view.run.acknowledged_at is None:
        context: dict[str, object] = {"nav": "bench", "view": view, "cautions": view.sequence.cautions}
        return render("bench/cautions.html", context, scope=request.scope, status=status)
    context = {
        "nav": "bench",
        "view": view,
        "form": form,
        "others": _others(shop, view),
        "in_order": _in_order(shop, view),
        "at_hand": shelf.of_family(shop, view.family) if view.verdict.state == "failed" else [],
        **_suggested(shop, view),
    }
    return render("bench/run.html", context, scope=request.scope, status=status)


def _others(shop: Shop, view: RunView) -> list[RunView]:
    return [other for other in runs.under_way(shop) if other.run.uid != view.run.uid]


def _suggested(shop: Shop, view: RunView) -> dict[str, object]:
    if view.verdict.state != "failed":
        return {"answer": None, "diagnose_url": ""}
    evidence = outcome.evidence(shop, view)
    settled = outcome.settled_words(shop, view, evidence.text)
    said = case_facts.read_words(shop, evidence.text or "", view.family).facts if settled else ()
    keys = [fact.key for fact in said if fact.what in settled or fact.words in settled]
    url = diagnose_url(evidence, view.run.case_uid or "", keys)
    return {"answer": outcome.suggestions_from(shop, evidence, settled), "diagnose_url": url}


def _in_order(shop: Shop, view: RunView) -> InOrder | None:
    """How likely nothing is wrong, for a board that has not failed and of which something was measured."""
    measured = any(place.results for place in view.steps)
    return outcome.in_order(shop, view) if measured and view.verdict.state != "failed" else None


@router.post("/bench/{uid}/cautions")
def read_cautions(shop: ShopHere, uid: Uid) -> Response:
    """Notes that the cautions were read."""
    runs.acknowledge(shop, uid)
    return _to_next_step(shop, uid)


def _to_next_step(shop: Shop, uid: str) -> Response:
    number = runs.view(shop, uid).next_number
    return see_other(f"/bench/{uid}/steps/{number}" if number else f"/bench/{uid}")


@router.get("/bench/{uid}/steps/{number}")
def show_step(request: Request, shop: ShopHere, uid: Uid, number: Number, again: bool = False) -> Response:
    """One step: what to do, what to expect, one field."""
    view = runs.view(shop, uid)
    if view.run.acknowledged_at is None:
        return see_other(f"/bench/{uid}")
    return _step_page(request, shop, view, view.step(number), again=again)


def _step_page(
    request: Request,
    shop: Shop,
    view: RunView,
    place: StepView,
    *,
    typed: Typed | None = None,
    error: BadInput | None = None,
    question: Question | None = None,
    again: bool = False,
    status: int = 200,
) -> Response:
    context = {
        "nav": "bench",
        "view": view,
        "place": place,
        "typed": typed or Typed(),
        "error": error,
        "question": question,
        "asks": again or bool(error) or bool(question) or place.remaining > 0 or not place.results,
        "others": _others(shop, view),
        "noted": symptoms.noted_at(view, place),
        "known": known_so_far(view, place),
        "discharge": charge_at(view, place),
        "clock": clock_of(view, place),
        "photo": _photo(shop, view),
        "on_board": places.around(shop, view.family, (), [place.step]).step(place.step),
        "held_back": runs.held_back(view, place),
        "learned": _learned(shop, view, place),
        "meters": metering.at_step(shop, place),
        "meter_cautions": metering.cautions_at(place),
        "doing": metering.doing(view, place),
        "page_id": metering.page_id(),
        "origin": shop.instruments.origin(typed.taken, typed.value) if typed else "",
        "log": shop.instruments.log_of(view.run.uid, str(place.number)),
        "tips": tips_of_step(
            families.find(shop, view.family.code), place.step.title, place.step.rail, place.step.point
        ),
        "tip_url": family_path(view.family.code)
        + "/notes?"
        + urlencode({"place": "step", "name": place.step.title}),
        **_suggested(shop, view),
    }
    return render("bench/step.html", context, scope=request.scope, status=status, headers=MICROPHONE_HERE)


def _learned(shop: Shop, view: RunView, place: StepView) -> Learned | None:
    """What good boards of the family say of the newest value at a step."""
    step = place.step
    value = place.entries[-1].value if place.entries else None
    if value is None or (step.rail is None) == (step.point is None):
        return None
    try:
        reading = Reading(
            rail=step.rail,
            point=step.point,
            quantity=step.quantity,
            supply=step.supply,
            load=step.load,
            value=value,
        )
    except ValidationError:
        return None  # what no case can hold either
    return good_board_comparison.learned(shop, view.family, [reading], view.run.case_uid or "")[0]


def _photo(shop: Shop, view: RunView) -> StoredCaseFile | None:
    """The first picture of the board's case, to stand beside the step."""
    if view.run.case_uid is None:
        return None
    return next((one for one in files.of_case(shop, view.run.case_uid).kept if one.is_picture), None)


@router.post("/bench/{uid}/steps/{number}")
def enter_step(request: Request, shop: ShopHere, uid: Uid, number: Number, data: FormHere) -> Response:
    """Keeps what was entered, or asks about it."""
    given = {name: str(data.get(name, ""))[:200] for name in ENTRY_FIELDS}
    said = str(data.get("answer", ""))
    if said == "meant":
        given |= {"value": str(data.get("meant", ""))[:120], "answer": ""}
    elif said == "sure":
        given["answer"] = ""
    typed = Typed(**given)
    counted = str(data.get("seen", ""))[:9]
    seen = int(counted) if counted.isascii() and counted.isdigit() else None
    try:
        found = runs.enter(shop, uid, number, typed, seen=seen, sure=said == "sure")
    except (BadInput, Conflict) as error:
        view = runs.view(shop, uid)
        shown = BadInput(error.message, field=error.field, remedy=error.remedy)
        return _step_page(
            request, shop, view, view.step(number), typed=typed, error=shown, status=error.status
        )
    if isinstance(found, Question):
        view = runs.view(shop, uid)
        return _step_page(request, shop, view, view.step(number), typed=typed, question=found, status=422)
    return see_other(f"/bench/{uid}/steps/{number}")


@router.post("/bench/{uid}/steps/{number}/take")
async def take_from_meter(
    request: Request, shop: ShopHere, uid: Uid, number: Number, data: FormHere
) -> Response:
    """Fills the field from an instrument, where no script of the page does. Nothing is entered by that."""
    view = await run_in_threadpool(runs.view, shop, uid)
    place = view.step(number)
    typed = Typed(**{name: str(data.get(name, ""))[:200] for name in ENTRY_FIELDS})
    error: BadInput | None = None
    try:
        doing = metering.in_use_by(metering.doing(view, place), shop.person)
        future = shop.instruments.take(
            str(data.get("instrument", ""))[:80], place.step.quantity, metering.page_id(), doing
        )
        found = await awaited(future)
        typed = replace(typed, value=found.text, taken=found.id)
    except (BadInput, InstrumentTrouble, NotFound) as trouble:
        error = BadInput(trouble.message, field="instrument", remedy=trouble.remedy)
    page = partial(_step_page, typed=typed, error=error, again=True, status=409 if error else 200)
    return await run_in_threadpool(page, request, shop, view, place)


@router.post("/bench/{uid}/steps/{number}/log")
def begin_log(request: Request, shop: ShopHere, uid: Uid, number: Number, data: FormHere) -> Response:
    """Has an instrument log this step until it is ended; its clock starts too."""
    view = runs.view(shop, uid)
    place = view.step(number)
    try:
        log = shop.instruments.begin_log(str(data.get("instrument", ""))[:80], metering.about(view, place))
    except (BadInput, InstrumentTrouble, NotFound) as trouble:
        error = BadInput(trouble.message, field="instrument", remedy=trouble.remedy)
        return _step_page(request, shop, view, place, error=error, again=True, status=409)
    clock = clock_of(view, place)
    if place.step.hold_s is not None and (clock is None or clock.started_at is None):
        runs.start_clock(shop, uid, number)
    return see_other(f"/instruments/log/{log.id}")


@router.post("/bench/{uid}/steps/{number}/go-on")
def go_on(request: Request, shop: ShopHere, uid: Uid, number: Number, data: FormHere) -> Response:
    """Goes on from a check that is wrong, deliberately and with its reason."""
    try:
        runs.go_on(shop, uid, number, str(data.get("reason", "")))
    except BadInput as error:
        view = runs.view(shop, uid)
        return _step_page(request, shop, view, view.step(number), error=error, status=error.status)
    return _to_next_step(shop, uid)


@router.post("/bench/{uid}/steps/{number}/clock")
def start_clock(shop: ShopHere, uid: Uid, number: Number) -> Response:
    """Starts the clock of a step."""
    runs.start_clock(shop, uid, number)
    return see_other(f"/bench/{uid}/steps/{number}")


@router.post("/bench/{uid}/isolation")
def state_isolation(shop: ShopHere, uid: Uid) -> Response:
    """States that the board is fed through an isolating transformer."""
    runs.state_isolation(shop, uid)
    return see_other(f"/bench/{uid}")


@router.get("/bench/{uid}/loads")
def loads_page(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The loads of a test under way, to be planned again."""
    view = runs.view(shop, uid)
    form = Form({})
    form.rows["loads"] = []
    for target in loads.outputs(view.family):
        load = view.run.loads.get(target.rail, {})
        amps = f"{load['amps']:.3g} A" if load else ""
        words = {name: str(load.get(name, "")) for name in ("what", "kind")}
        form.rows["loads"].append({"rail": target.rail, "amps": amps, **words})
    return _loads_page(request, view, form)


def _loads_page(request: Request, view: RunView, form: Form, status: int = 200) -> Response:
    context = {"nav": "bench", "view": view, "form": form, "kinds": LOAD_NATURES}
    return render("bench/loads.html", context, scope=request.scope, status=status)


@router.post("/bench/{uid}/loads")
def change_loads(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Keeps other loads for the rest of a test."""
    form = read_form(data, {"loads": ("rail",)})
    chosen = _chosen_loads(form)
    if not form.problems:
        try:
            runs.change_loads(shop, uid, chosen)
            return see_other(f"/bench/{uid}")
        except BadInput as error:
            form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
    return _loads_page(request, runs.view(shop, uid), form, status=422)


def _chosen_loads(form: Form) -> dict[str, tuple[float, str, str]]:
    """The loads as typed, by rail; what cannot be used is noted in the form."""
    chosen = {}
    for number, row in enumerate(form.list("loads")):
        name = f"loads.{number}.amps"
        amps = form.parse(name, row.get("amps", ""), lambda text: float(parse_quantity(text, "A")))
        if amps is None:
            continue
        if not 0 < amps <= MOST_AMPS:
            form.problems.append(
                Problem(
                    name,
                    f"A test load of {amps:g} A on {row['rail']} must be more than 0 and at most {MOST_AMPS:g} A.",
                    "Type amperes, such as 1.5 A or 40 mA, or leave it empty.",
                )
            )
            continue
        chosen[row["rail"]] = (amps, row.get("what", "").strip()[:200], row.get("kind", ""))
    return chosen


@router.post("/bench/{uid}/steps/{number}/take-back")
def take_back(shop: ShopHere, uid: Uid, number: Number) -> Response:
    """Takes the last entry of a step back."""
    runs.take_back(shop, uid, number)
    return see_other(f"/bench/{uid}/steps/{number}")


@router.post("/bench/{uid}/steps/{number}/leave-out")
def leave_out(request: Request, shop: ShopHere, uid: Uid, number: Number, data: FormHere) -> Response:
    """Leaves a step out and goes on."""
    runs.leave_out(shop, uid, number, str(data.get("reason", "")))
    return _to_next_step(shop, uid)


@router.post("/bench/{uid}/steps/{number}/put-back")
def put_back(shop: ShopHere, uid: Uid, number: Number) -> Response:
    """Takes a step in again."""
    runs.put_back(shop, uid, number)
    return see_other(f"/bench/{uid}/steps/{number}")


@router.post("/bench/{uid}/finish")
def finish_run(shop: ShopHere, uid: Uid) -> Response:
    """Ends the test with the verdict it has."""
    runs.finish(shop, uid)
    return see_other(f"/bench/{uid}")


@router.post("/bench/{uid}/reopen")
def reopen_run(shop: ShopHere, uid: Uid) -> Response:
    """Takes a finished test up again."""
    runs.reopen(shop, uid)
    return see_other(f"/bench/{uid}")


@router.post("/bench/{uid}/again")
def test_again(shop: ShopHere, uid: Uid) -> Response:
    """Begins a test after the repair with the same set-up."""
    view = runs.finish(shop, uid)
    return see_other(f"/bench/{outcome.prove_again(shop, view)}")


@router.post("/bench/{uid}/fix")
def note_fix(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Notes what was repaired and begins the test that is to prove it."""
    names = ("section", "part_class", "part", "failure", "action")
    form = Form({name: str(data.get(name, "")) for name in names})
    taken = str(data.get("from_shelf", ""))
    form.plain["action"] = form.get("action").strip() or "replace"
    try:
        attempt = Attempt.model_validate(form.plain)
        return see_other(f"/bench/{outcome.note_fix(shop, uid, attempt, shelf_part=taken)}")
    except ValidationError as error:
        form.problems = problems(error)
    except BadInput as error:
        form.problems = [Problem((error.field or "").rpartition(".")[2], error.message, error.remedy or "")]
    return _overview(request, shop, runs.view(shop, uid), form, status=422)


@router.post("/bench/{uid}/case")
def make_case(shop: ShopHere, uid: Uid) -> Response:
    """Opens a case for a test that was begun without one."""
    return see_other(f"/cases/{outcome.make_case(shop, uid)}")


@router.post("/bench/{uid}/close-case")
def close_case(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Ends a passed test and closes its case."""
    try:
        closed = outcome.close_case(shop, uid, str(data.get("verdict", "")))
        return see_other(f"/cases/{closed}/report")
    except BadInput as error:
        form = Form(problems=[Problem("verdict", error.message, error.remedy or "")])
        return _overview(request, shop, runs.view(shop, uid), form, status=422)


@router.get("/bench/{uid}/sheet")
def sheet(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The test as a sheet to print."""
    view = runs.view(shop, uid)
    context = {
        "nav": "bench",
        "view": view,
        "family": view.family,
        "sequence": view.sequence,
        "steps": view.steps,
        "on_board": _on_board(shop, view.family, view.steps),
    }
    return render("bench/sheet.html", context, scope=request.scope)
