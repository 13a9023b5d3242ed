"""The forms of a picture of a board: its corners, its scale and what is where on it, one line each.

    part: C9 at 31.20 62.15; electrolytic capacitor; standby output
    test point: TP3 at 10 20
    connector: CN2 at 5 90 to 25 90; 14 pins; 2 rows
    hot side: 5 5, 60 5, 60 95

Places are per cent of what is shown, from the left and from the top. Kind and what stands behind a semicolon may
be left out; a line without a kind is a part.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import partial
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData

from kb.errors import BadInput
from kb.facts import plane
from kb.facts.designators import code_key
from kb.facts.typed_entries import parse_share
from kb.model import PictureRecord, Pin, Problem, problems
from kb.model.pictures import PIN_KINDS
from kb.service.boards import pictures
from kb.service.boards.pictures import PictureView
from kb.web.forms.fields import Form, read_form

_EXAMPLE = "Write it as part: C9 at 31.2 62.1."
_COUNT = re.compile(r"([0-9]{1,3}) ?(pins?|rows?)")
_LENGTH = re.compile(r"([0-9]{1,5}(?:[.,][0-9]{1,3})?) ?(mm|cm)?")
# Corners are exact to a hundredth of a pixel, pins to a quarter of one.
_CORNER_DIGITS, _PIN_DIGITS = 4, 2
CORNERS = ("upper left", "upper right", "lower right", "lower left")


def read_picture_form(data: FormData) -> Form:
    """What was typed into the form of a picture."""
    return read_form(data, {})


# -- from a record to what is typed ------------------------------------------------------------------------


def _per_cent(share: float, digits: int) -> str:
    return f"{100 * share:.{digits}f}".rstrip("0").rstrip(".") or "0"


def _place(point: tuple[float, float], digits: int = _PIN_DIGITS) -> str:
    return " ".join(_per_cent(one, digits) for one in point)


def line_of(view: pictures.Shown, pin: Pin) -> str:
    """What lies where, as one line."""
    if pin.kind == "hot side":
        return "hot side: " + ", ".join(_place(view.of_own(x, y)) for x, y in pin.outline)
    assert pin.x is not None  # the record's own rule
    assert pin.y is not None
    line = f"{pin.kind}: {pin.label} at {_place(view.of_own(pin.x, pin.y))}"
    if pin.to_x is not None and pin.to_y is not None:
        line += f" to {_place(view.of_own(pin.to_x, pin.to_y))}"
    if pin.pins is not None:
        line += f"; {pin.pins} pins"
    if pin.rows is not None:
        line += f"; {pin.rows} rows"
    if pin.part_class or pin.section:
        line += f"; {pin.part_class}"
    return line + (f"; {pin.section}" if pin.section else "")


def lines_of(record: PictureRecord) -> str:
    """All that lies on a picture, a line each."""
    view = pictures.shown(record)
    return "\n".join(line_of(view, pin) for pin in record.pins)


def corners_of(record: PictureRecord) -> str:
    """The corners of the board as the form keeps them: four places in per cent of the picture, or nothing."""
    return ", ".join(_place((x, y), _CORNER_DIGITS) for x, y in record.corners)


def form_of(record: PictureRecord, version: int) -> Form:
    """The filled form of a picture, opened on a version."""
    return Form(
        {
            "version": str(version),
            "side": record.side,
            "caption": record.caption,
            "taken": record.taken.isoformat() if record.taken else "",
            "corners": corners_of(record),
            "pins_by": corners_of(record),
            "pins": lines_of(record),
            "scale": "" if record.mm_per_px is None else f"{record.mm_per_px:.6g}",
        }
    )


# -- and back ----------------------------------------------------------------------------------------------


def _point(text: str) -> tuple[float, float]:
    """Raises BadInput for what is not two numbers of per cent."""
    parts = text.split()
    if len(parts) != 2:
        raise BadInput(
            f"“{text.strip()[:40]}” is no place.",
            field="place",
            remedy="Write per cent from left and top: 31.2 62.1.",
        )
    read = partial(parse_share, field="place")
    return float(read(parts[0])), float(read(parts[1]))


def points_of(text: str) -> list[tuple[float, float]]:
    """Places written one after another with commas between. Raises BadInput."""
    return [_point(part) for part in re.split(r"[,;\n]", text) if part.strip()]


def pin_of(view: pictures.Shown, line: str) -> dict[str, Any]:
    """The fields of what one line says. Raises BadInput."""
    head, *tail = (part.strip() for part in line.split(";"))
    kind, colon, rest = (part.strip() for part in head.partition(":"))
    if not colon or kind.casefold() not in PIN_KINDS:
        kind, rest = "part", head
    kind = kind.casefold()
    if kind == "hot side":
        outline = [list(view.to_own(x, y)) for x, y in points_of(rest)]
        return {"kind": kind, "outline": outline}
    label, word, where = rest.rpartition(" at ")
    if not word:
        raise BadInput(f"“{line.strip()[:40]}” says no place.", field="place", remedy=_EXAMPLE)
    first, to, last = where.partition(" to ")
    data: dict[str, Any] = {"kind": kind, "label": label.strip()}
    data["x"], data["y"] = _own(view, _point(first))
    if to:
        data["to_x"], data["to_y"] = _own(view, _point(last))
    words = []
    for part in tail:
        count = _COUNT.fullmatch(part)
        if count and kind == "connector":
            data["pins" if count[2].startswith("pin") else "rows"] = int(count[1])
        else:
            words.append(part)
    data |= dict(zip(("part_class", "section"), words, strict=False))
    if not data.get("section"):
        data.pop("section", None)
    return data


def _own(view: pictures.Shown, point: tuple[float, float]) -> tuple[float, float]:
    x, y = view.to_own(*point)
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise BadInput("The place lies outside the picture.", field="place", remedy="Place it on the board.")
    return x, y


def record_of(form: Form, seen: PictureView) -> PictureRecord | None:
    """The picture as typed, None where something cannot be used (see `form.problems`)."""
    try:
        corners = points_of(form.get("corners"))
        before = seen.record
        if form.get("pins_by") != corners_of(before):
            before = pictures.straightened(before, points_of(form.get("pins_by")))
    except BadInput as error:
        form.problems.append(Problem("corners", error.message, error.remedy or ""))
        return None
    scale = form.get("scale").strip()
    data = before.model_dump(mode="json") | {
        "side": form.get("side"),
        "caption": form.get("caption"),
        "taken": form.get("taken").strip() or None,
        "mm_per_px": _number(form, scale),
        "pins": _pins(form, before),
    }
    if form.problems:
        return None
    try:
        record = _ruled(form, PictureRecord.model_validate(data))
        if form.get("corners").strip() != form.get("pins_by"):
            record = pictures.straightened(record, corners)
    except ValidationError as error:
        form.problems += [in_form(problem) for problem in problems(error)]
        return None
    except BadInput as error:
        form.problems.append(Problem(error.field or "corners", error.message, error.remedy or ""))
        return None
    _ask_of_twins(form, record)
    return None if form.problems else record


def _number(form: Form, text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        form.problems.append(Problem("scale", f"“{text[:20]}” is no scale.", "Set the ruler again."))
        return None


def _pins(form: Form, before: PictureRecord) -> list[dict[str, Any]]:
    """What the lines say; a line that says what it said stays as exact as it was."""
    view = pictures.shown(before)
    kept = {line_of(view, pin): pin for pin in before.pins}
    found: list[dict[str, Any]] = []
    names: dict[str, str] = {}
    for number, line in enumerate(form.get("pins").splitlines(), start=1):
        if not line.strip():
            continue
        try:
            pin = kept.get(line.strip())
            data = pin.model_dump(mode="json") if pin else pin_of(view, line)
            label = str(data.get("label", ""))
            if label and names.setdefault(code_key(label), label) is not label:
                raise BadInput(
                    f"{label} is on the picture twice.",
                    field="pins",
                    remedy="A name stands for one place: take one of the two off, or name it as printed.",
                )
            Pin.model_validate(data)
            found.append(data)
        except ValidationError as error:
            first = problems(error)[0]
            _refuse_line(form, number, line, first.message, first.remedy)
        except BadInput as error:
            _refuse_line(form, number, line, error.message, error.remedy or "")
    return found


def _refuse_line(form: Form, number: int, line: str, message: str, remedy: str) -> None:
    form.problems.append(Problem("pins", f"Line {number}, “{line.strip()[:40]}”: {message}", remedy))


def _ruled(form: Form, record: PictureRecord) -> PictureRecord:
    """The picture with the scale that a ruler laid on it gives. Raises BadInput."""
    typed, ends = form.get("ruler_length").strip(), form.get("ruler").strip()
    if not typed:
        return record
    found = _LENGTH.fullmatch(typed)
    if found is None:
        raise BadInput(
            f"“{typed[:20]}” is no length.", field="ruler_length", remedy="Type millimetres, such as 100 mm."
        )
    points = points_of(ends)
    if len(points) != 2:
        raise BadInput(
            "The ruler needs its two ends on the picture.",
            field="ruler",
            remedy="Set both ends, or leave the length out.",
        )
    view = pictures.shown(record)
    one, other = ((x * view.width, y * view.height) for x, y in points)
    length_mm = float(found[1].replace(",", ".")) * (10 if found[2] == "cm" else 1)
    scale = plane.mm_per_unit(one, other, length_mm)
    return PictureRecord.model_validate(record.model_dump(mode="json") | {"mm_per_px": round(scale, 6)})


def _ask_of_twins(form: Form, record: PictureRecord) -> None:
    """Two parts at one point are most likely one that was set twice: asked, and kept where it is meant."""
    pairs = pictures.same_place(record)
    if pairs and not form.get("same_place"):
        named = "; ".join(f"{one} and {other}" for one, other in pairs[:3])
        form.problems.append(
            Problem(
                "same_place",
                f"{named}: at one point. Is that meant?",
                "Move one of them, or tick that it is.",
            )
        )


def in_form(problem: Problem) -> Problem:
    """A problem of the record under the name that its field has in the form."""
    top = problem.field.partition(".")[0]
    return Problem({"mm_per_px": "scale"}.get(top, top), problem.message, problem.remedy)


def unplaced(suggested: Iterable[str], record: PictureRecord) -> list[str]:
    """The designators that the family's cases name and the picture does not show yet."""
    known = {code_key(pin.label) for pin in record.pins}
    return [one for one in suggested if code_key(one) not in known]
