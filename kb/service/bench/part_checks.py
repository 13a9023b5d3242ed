"""What the dead checks of a bench test came to, part by part, as evidence for its causes.

The test has judged them by what the part is on this board (a fusible resistor in the fuse's place, a switch without a
diode, an output's rated load), and a meter that shows no reading leaves no value: so the judgement is handed on, and
never made again from the number.
"""

from __future__ import annotations

from kb.bench.checks import ohms, volts
from kb.model import PartCheck
from kb.service.bench.view import RunView, StepView

_FOUND = {"good": "in order", "shorted": "shorted", "open": "open"}
_WORST_FIRST = ("shorted", "open", "in order")


def part_checks(view: RunView) -> list[PartCheck]:
    """One check for each part or output measured so far, by the worst that was found at it both ways.

    Checks that came out doubtful say nothing, and the charge of the bulk capacitor is no fault.
    """
    heard: dict[tuple[str | None, str | None], list[tuple[str, str]]] = {}
    for place in view.steps:
        if is_part_check(place) and place.results and place.left_out is None:
            found = _FOUND.get(place.results[-1].judgement)
            if found is not None:
                step = place.step
                heard.setdefault((step.rail, None if step.rail else step.point), []).append(
                    (found, _shown(place))
                )
    return [
        PartCheck.model_validate({"rail": rail, "point": point, "found": found, "written": written})
        for (rail, point), said in heard.items()
        for found, written in [min(said, key=lambda one: _WORST_FIRST.index(one[0]))]
    ]


def is_part_check(place: StepView) -> bool:
    """True for a step that measures a part or an output to its ground with the plug out."""
    step = place.step
    return not step.powered and step.quantity in ("ohm", "diode_v") and step.kind in ("limit", "open")


def _shown(place: StepView) -> str:
    entry = place.entries[-1]
    unit = ohms if place.step.quantity == "ohm" or entry.around.get("in_ohm") else volts
    numbers = sorted(one for one in (entry.value, entry.min, entry.max) if one is not None)
    return " to ".join(dict.fromkeys(unit(one) for one in numbers)) or "OL"
