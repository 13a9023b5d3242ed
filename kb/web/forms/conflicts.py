"""The page that two people meet on who changed one record at the same time.

It carries what the second of them typed, and comes back with `meeting` saying what is wanted: "join" both
changes, keep "mine", or "edit" the joined record; with `seen`, the version in the store that it showed; and
with a choice for each clash.
"""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from kb.errors import BadInput
from kb.model import Problem, Record
from kb.service import Shop
from kb.service.history.conflicts import Meeting, Side, joined, meet
from kb.web.forms.fields import Form
from kb.web.rendering import render

_CHOICE = "choice."
_OWN = ("save", "add", "remove", "meeting", "seen")


@dataclass(frozen=True, slots=True)
class Settled:
    """What is to be saved on which version; `to_edit` where it goes back into the form first."""

    record: Record
    version: int
    to_edit: bool = False


def settle(shop: Shop, entity: str, name: str, mine: Record, form: Form) -> Settled | Meeting:
    """What was decided on the page, or the meeting to show again: a choice is open, or a third one saved.

    Adds to `form.problems` what is missing. Raises NotFound.
    """
    choices: dict[str, Side] = {
        key.removeprefix(_CHOICE): "theirs" if value == "theirs" else "mine"
        for key, value in form.plain.items()
        if key.startswith(_CHOICE) and value in ("theirs", "mine")
    }
    found = meet(shop, entity, name, mine, opened_on=form.version, choices=choices)
    if form.get("seen") != str(found.version):
        form.problems.append(Problem("", "It was changed once more meanwhile.", "Look at both sides again."))
        return found
    wanted = form.get("meeting")
    if wanted == "mine":
        return Settled(mine, found.version)
    if wanted == "join" and found.merged.open:
        form.problems += [
            Problem(f"{_CHOICE}{one.name}", f"{one.what}: it is not chosen which stays.", "Choose one.")
            for one in found.merged.clashes
            if one.name in found.merged.open
        ]
        return found
    try:
        return Settled(joined(found), found.version, to_edit=wanted == "edit")
    except BadInput as error:
        form.problems.append(Problem("", f"Together: {error.message}", error.remedy or ""))
        return found


def page(request: Request, meeting: Meeting, form: Form, *, action: str, back: str, nav: str) -> Response:
    """Both sides, with what can be done about them."""
    carried = {
        key: value for key, value in form.plain.items() if key not in _OWN and not key.startswith(_CHOICE)
    }
    context = {
        "nav": nav,
        "meeting": meeting,
        "form": form,
        "carried": carried,
        "action": action,
        "back": back,
    }
    return render("conflict.html", context, scope=request.scope, status=409)
