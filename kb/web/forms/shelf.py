"""The form of a part on the shelf: from a record to what is typed, and back."""

from __future__ import annotations

import json
import re
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData

from kb.errors import BadInput
from kb.facts.quantities import format_quantity, is_quantity
from kb.facts.values import format_si_plain, parse_money, parse_quantity, parse_tolerance
from kb.model import Problem, ShelfPartRecord, as_dict, problems
from kb.web.forms.fields import Form, top_field

_TEXTS = ("name", "part_class", "kind", "type_number", "package", "place", "notes")
_RATINGS = {"max_v": "V", "max_a": "A", "max_w": "W", "max_c": "degC"}
_UNITS = ("ohm", "F", "H", "V", "A", "Hz", "W")
_VALUE_REMEDY = "Type it with its unit, such as 1000 µF, 4.7 kΩ, 3.15 A or 15 V."
_BARE = re.compile(r"[0-9]+(?:[.,][0-9]+)?")


def form_of(record: ShelfPartRecord) -> Form:
    """The filled form of a part."""
    plain = {name: str(getattr(record, name)) for name in _TEXTS}
    plain["value"] = "" if record.value is None or not record.unit else _shown(record.value, record.unit)
    plain["tolerance_pct"] = "" if record.tolerance_pct is None else format_si_plain(record.tolerance_pct)
    for name, unit in _RATINGS.items():
        value = getattr(record, name)
        plain[name] = "" if value is None else f"{format_si_plain(value)} {unit.replace('degC', '°C')}"
    plain["esr_ohm"] = "" if record.esr_ohm is None else _shown(record.esr_ohm, "ohm")
    plain["count"] = str(record.count)
    plain["least"] = "" if record.least is None else str(record.least)
    plain["price"] = "" if record.price is None else f"{record.price:.2f}"
    plain["used_at"] = "\n".join(f"{one.family}: {one.part}" for one in record.used_at)
    # What it may stand in for is noted by a press of its own and travels along.
    plain["kept"] = json.dumps(as_dict(record).get("instead_of", []), ensure_ascii=False)
    return Form(plain)


def _shown(value: float, unit: str) -> str:
    """A value so that it reads back as what it was."""
    for digits in range(3, 13):
        text = format_quantity(value, unit, digits)
        if float(parse_quantity(text, unit)) == value:
            return text
    return f"{format_si_plain(value)} {unit}"


def read_shelf_form(data: FormData) -> Form:
    """What was typed into the form of a part."""
    return Form({name: str(value) for name, value in data.items() if isinstance(value, str)})


def record_of(form: Form) -> ShelfPartRecord | None:
    """The part that was typed, None where something cannot be used (see `form.problems`)."""
    data: dict[str, Any] = {name: form.get(name) for name in _TEXTS}
    found = form.parse("value", form.get("value"), lambda text: _value(text, form.get("part_class")))
    data["value"], data["unit"] = found or (None, "")
    tolerance = form.parse("tolerance_pct", form.get("tolerance_pct"), parse_tolerance)
    data["tolerance_pct"] = None if tolerance is None else float(tolerance)
    for name, unit in _RATINGS.items():
        data[name] = _quantity(form, name, unit)
    data["esr_ohm"] = form.parse("esr_ohm", form.get("esr_ohm"), _esr)
    data["count"] = _count(form, "count") or 0
    data["least"] = _count(form, "least")
    money = form.parse("price", form.get("price"), lambda text: parse_money(text, field="price"))
    data["price"] = None if money is None else money / 100
    data["used_at"] = _places(form)
    data["instead_of"] = _kept(form.get("kept"))
    if form.problems:
        return None
    try:
        return ShelfPartRecord.model_validate(data)
    except ValidationError as error:
        form.problems += [top_field(problem) for problem in problems(error)]
        return None


def _value(text: str, part_class: str) -> tuple[float, str]:
    """The value and its unit: the one that is typed; a marking such as 4k7 is ohms."""
    typed = text.strip()
    units = [unit for unit in _UNITS if is_quantity(typed, unit)]
    if "resistor" in part_class.casefold() and "ohm" in units:
        return float(parse_quantity(typed, "ohm")), "ohm"
    if _BARE.fullmatch(typed) or not units:
        raise BadInput(
            f"“{typed[:30]}” does not say in which unit." if units else f"“{typed[:30]}” is no value.",
            field="value",
            remedy=_VALUE_REMEDY,
        )
    if len(units) > 1:
        raise BadInput(f"“{typed[:30]}” can be read in two ways.", field="value", remedy=_VALUE_REMEDY)
    return float(parse_quantity(typed, units[0])), units[0]


def _quantity(form: Form, name: str, unit: str) -> float | None:
    found = form.parse(name, form.get(name), lambda text: parse_quantity(text, unit, field=name))
    return None if found is None else float(found)


def _esr(text: str) -> float:
    if _BARE.fullmatch(text.strip()):
        raise BadInput(
            f"“{text.strip()[:20]}” does not say whether ohms or milliohms.",
            field="esr_ohm",
            remedy="Type it with its unit, such as 30 mΩ or 0.03 Ω.",
        )
    return float(parse_quantity(text, "ohm", field="esr_ohm"))


def _count(form: Form, name: str) -> int | None:
    typed = form.get(name).strip()
    if not typed:
        return None
    if not (typed.isascii() and typed.isdigit() and len(typed) <= 7):
        form.problems.append(
            Problem(name, f"“{typed[:20]}” is no count.", "Count them and type a whole number from 0 on.")
        )
        return None
    return int(typed)


def _places(form: Form) -> list[dict[str, str]]:
    """Board family and designator, one place a line; several designators may share a line."""
    places = []
    for line in form.get("used_at").splitlines():
        family, colon, rest = line.partition(":")
        if not colon:
            family, _, rest = line.strip().partition(" ")
        parts = [part for part in re.split(r"[,;\s]+", rest) if part]
        if not line.strip():
            continue
        if not family.strip() or not parts:
            form.problems.append(
                Problem(
                    "used_at",
                    f"“{line.strip()[:40]}” does not name a board family and a place on it.",
                    "Write one a line, such as HX-210: C9 or HX-210: C9, C10.",
                )
            )
            continue
        places += [{"family": family.strip(), "part": part} for part in parts]
    return places


def _kept(text: str) -> Any:
    try:
        return json.loads(text) if text else []
    except (ValueError, RecursionError):
        return []
