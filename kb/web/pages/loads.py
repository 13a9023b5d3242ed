"""The bench's own loads: the shelf, one load, and what to connect to which rail."""

from __future__ import annotations

import re
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import Response

from kb.errors import BadInput
from kb.facts.cautions import cautions_for
from kb.facts.values import format_si_plain, parse_quantity, parse_tolerance
from kb.model import FamilyRecord, LoadRecord, Problem, problems
from kb.service import Shop
from kb.service.bench import loads, runs
from kb.service.bench.runs import RunView
from kb.service.boards import families, vocabulary
from kb.web.dependencies import FilterText, FormHere, ShopHere
from kb.web.forms.edit import Edit, save_edited
from kb.web.forms.fields import Form, top_field
from kb.web.rendering import render, see_other

router = APIRouter()
KINDS = (("resistor", "fixed resistor"), ("lamp", "lamp filament"), ("electronic", "electronic load"))
_QUANTITIES = {"ohm": "ohm", "max_v": "V", "max_a": "A"}
_MOST_TARGETS = 24


@router.get("/loads")
def shelf(request: Request, shop: ShopHere, name: FilterText = "", saved: str = "") -> Response:
    """What is on the shelf, and a form for one load: a new one, or the one named."""
    form = Form({"kind": "lamp", "count": "1"})
    if name:
        form = _form_on(loads.find(shop, name), vocabulary.version(shop, "load", name))
    return _shelf_page(request, shop, form, saved=saved, editing=bool(name))


def _shelf_page(
    request: Request, shop: Shop, form: Form, *, saved: str = "", editing: bool = False, status: int = 200
) -> Response:
    context = {
        "nav": "bench",
        "shelf": loads.shelf(shop),
        "form": form,
        "kinds": KINDS,
        "saved": saved,
        "editing": editing,
    }
    return render("loads/shelf.html", context, scope=request.scope, status=status)


def _form_on(record: LoadRecord, version: int) -> Form:
    form = _form_of(record)
    form.plain["version"] = str(version)
    return form


def _form_of(record: LoadRecord) -> Form:
    def typed(value: float | None, unit: str = "") -> str:
        return "" if value is None else f"{format_si_plain(value)}{unit}"

    return Form(
        {
            "name": record.name,
            "kind": record.kind,
            "count": str(record.count),
            "points": "\n".join(
                f"{format_si_plain(volts)} V {format_si_plain(amps)} A" for volts, amps in record.points
            ),
            "ohm": typed(record.ohm, " Ω"),
            "tolerance_pct": typed(record.tolerance_pct),
            "max_w": typed(record.max_w),
            "max_v": typed(record.max_v, " V"),
            "max_a": typed(record.max_a, " A"),
            "base": record.base,
        }
    )


@router.post("/loads")
def save_load(request: Request, shop: ShopHere, data: FormHere) -> Response:
    """Adds or changes a load, or takes it off the shelf."""
    form = Form({name: str(value) for name, value in data.items() if isinstance(value, str)})
    if form.get("remove"):
        loads.remove(shop, form.get("remove"))
        return see_other("/loads?saved=removed")
    record = _record_of(form)

    def save(record: LoadRecord, version: int) -> str:
        return loads.save(shop, record, expected_version=version)

    def show(form: Form, status: int) -> Response:
        editing = status == 200 or bool(form.get("editing"))
        return _shelf_page(request, shop, form, editing=editing, status=status)

    edit = Edit(
        "load",
        record.name if record else None,
        save,
        show=show,
        opened_on=_form_on,
        in_form=top_field,
        action="/loads",
        back="/loads?" + urlencode({"name": record.name if record else ""}),
        nav="bench",
    )
    saved = save_edited(request, shop, edit, record, form)
    return saved if isinstance(saved, Response) else see_other("/loads?saved=yes")


def _record_of(form: Form) -> LoadRecord | None:
    count = form.get("count").strip() or "1"
    if not (count.isascii() and count.isdigit() and len(count) <= 4):
        form.problems.append(
            Problem("count", f"“{count[:20]}” is no count.", "Count them and type a number.")
        )
        count = "1"
    found: dict[str, Any] = {name: _value(form, name, unit) for name, unit in _QUANTITIES.items()}
    found["max_w"] = form.parse("max_w", form.get("max_w"), _watts)
    tolerance = form.parse("tolerance_pct", form.get("tolerance_pct"), parse_tolerance)
    found["tolerance_pct"] = None if tolerance is None else float(tolerance)
    found["points"] = _points(form)
    if form.problems:
        return None
    try:
        return LoadRecord.model_validate(
            {
                "name": form.get("name"),
                "kind": form.get("kind"),
                "count": int(count),
                "base": form.get("base"),
                **found,
            }
        )
    except ValidationError as error:
        form.problems += [top_field(problem) for problem in problems(error)]
        return None


def _value(form: Form, name: str, unit: str) -> float | None:
    found = form.parse(name, form.get(name), lambda text: parse_quantity(text, unit, field=name))
    return None if found is None else float(found)


def _watts(text: str) -> float:
    found = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(?:[wW](?:atts?)?\s*)?", text)
    if found is None:
        raise BadInput(
            f"“{text.strip()[:20]}” is no power.", field="max_w", remedy="Type watts, such as 25 W."
        )
    return float(found[1].replace(",", "."))


def _points(form: Form) -> list[list[float]]:
    """Measured points, one a line: `12 V 1.75 A`, `12 1.75`, `12; 1,75`."""
    points = []
    for line in form.get("points").splitlines():
        if not line.strip():
            continue
        parts = [
            part for part in re.split(r"[;/\t]|,(?=\s)|(?<=[0-9VvAa])\s+(?=[0-9])", line) if part.strip()
        ]
        try:
            if len(parts) != 2:
                raise BadInput(
                    f"“{line.strip()[:40]}” is not one voltage and one current.",
                    field="points",
                    remedy="Write one pair a line, such as 12 V 1.75 A.",
                )
            volts, amps = (float(parse_quantity(part, unit)) for part, unit in zip(parts, "VA", strict=True))
            points.append([volts, amps])
        except BadInput as error:
            form.problems.append(Problem("points", error.message, error.remedy or ""))
    return points


@router.get("/loads/plan")
def plan_page(
    request: Request,
    shop: ShopHere,
    family: FilterText = "",
    share: Annotated[float, Query(gt=0, le=110)] = 50.0,
    label: Annotated[str, Query(max_length=40)] = "",
    run: FilterText = "",
    case: FilterText = "",
) -> Response:
    """What to connect to one rail or to all; every plan has its address.

    `run` names a bench test under way, whose loads are planned again; `case` the case that a test is to begin for.
    """
    form = Form({"family": family, "share": f"{share:g}", "label": label, "run": run, "case": case})
    form.plain |= {name: request.query_params.get(name, "")[:200] for name in ("first", "without")}
    test = runs.view(shop, run) if run else None
    if test is not None:
        form.plain["family"] = family = test.family.code
    record = families.find(shop, family) if family.strip() else None
    if family.strip() and record is None:
        form.problems.append(
            Problem("family", f"There is no family {family}.", "Choose one from the list, or leave it empty.")
        )
    rows = _rows(request, record, share / 100, test)
    targets = []
    for number, row in enumerate(rows):
        found = _target(form, number, row, record)
        if found is not None:
            targets.append(found)
    answer = None
    label_w = form.parse("label", label, _watts)
    if targets and not form.problems:
        try:
            answer = loads.plan(shop, targets, label_w=label_w, wishes=_wishes(request))
        except BadInput as error:
            field = _pinned_row(rows, error.message) if error.field == "pinned" else error.field or ""
            form.problems.append(Problem(field, error.message, error.remedy or ""))
    context = {
        "nav": "bench",
        "form": form,
        "test": test,
        "planned": loads.as_typed(shop, answer.plans) if answer else [],
        "family": record,
        "families": families.offered(shop),
        "rows": rows,
        "answer": answer,
        "spoken": loads.spoken,
        "shelf_names": [line.record.name for line in loads.shelf(shop)],
        "cautions": cautions_for("load"),
        "derating": loads.DERATING,
    }
    return render("loads/plan.html", context, scope=request.scope, status=422 if form.problems else 200)


def _pinned_row(rows: list[dict[str, str]], message: str) -> str:
    """The field of the row whose pinned load a message names."""
    named = (
        number
        for number, row in enumerate(rows)
        for name in row["pinned"].split(";")
        if name.strip() and name.strip().casefold() in message.casefold()
    )
    return f"pinned.{next(named, 0)}"


def _wishes(request: Request) -> loads.Wishes | None:
    """Which rail matters most, what is pinned to which rail and what stays on the shelf; None where nothing is said."""
    query = request.query_params
    pinned = {
        rail.strip(): frozenset(name.strip() for name in names.split(";") if name.strip())
        for rail, names in zip(query.getlist("rail"), query.getlist("pinned"), strict=False)
        if names.strip()
    }
    without = frozenset(name.strip() for name in query.get("without", "").split(";") if name.strip())
    first = query.get("first", "").strip()
    if not (pinned or without or first):
        return None
    return loads.Wishes((first,) if first else (), pinned, without)


def _rows(
    request: Request, record: FamilyRecord | None, share: float, test: RunView | None = None
) -> list[dict[str, str]]:
    """The targets typed in the address, or else the loads of the test, or every rail at a share of its rating."""
    query = request.query_params
    names, volts, amps, pinned = (
        query.getlist(name)[:_MOST_TARGETS] for name in ("rail", "volts", "amps", "pinned")
    )
    if names or volts:
        longest = max(len(names), len(volts))
        return [
            {"rail": name, "volts": volt, "amps": amp, "pinned": pin}
            for name, volt, amp, pin in zip(
                names or [""] * longest,
                volts or [""] * longest,
                amps,
                [*pinned, *[""] * longest],
                strict=False,
            )
        ]
    if test is not None and "share" not in query:
        return [
            {
                "rail": one.rail,
                "volts": f"{one.volts:g} V",
                "amps": f"{test.run.loads[one.rail]['amps']:.3g} A" if one.rail in test.run.loads else "",
                "pinned": "",
            }
            for one in loads.outputs(test.family)
        ]
    rows = [
        {"rail": one.rail, "volts": f"{one.volts:g} V", "amps": f"{one.amps:.3g} A", "pinned": ""}
        for one in (loads.family_targets(record, share) if record else ())
    ]
    return rows or [{"rail": "", "volts": "", "amps": "", "pinned": ""}]


def _target(
    form: Form, number: int, row: dict[str, str], record: FamilyRecord | None
) -> loads.RailTarget | None:
    if not row["amps"].strip():
        return None
    amps = form.parse(f"amps.{number}", row["amps"], lambda text: float(parse_quantity(text, "A")))
    volts = form.parse(f"volts.{number}", row["volts"], lambda text: float(parse_quantity(text, "V")))
    if amps is None or (row["volts"].strip() and volts is None):
        return None
    try:
        return loads.target(record, row["rail"].strip() or None, volts, amps)
    except BadInput as error:
        form.problems.append(Problem(f"rail.{number}", error.message, error.remedy or ""))
        return None
