"""Turns what the validator found into sentences that name the field and the remedy."""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from kb.errors import BadInput


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a record: `field` is a dotted path such as `readings.0.value`."""

    field: str
    message: str
    remedy: str


_LONGEST_NAME = 80
_REMEDIES = {
    "control": "Remove the invisible characters, often left over from copying.",
    "one_line": "Put it on one line; longer text belongs in the notes.",
    "too_many_fields": "Send the fields of its record and no others.",
    "empty": "Fill it in or leave the entry out.",
    "uid": "Use 1 to 64 letters, digits, dots, hyphens or underscores.",
    "iso_date": "Write it as 2026-03-02.",
    "too_early": "Check the year.",
    "cents": "Give at most two decimals.",
    "zero": "Give the rail's nominal voltage as printed on the board.",
    "twice": "Keep one of them.",
    "code": "Give the number printed on the board.",
    "where": "Name the rail, or the test point if it is not a rail.",
    "no_value": "Give a value, or the minimum and maximum the meter recorded.",
    "min_max": "Swap minimum and maximum.",
    "closed_before": "Check both dates.",
    "no_verdict": "Choose a verdict, or leave the closing date empty while the case is open.",
    "waits_for_nothing": "Say what it waits for, or leave the date empty.",
    "too_soon": "Check the date of the follow-up.",
    "no_ohm": "Give its resistance in ohms.",
    "no_points": "Give at least one measured pair of volts and amperes.",
    "no_max_a": "Give its largest current in amperes.",
    "mark_needs": "Give it, or choose another kind of mark.",
    "mark_has_not": "Leave it out, or choose the other kind of mark.",
    "mark_point": "Let the arrow end somewhere else.",
    "few_corners": "Set a corner more, or leave the outline out.",
    "pin_has_not": "Leave it out, or say that it is of the other kind.",
    "no_label": "Give the designator or name as printed on the board.",
    "no_place": "Give the place as fractions of the picture's width and height.",
    "semicolon": "Write it without one.",
    "sha256": "Give the 64 digits and letters a to f of the picture's SHA-256.",
    "base64": "Give the picture's bytes in base64, or leave them out.",
    "corners": "Give upper left, upper right, lower right and lower left corner in this order.",
    "straight": "Give four corners and the width and height it is shown with, or none of them.",
    "replaced": "Name another picture, or leave it empty.",
    "points": "Give each point as volts and amperes, both above 0.",
    "tip_name": "Name the rail, part, test point or step; a tip about the whole board is shown at the board.",
    "both": "Leave out the number, or do not call it open.",
    "one_price": "Give one of the two and leave the other empty.",
    "both_answers": "Keep the one that holds.",
    "before_quote": "Check both days.",
    "half_a_value": "Give both, or leave both out.",
}


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _described(kind: str, context: Mapping[str, Any], message: str) -> tuple[str, str]:
    """(what is wrong, what to do) for one of pydantic's error types."""
    if kind in _REMEDIES:
        return message, _REMEDIES[kind]
    if kind == "not_in_list":
        return "is not in the list", "Use one of: " + ", ".join(context["allowed"]) + "."
    if kind == "string_pattern_mismatch":
        return "is not the id of a shop", "Give the 32 digits and letters a to f of its origin line."
    if kind == "json_invalid":
        return "is not valid JSON", "Send one JSON object."
    if kind == "missing":
        return "is missing", "Add it."
    if kind == "extra_forbidden":
        return "is not a field of this record", "Remove it or check its spelling."
    if kind == "literal_error":
        return "is not one of the allowed values", f"Use one of: {context['expected']}."
    if kind == "string_too_long":
        limit = context["max_length"]
        return f"is longer than {limit} characters", f"Shorten it to {limit} characters."
    if kind in ("too_long", "too_short"):
        limit = context.get("max_length", context.get("min_length"))
        return f"has the wrong number of entries (limit {limit})", "Remove or add entries."
    if kind in ("greater_than_equal", "greater_than", "less_than_equal", "less_than"):
        bound = _number(context.get("ge", context.get("gt", context.get("le", context.get("lt")))))
        side = {"greater_than_equal": "below", "greater_than": "not above", "less_than_equal": "above"}
        return f"is {side.get(kind, 'not below')} {bound}", "Check the value and its unit."
    if kind == "finite_number":
        return "is not a finite number", "Give a measured value; leave it out if there is none."
    for prefix, noun in (
        ("string", "text"),
        ("float", "a number in SI base units, without quotes"),
        ("int", "a whole number"),
        ("bool", "true or false"),
        ("list", "a list"),
        ("dict", "an object"),
        ("model", "an object"),
    ):
        if kind.startswith(prefix):
            return f"is not {noun}", f"Give {noun}."
    return "cannot be used", "Check it against the schema of the record."


def printable(name: str) -> str:
    """A field name that a stranger made up, short and fit for any file or answer."""
    return name[:_LONGEST_NAME].encode(errors="replace").decode()


def problems(error: ValidationError) -> list[Problem]:
    """Every problem of a record, in the order of its fields."""
    return _problems(error.errors(include_url=False, include_input=False))


def _problems(entries: Sequence[Mapping[str, Any]]) -> list[Problem]:
    found = []
    for entry in entries:
        path = [printable(str(part)) for part in entry["loc"]]
        context = entry.get("ctx") or {}
        if "field" in context:
            path.append(str(context["field"]))
        field = ".".join(path) or "record"
        what, remedy = _described(entry["type"], context, entry["msg"])
        found.append(Problem(field, f"{readable(field)} {what}.", remedy))
    return found


def readable(field: str) -> str:
    """`readings.0.value` as a person says it: "Value of reading 1"."""
    parts = field.split(".")
    spoken = parts[-1].replace("_", " ")
    owners = [
        f"{_singular(name)} {int(index) + 1}" for name, index in itertools.pairwise(parts) if index.isdigit()
    ]
    if parts[-1].isdigit() and owners:
        spoken = owners.pop()
    text = " of ".join([spoken, *reversed(owners)])
    return text[:1].upper() + text[1:]


def _singular(name: str) -> str:
    return {"aliases": "other number", "follow_ups": "follow-up"}.get(name, name.removesuffix("s"))


def _more(count: int) -> str:
    return "is 1 more problem" if count == 1 else f"are {count} more problems"


def by_field(found: Iterable[Problem]) -> dict[str, Problem]:
    """The first problem of each field."""
    first: dict[str, Problem] = {}
    for problem in found:
        first.setdefault(problem.field, problem)
    return first


def explain(error: ValidationError) -> BadInput:
    """The first problem as the one error that is shown, saying how many more there are."""
    return explain_entries(error.errors(include_url=False, include_input=False))


def explain_entries(entries: Sequence[Mapping[str, Any]]) -> BadInput:
    """The same for a validator's list of errors, whichever library raised it."""
    (first,), more = _problems(entries[:1]), len(entries) - 1
    message = first.message if not more else f"{first.message} There {_more(more)}."
    return BadInput(message, field=first.field, remedy=first.remedy)
