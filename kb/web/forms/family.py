"""The form of a board family: from a record to what is typed, and back."""

from __future__ import annotations

import json
import re
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData

from kb.facts.values import format_si_plain, parse_quantity, parse_tolerance
from kb.model import FamilyRecord, Problem, as_dict, problems
from kb.web.forms.fields import Form, Row, read_form

LISTS = {
    "rails": (
        "name",
        "nominal_v",
        "tolerance_pct",
        "rated_a",
        "ripple_mv",
        "connector",
        "pins",
        "ground_pins",
    ),
    "connectors": ("name", "pins"),
}
_BARE = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
# What is believable, in SI units: beyond it a unit was forgotten or mistaken (common practice).
_BELIEVABLE = {
    "mains_v": (6.0, 700.0),
    "bulk_v": (10.0, 1500.0),
    "bulk_uf": (0.1e-6, 0.1),
    "ripple_mv": (0.5e-3, 5.0),
    "rated_a": (1e-3, 500.0),
}
_EXAMPLE = {
    "mains_v": "230 V",
    "bulk_v": "385 V",
    "bulk_uf": "120 µF",
    "ripple_mv": "50 mV",
    "rated_a": "1.5 A",
}
_SAID = {"V": "V", "A": "A", "F": "F", "ohm": "Ω"}
_ISOLATED = {None: "", True: "yes", False: "no"}
_QUANTITIES = {"mains_v": "V", "bulk_v": "V", "bulk_uf": "F"}


# What has pages of its own travels along, so that saving this form neither loses it nor takes part in a conflict.
_ELSEWHERE = ("tips", "revisions", "used_in", "documents", "pin_values")


def isolated_of(form: Form, text: str) -> bool | None:
    """Whether the outputs are isolated, as chosen; None where nobody knows."""
    for value, word in _ISOLATED.items():
        if text.strip() == word:
            return value
    form.problems.append(
        Problem(
            "isolated",
            f"“{text[:20]}” does not say whether the outputs are isolated.",
            "Choose one of the three.",
        )
    )
    return None


def _typed(value: float | None) -> str:
    return "" if value is None else format_si_plain(value)


def form_of(record: FamilyRecord) -> Form:
    """The filled form of a family."""
    enable = record.enable
    form = Form(
        {
            "code": record.code,
            "kind": record.kind,
            "aliases": "\n".join(record.aliases),
            "mains_v": _typed(record.mains_v),
            "bulk_v": _typed(record.bulk_v),
            "bulk_uf": "" if record.bulk_uf is None else f"{_typed(record.bulk_uf)} µF",
            "fuse": record.fuse,
            "isolated": _ISOLATED[record.isolated],
            "switch": record.switch,
            "notes": record.notes,
            "enable_connector": enable.connector if enable else "",
            "enable_pin": str(enable.pin or "") if enable else "",
            "enable_from_rail": enable.from_rail if enable else "",
            "enable_active": enable.active if enable else "high",
            "enable_resistor_ohm": _typed(enable.resistor_ohm) if enable else "",
            "kept": json.dumps(
                {name: value for name, value in as_dict(record).items() if name in _ELSEWHERE},
                ensure_ascii=False,
            ),
        }
    )
    form.rows = {
        "rails": [
            {
                "name": rail.name,
                "role": rail.role,
                "nominal_v": _typed(rail.nominal_v),
                "tolerance_pct": _typed(rail.tolerance_pct),
                "rated_a": _typed(rail.rated_a),
                "ripple_mv": "" if rail.ripple_mv is None else f"{_typed(rail.ripple_mv)} mV",
                "always_on": "yes" if rail.always_on else "",
                "connector": rail.connector,
                "pins": ", ".join(map(str, rail.pins)),
                "ground_pins": ", ".join(map(str, rail.ground_pins)),
            }
            for rail in record.rails
        ],
        "connectors": [
            {"name": entry.name, "pins": str(entry.pins), "rows": str(entry.rows)}
            for entry in record.connectors
        ],
    }
    return form


def read_family_form(data: FormData) -> Form:
    """What was typed into the family form."""
    return read_form(data, LISTS)


def record_of(form: Form) -> FamilyRecord | None:
    """The family that was typed, None where something cannot be used (see `form.problems`)."""
    data: dict[str, Any] = {name: form.get(name) for name in ("code", "kind", "fuse", "switch", "notes")}
    data["isolated"] = isolated_of(form, form.get("isolated"))
    data["aliases"] = [line.strip() for line in re.split(r"[\n;]", form.get("aliases")) if line.strip()]
    for name, unit in _QUANTITIES.items():
        usual = "µF" if name == "bulk_uf" else unit
        data[name] = in_usual_unit(form, name, form.get(name), unit, usual)
    if data["bulk_uf"] is not None:
        data["bulk_uf"] = round(data["bulk_uf"] * 1e6, 6)
    data["rails"] = [_rail(form, number, row) for number, row in enumerate(form.list("rails"))]
    data["connectors"] = [
        {
            "name": row.get("name", ""),
            "pins": _whole(form, f"connectors.{number}.pins", row.get("pins", "")),
            "rows": _whole(form, f"connectors.{number}.rows", row.get("rows", "") or "1"),
        }
        for number, row in enumerate(form.list("connectors"))
    ]
    data["enable"] = _enable(form)
    data |= _kept(form.get("kept"))
    if form.problems:
        return None
    try:
        return FamilyRecord.model_validate(data)
    except ValidationError as error:
        form.problems += [in_form(problem) for problem in problems(error)]
        return None


def _kept(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text) if text else {}
    except (ValueError, RecursionError):
        return {}
    return {name: found[name] for name in _ELSEWHERE if name in found} if isinstance(found, dict) else {}


def in_form(problem: Problem) -> Problem:
    """A problem of the record under the name that its field has in the form."""
    parts = problem.field.split(".")
    name = "" if parts[0] in _ELSEWHERE else problem.field
    if parts[0] == "enable" and len(parts) == 2:
        name = f"enable_{parts[1]}"
    elif parts[0] == "aliases":
        name = "aliases"
    elif parts[0] == "rails" and len(parts) == 4:
        name = ".".join(parts[:3])
    return Problem(name, problem.message, problem.remedy)


def _quantity(form: Form, name: str, text: str, unit: str) -> float | None:
    found = form.parse(name, text, lambda typed: parse_quantity(typed, unit, field=name.rpartition(".")[2]))
    return None if found is None else float(found)


def in_usual_unit(form: Form, name: str, text: str, unit: str, usual: str) -> float | None:
    """A value in its SI unit; a bare number is in the field's usual unit, which the field says.

    A bare number that would then be absurd is asked about with a problem at the field, never stored.
    """
    typed = text.strip()
    if not _BARE.fullmatch(typed) or usual == unit:
        found = _quantity(form, name, typed, unit)
    else:
        found = _quantity(form, name, f"{typed} {usual}", unit)
    low, high = _BELIEVABLE.get(name.rpartition(".")[2], (0.0, float("inf")))
    if found is not None and found != 0 and not low <= abs(found) <= high:
        form.problems.append(
            Problem(
                name,
                f"{format_si_plain(found)} {_SAID[unit]} is hardly meant here.",
                f"Type it with its unit, such as {_EXAMPLE[name.rpartition('.')[2]]}.",
            )
        )
        return None
    return found


def _whole(form: Form, name: str, text: str) -> int | None:
    typed = text.strip()
    if not typed:
        return None
    if not (typed.isascii() and typed.isdigit() and len(typed) <= 6):
        form.problems.append(
            Problem(name, f'"{typed[:20]}" is not a whole number.', "Count and type a number.")
        )
        return None
    return int(typed)


def _pins(form: Form, name: str, text: str) -> list[int]:
    """Pins as typed: "4, 5", "1-5" or "1 to 3; 7". A problem is noted for what is none."""
    found: list[int] = []
    spread = re.sub(r"(?<!\s)\s*(?:-|–|\bto\b)\s*", "-", text)
    for part in re.split(r"[,;\s]+", spread):
        first, dash, last = part.partition("-")
        ends = [_whole(form, name, end) for end in (first, last if dash else first) if end]
        if len(ends) == 1 + bool(dash) or (ends and not dash):
            low, high = ends[0], ends[-1]
            if low is not None and high is not None:
                if low > high or high - low >= 100:
                    form.problems.append(
                        Problem(
                            name,
                            f"“{part[:20]}” is no run of pins.",
                            "Type the lower number first, such as 1-5.",
                        )
                    )
                else:
                    found += range(low, high + 1)
        elif part:
            form.problems.append(Problem(name, f"“{part[:20]}” is no pin.", "Type pins such as 4, 5 or 1-5."))
    return found


def _rail(form: Form, number: int, row: Row) -> dict[str, Any]:
    name = f"rails.{number}"
    ripple_v = in_usual_unit(form, f"{name}.ripple_mv", row.get("ripple_mv", ""), "V", "mV")
    tolerance = form.parse(f"{name}.tolerance_pct", row.get("tolerance_pct", ""), parse_tolerance)
    return {
        "name": row.get("name", ""),
        "role": row.get("role") or "other",
        "nominal_v": _quantity(form, f"{name}.nominal_v", row.get("nominal_v", ""), "V"),
        "tolerance_pct": None if tolerance is None else float(tolerance),
        "rated_a": in_usual_unit(form, f"{name}.rated_a", row.get("rated_a", ""), "A", "A"),
        "ripple_mv": None if ripple_v is None else round(ripple_v * 1e3, 6),
        "always_on": bool(row.get("always_on")),
        "connector": row.get("connector", ""),
        "pins": _pins(form, f"{name}.pins", row.get("pins", "")),
        "ground_pins": _pins(form, f"{name}.ground_pins", row.get("ground_pins", "")),
    }


def _enable(form: Form) -> dict[str, Any] | None:
    telling = ("enable_connector", "enable_pin", "enable_from_rail", "enable_resistor_ohm")
    if not any(form.get(name).strip() for name in telling):
        return None
    return {
        "connector": form.get("enable_connector"),
        "pin": _whole(form, "enable_pin", form.get("enable_pin")),
        "from_rail": form.get("enable_from_rail"),
        "active": form.get("enable_active") or "high",
        "resistor_ohm": _quantity(form, "enable_resistor_ohm", form.get("enable_resistor_ohm"), "ohm"),
    }
