"""Computations at hand. Every answer has its address; only a meter's log is sent."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, TypeVar

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from kb.errors import BadInput, NotFound
from kb.facts import vocabulary as words
from kb.facts.cautions import cautions_for
from kb.facts.values import format_si_plain, parse_quantity, parse_tolerance
from kb.instruments.logs import Log
from kb.model import FamilyRecord, Problem, Reading, problems
from kb.service import Shop
from kb.service.bench import calculators, runs
from kb.service.bench.runs import Typed
from kb.service.boards import families
from kb.service.cases import cases
from kb.web.dependencies import FormHere, ShopHere
from kb.web.forms.fields import Form
from kb.web.rendering import render, see_other

router = APIRouter()
Value = TypeVar("Value")
PICTURE_WIDTH, PICTURE_HEIGHT = 600, 160
_LONGEST = 200
_LOG_FIELDS = ("case", "family", "rail", "supply", "load", "after", "run", "step", "held", "drift")
_BARE = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
# Farads: larger ones are no part of a supply, and a unit was forgotten.
LARGEST_F = 1.0


def _typed(request: Request, *names: str) -> Form:
    return Form({name: request.query_params.get(name, "")[:_LONGEST] for name in names})


def _number(form: Form, name: str, unit: str, usual: str = "") -> float | None:
    """A value in its SI unit; a bare number is in the `usual` unit, which its field names."""
    typed = form.get(name).strip()
    text = f"{typed} {usual}" if usual and _BARE.fullmatch(typed) else typed
    found = form.parse(name, text, lambda given: parse_quantity(given, unit, field=name))
    if found is None:
        return None
    if unit == "F" and float(found) > LARGEST_F:
        form.problems.append(
            Problem(
                name,
                f"{format_si_plain(float(found))} F is hardly meant here.",
                "Type it with its unit, such as 120 µF.",
            )
        )
        return None
    return float(found)


def _computed(form: Form, compute: Callable[[], Value]) -> Value | None:
    """The answer, None where something is missing or wrong (which is noted)."""
    if form.problems:
        return None
    try:
        return compute()
    except BadInput as error:
        form.problems.append(Problem(error.field or "", error.message, error.remedy or ""))
        return None


def _page(request: Request, shop: Shop, name: str, form: Form, context: dict[str, Any]) -> Response:
    shared = {
        "nav": "bench",
        "form": form,
        "families": families.offered(shop),
        "cautions": cautions_for("discharge"),
    }
    return render(
        f"bench/{name}.html",
        {**shared, **context},
        scope=request.scope,
        status=422 if form.problems else 200,
    )


def _family(shop: Shop, form: Form) -> FamilyRecord | None:
    name = form.get("family").strip()
    found = families.find(shop, name) if name else None
    if name and found is None:
        form.problems.append(
            Problem("family", f"There is no family {name}.", "Choose one from the list, or leave it empty.")
        )
    return found


@router.get("/helpers/discharge")
def discharge(request: Request, shop: ShopHere) -> Response:
    """How long a capacitor takes to empty, and through what."""
    form = _typed(request, "family", "farads", "volts", "ohms", "to_v")
    family = _family(shop, form)
    if family is not None:
        if not form.get("farads").strip() and family.bulk_uf:
            form.plain["farads"] = f"{format_si_plain(family.bulk_uf)} µF"
        if not form.get("volts").strip() and family.bulk_v:
            form.plain["volts"] = f"{format_si_plain(family.bulk_v)} V"
    farads, volts = _number(form, "farads", "F", "µF"), _number(form, "volts", "V")
    ohms, to_v = _number(form, "ohms", "ohm"), _number(form, "to_v", "V")
    answer = None
    if farads is not None and volts is not None:
        target = calculators.TARGET_V if to_v is None else to_v
        answer = _computed(form, lambda: calculators.discharge(farads, volts, ohms, target))
    return _page(request, shop, "discharge", form, {"family": family, "answer": answer})


@router.get("/helpers/capacitor")
def capacitor(request: Request, shop: ShopHere) -> Response:
    """Capacitance and ESR against what is typical."""
    names = ("family", "rated_f", "rated_v", "measured_f", "measured_esr_ohm", "tolerance_pct", "hertz")
    form = _typed(request, *names)
    family = _family(shop, form)
    if family is not None and family.bulk_uf and not form.get("rated_f").strip():
        form.plain["rated_f"] = f"{format_si_plain(family.bulk_uf)} µF"
    rated_f, rated_v = _number(form, "rated_f", "F", "µF"), _number(form, "rated_v", "V")
    measured, esr = _number(form, "measured_f", "F", "µF"), _number(form, "measured_esr_ohm", "ohm")
    tolerance = form.parse("tolerance_pct", form.get("tolerance_pct"), parse_tolerance)
    hertz = _number(form, "hertz", "Hz")
    answer = None
    if rated_f is not None and rated_v is not None:
        answer = _computed(
            form,
            lambda: calculators.judge_capacitor(
                rated_f,
                rated_v,
                measured,
                esr,
                20.0 if tolerance is None else float(tolerance),
                hertz,
            ),
        )
    return _page(request, shop, "capacitor", form, {"family": family, "answer": answer})


@router.get("/helpers/divider")
def dividers(request: Request, shop: ShopHere) -> Response:
    """Dividers, droppers and resistors side by side in preferred values; one form is sent at a time."""
    form = _typed(
        request,
        "what",
        "in_v",
        "out_v",
        "amps",
        "top_ohm",
        "bottom_ohm",
        "load_ohm",
        "series",
        "ohms",
        "ref_v",
    )
    what = form.get("what")
    form.plain["series"] = form.get("series") or "E24"
    volts = {name: _number(form, name, "V") for name in ("in_v", "out_v", "ref_v")}
    ohms = {name: _number(form, name, "ohm") for name in ("top_ohm", "bottom_ohm", "load_ohm")}
    amps = _number(form, "amps", "A")
    answer = _answered(form, what, volts, ohms, amps)
    context = {"what": what, "answer": answer, "series": list(calculators.SERIES)}
    return _page(request, shop, "divider", form, context)


def _needed(form: Form, names: dict[str, float | None]) -> list[float]:
    """The values, none at all where one is missing (which is noted)."""
    missing = [name for name, value in names.items() if value is None]
    for name in missing:
        if name not in form.errors:
            form.problems.append(Problem(name, "A value is missing.", "Type it with its unit."))
    return [] if missing else [value for value in names.values() if value is not None]


def _answered(
    form: Form,
    what: str,
    volts: dict[str, float | None],
    ohms: dict[str, float | None],
    amps: float | None,
) -> Any:
    series = form.get("series")
    if what in ("choose", "dropper"):
        given = _needed(form, {"in_v": volts["in_v"], "out_v": volts["out_v"], "amps": amps})
        compute = calculators.choose_divider if what == "choose" else calculators.dropper
        return _computed(form, lambda: compute(given[0], given[1], given[2], series)) if given else None
    if what in ("divider", "reference"):
        source = "in_v" if what == "divider" else "ref_v"
        names = {source: volts[source], "top_ohm": ohms["top_ohm"], "bottom_ohm": ohms["bottom_ohm"]}
        given = _needed(form, names)
        if not given:
            return None
        if what == "reference":
            return _computed(form, lambda: calculators.shunt_reference_output(*given))
        return _computed(form, lambda: calculators.divider(given[0], given[1], given[2], ohms["load_ohm"]))
    if what == "parallel":
        found = [
            form.parse("ohms", part, lambda text: float(parse_quantity(text, "ohm", field="ohms")))
            for part in form.get("ohms").replace(";", " ").split()
        ]
        return _computed(form, lambda: calculators.in_parallel([one for one in found if one is not None]))
    return None


@router.get("/helpers/log")
def log_page(request: Request, shop: ShopHere) -> Response:
    """Where a meter's log is dropped or pasted."""
    form = _typed(request, "case", "family", "rail", "run", "step")
    form.plain |= {"supply": "running", "load": "test load"}
    _from_step(shop, form)
    if form.get("case"):
        form.plain["family"] = cases.stored(shop, form.get("case")).record.family
    return _log_page(request, shop, form, None)


def _from_step(shop: Shop, form: Form) -> None:
    """What the step of a bench test says of the reading. Raises NotFound, BadInput."""
    if not form.get("run"):
        return
    number = form.get("step")
    view = runs.view(shop, form.get("run"))
    step = view.step(int(number) if number.isascii() and number.isdigit() and len(number) < 5 else 0).step
    form.plain |= {
        "family": view.family.code,
        "case": view.run.case_uid or "",
        "rail": step.rail or "",
        "supply": step.supply,
        "load": step.load,
        "after": "yes" if view.run.after_repair else "",
        "title": f"{step.title}, {view.name}",
    }


def _log_page(
    request: Request,
    shop: Shop,
    form: Form,
    answer: calculators.LogRead | None,
    status: int = 200,
    log: Log | None = None,
) -> Response:
    family = families.find(shop, form.get("family")) if form.get("family").strip() else None
    context = {
        "nav": "bench",
        "form": form,
        "answer": answer,
        "drawn": _drawn(answer) if answer else None,
        "family": family,
        "families": families.offered(shop),
        "open": cases.listed(shop, "open", limit=12, offset=0)[1],
        "supply_states": words.values(words.SUPPLY_STATES),
        "loads": words.values(words.LOADS),
        "width": PICTURE_WIDTH,
        "height": PICTURE_HEIGHT,
        "log": log,
    }
    return render("bench/log.html", context, scope=request.scope, status=status)


def _drawn(answer: calculators.LogRead) -> str:
    """The log as the outline of an area from its least to its greatest volts in each column."""
    picture = answer.picture
    low, high = answer.picture_ends
    span = (high - low) or 1.0
    whole = picture.seconds[-1] or 1.0

    def place(second: float, volts: float) -> str:
        return f"{second / whole * PICTURE_WIDTH:.1f} {(1 - (volts - low) / span) * PICTURE_HEIGHT:.1f}"

    upper = [place(*pair) for pair in zip(picture.seconds, picture.high_v, strict=True)]
    lower = [place(*pair) for pair in zip(picture.seconds, picture.low_v, strict=True)]
    return "M" + "L".join([*upper, *reversed(lower)]) + "Z"


@router.post("/helpers/log")
async def read_log(request: Request, shop: ShopHere) -> Response:
    """Reads a log and keeps nothing of it."""
    most = shop.settings.max_upload_mb * 1_000_000
    async with request.form(max_part_size=most) as data:
        return await run_in_threadpool(_read_log, request, shop, data)


@router.post("/helpers/log/take")
def take_reading(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """What a log came to becomes a reading of a case, or the entry of a step."""
    form = _typed_log(data)
    try:
        _from_step(shop, form)
        return _taken(shop, form, str(data.get("take", "")))
    except BadInput as error:
        form.problems.append(Problem(error.field or "log", error.message, error.remedy or ""))
        return _log_page(request, shop, form, None, status=error.status)


def _log_answer(form: Form, text: str, family: FamilyRecord | None) -> calculators.LogRead:
    """What a log says on the rail of the form. Raises BadInput and ValidationError."""
    return calculators.read_meter_log(
        text,
        family,
        form.get("rail").strip(),
        form.get("supply"),
        form.get("load"),
        after_repair=bool(form.get("after")),
    )


def _typed_log(data: FormData) -> Form:
    return Form({name: str(data.get(name, ""))[:_LONGEST] for name in _LOG_FIELDS})


def _read_log(request: Request, shop: Shop, data: FormData) -> Response:
    form = _typed_log(data)
    try:
        _from_step(shop, form)
        form.plain["text"] = str(data.get("text", ""))
        text = _text_of_file(data) or form.get("text")
        if form.get("case"):
            form.plain["family"] = cases.stored(shop, form.get("case")).record.family
        family = _family(shop, form)
        if form.problems:
            return _log_page(request, shop, form, None, status=422)
        answer = _log_answer(form, text, family)
    except ValidationError as error:
        form.problems += problems(error)
        return _log_page(request, shop, form, None, status=422)
    except BadInput as error:
        form.problems.append(Problem(error.field or "log", error.message, error.remedy or ""))
        return _log_page(request, shop, form, None, status=error.status)
    # What was read need not travel back: a million rows would.
    form.plain["text"] = ""
    return _log_page(request, shop, form, answer)


def instrument_log(request: Request, shop: Shop, log: Log) -> Response:
    """The page of a log that an instrument wrote or writes, read in the same way as one that was sent."""
    form = Form({name: getattr(log.about, name, "") for name in _LOG_FIELDS} | {"title": log.about.title})
    answer = None
    if log.values:
        try:
            _from_step(shop, form)
            answer = _log_answer(form, shop.instruments.logs.text(log), _family(shop, form))
        except ValidationError as error:
            form.problems += problems(error)
        except (BadInput, NotFound) as error:
            form.problems.append(Problem(error.field or "log", error.message, error.remedy or ""))
    return _log_page(request, shop, form, answer, log=log)


def _text_of_file(data: FormData) -> str:
    """The text of the file that was sent, "" where none was. Raises BadInput for what is no text."""
    sent = data.get("file")
    if not isinstance(sent, UploadFile) or not sent.filename:
        return ""
    raw = sent.file.read()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if b"\0" in raw:
            raise BadInput(
                "This file is no text.",
                field="log",
                remedy="Save the log as text or CSV in the meter's program.",
            ) from error
        # Meters' programs write the degree sign and µ in the Windows code page.
        return raw.decode("cp1252", errors="replace")


def _taken(shop: Shop, form: Form, kept: str) -> Response:
    try:
        reading = Reading.model_validate_json(kept)
    except ValidationError as error:
        raise BadInput("The reading was damaged on its way.", remedy="Read the log again.") from error
    if form.get("run"):
        return _entered(shop, form, reading)
    if not form.get("case"):
        raise BadInput("No case was chosen.", field="case", remedy="Choose the case the reading belongs to.")
    calculators.keep_log(shop, form.get("case"), reading)
    return see_other(f"/cases/{form.get('case')}?saved=changed")


def _entered(shop: Shop, form: Form, reading: Reading) -> Response:
    """The log as the entry of a step, under the load that was planned for its rail."""
    number = int(form.get("step"))
    view = runs.view(shop, form.get("run"))
    planned = view.run.loads.get(reading.rail or "")
    value, low, high = (
        "" if one is None else f"{format_si_plain(one)} V"
        for one in (reading.value, reading.min, reading.max)
    )
    load = f"{format_si_plain(planned['amps'])} A" if planned else ""
    typed = Typed(
        value,
        low,
        high,
        load,
        held=form.get("held")[:20],
        drift=form.get("drift")[:20],
        connected=str(planned["what"]) if planned and view.step(number).step.takes_load else "",
    )
    runs.enter(shop, form.get("run"), number, typed, sure=True)
    return see_other(f"/bench/{form.get('run')}/steps/{number}")
