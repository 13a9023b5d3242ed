"""Fields and entries of records in the words of a technician."""

from __future__ import annotations

from typing import Any

from kb.facts.spoken_readings import spoken_reading
from kb.model.base import Record
from kb.model.pictures import PictureRecord, Pin
from kb.model.records import RECORDS

_ENTRIES = {
    "symptoms": "Symptom",
    "readings": "Reading",
    "attempts": "Attempt",
    "follow_ups": "Follow-up",
    "rails": "Rail",
    "connectors": "Connector",
    "points": "Measured point",
    "aliases": "Other number",
    "synonyms": "Other word",
    "letters": "Designator letter",
    "pins": "Pin",
    "ground_pins": "ground pin",
    "tips": "Tip",
    "revisions": "Revision",
    "used_in": "Set",
    "documents": "Document",
    "pin_values": "Pin of a good board",
    "used_at": "Place on a board",
    "instead_of": "Stand-in",
}
_UNITS = {"_v": "V", "_a": "A", "_w": "W", "_c": "°C", "ohm": "Ω"}
# What an empty field says; anything else that is empty is a dash.
_EMPTY = {"verdict": "on the bench", "result": "not known yet", "action": "replace"}
# What goes without saying in the exchange format, so that a missing field has a value all the same.
UNSAID: dict[str, Any] = {"present": True, "after_repair": False, "always_on": False}


# A name that several records have is called what the first of them calls it.
_MODELS: tuple[type[Record], ...] = (*RECORDS, PictureRecord, Pin)
_TITLES: dict[str, str] = {}
for _model in _MODELS:
    for _name, _field in _model.model_fields.items():
        _TITLES.setdefault(_name, _field.title or "")
# Fractions of the width or height of a picture, which are said in per cent.
_SHARES = ("x", "y", "to_x", "to_y")
_PLACES = ("corners", "outline")


def label(field: str) -> str:
    """The name of a field at the head of a line: "Bulk voltage"."""
    words = _TITLES.get(field) or field.replace("_", " ")
    return words[:1].upper() + words[1:]


def entry_label(field: str) -> str:
    """What one entry of a list is called: "Reading"."""
    return _ENTRIES.get(field, label(field))


def value(field: str, found: Any) -> str:
    """One value with its unit, an empty one as what it stands for."""
    if found is None:
        found = UNSAID.get(field)
    if found is None or found in ("", []):
        return _EMPTY.get(field, "–")
    if isinstance(found, bool):
        if field == "present":
            return "present" if found else "not present"
        return "yes" if found else "no"
    if isinstance(found, list):
        return "; ".join(entry(field, one) for one in found)
    if isinstance(found, dict):
        return entry(field, found)
    if isinstance(found, int | float):
        return _number(field, found)
    return str(found)


def _number(field: str, found: float) -> str:
    if field in ("cost", "price", "ceiling"):
        return f"{found:.2f}"
    if field == "minutes":
        return f"{found:g} min"
    if field in _SHARES:
        return f"{100 * found:.1f} %"
    if field == "tolerance_pct":
        return f"{found:g} %"
    if field == "bulk_uf":
        return f"{found:g} µF"
    if field == "ripple_mv":
        return f"{found:g} mV"
    for ending, unit in _UNITS.items():
        if field.endswith(ending):
            return f"{found:.12g} {unit}"
    return f"{found:.12g}"


def entry(field: str, one: Any) -> str:
    """One entry of a list as a line: "5VSB 4.2 V standby", "C9 electrolytic capacitor: cured"."""
    if field == "points":
        return f"{one[0]:g} V {one[1]:g} A"
    if field in _PLACES:
        return ", ".join(_number("x", part) for part in one)
    if not isinstance(one, dict):
        return value("", one)
    if field == "pins":
        return entry_name(field, 0, one)
    if field == "readings":
        where = one.get("rail") or one.get("point") or ""
        line = spoken_reading(
            where,
            one.get("quantity", "dc_v"),
            one["supply"],
            one.get("load", "none"),
            one.get("value"),
            one.get("min"),
            one.get("max"),
        )
        return line + (" after the repair" if one.get("after_repair") else "")
    if field == "symptoms":
        return f"{one['name']} ({value('present', one.get('present'))})"
    if field == "attempts":
        what = " ".join(part for part in (one.get("part", ""), one["part_class"]) if part)
        failure = f" ({one['failure']})" if one.get("failure") else ""
        return f"{what} in {one['section']}{failure}: {value('action', one.get('action'))}, {one['result']}"
    if field == "follow_ups":
        note = f", {one['note']}" if one.get("note") else ""
        return f"{one['date']} {one['state']}{note}"
    if field == "used_at":
        return f"{one['part']} of {one['family']}"
    if field == "instead_of":
        return f"in place of {one['part']}, because {one['rule']}"
    if field == "documents":
        return str(one.get("name") or one["file"])
    if field == "used_in":
        return " ".join(part for part in (one.get("brand", ""), one["device"]) if part)
    if field == "tips":
        signed = ", ".join(part for part in (one.get("who", ""), one.get("date", "")) if part)
        where = f"{one['place']} {one.get('name', '')}".strip()
        return f"{where}: {one['text']}" + (f" ({signed})" if signed else "")
    head = [str(one["name"])] if "name" in one else []
    rest = [f"{label(name).lower()} {value(name, part)}" for name, part in one.items() if name != "name"]
    return ", ".join(head + rest)


def entry_name(field: str, number: int, one: Any) -> str:
    """Which entry of a list, counted from 1: "Attempt 2 (C9)", "Rail 5VSB"."""
    word = entry_label(field)
    if field in ("symptoms", "rails", "connectors", "revisions"):
        return f"{word} {one['name']}"
    if field == "pins" and isinstance(one, dict):
        return f"{one.get('label') or 'Outline'} ({one.get('kind', 'part')})"
    if field == "readings":
        return f"{word} {number} ({one.get('rail') or one.get('point')})"
    if field == "attempts":
        return f"{word} {number} ({one.get('part') or one['part_class']})"
    if field == "follow_ups":
        return f"{word} of {one['date']}"
    if field == "pin_values":
        return f"{word} ({one['connector']} pin {one['pin']})"
    if field == "tips":
        return f"{word} {number} ({one['place']} {one.get('name', '')}".rstrip() + ")"
    return f"{word} {number}"
