"""The one way in which an edited record is saved: joined with what somebody else saved meanwhile, and shown
again with everything that was typed wherever it cannot be kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from starlette.requests import Request
from starlette.responses import Response

from kb.errors import AlreadyDone, Conflict, KbError
from kb.model import Problem, Record
from kb.service import Shop
from kb.service.history.conflicts import Meeting, meet
from kb.web.forms import conflicts
from kb.web.forms.fields import Form

Kind = TypeVar("Kind", bound=Record)
Saved = TypeVar("Saved")


@dataclass(frozen=True, slots=True)
class Edit(Generic[Kind, Saved]):
    """How records of one kind are edited on one page.

    `name` is the record's own in the store, None for a new one that must not be there yet. `save` takes the
    record and the version that it was opened on and raises Conflict where the store holds another; `show`
    sets the form with a status; `opened_on` fills a form with a record of a version; `in_form` gives a
    problem of the record the name of its field in the form. `action` is where the form is sent, `back` where
    the record is looked at.
    """

    entity: str
    name: str | None
    save: Callable[[Kind, int], Saved]
    show: Callable[[Form, int], Response]
    opened_on: Callable[[Kind, int], Form]
    in_form: Callable[[Problem], Problem]
    action: str
    back: str
    nav: str


def save_edited(
    request: Request, shop: Shop, edit: Edit[Kind, Saved], record: Kind | None, form: Form
) -> Saved | Response:
    """What `edit.save` returns, or the page to show instead: the form with its problems, or both sides of a
    conflict. `record` is None where the form could not be read, which its problems say. Raises NotFound."""
    if record is None:
        return edit.show(form, 422)
    version = form.version
    if edit.name is not None and form.get("meeting"):
        settled = conflicts.settle(shop, edit.entity, edit.name, record, form)
        if isinstance(settled, Meeting):
            return _conflict(request, edit, settled, form)
        assert isinstance(settled.record, type(record))
        record, version = settled.record, settled.version
        if settled.to_edit:
            return edit.show(edit.opened_on(record, version), 200)
    try:
        return edit.save(record, version)
    except Conflict as error:
        if edit.name is None:
            return _refused(edit, form, error)
        met = meet(shop, edit.entity, edit.name, record, opened_on=form.version)
        return _conflict(request, edit, met, form)
    except AlreadyDone:
        raise  # two clicks at one moment: the page of what was saved says all
    except KbError as error:
        return _refused(edit, form, error)


def _refused(edit: Edit[Kind, Saved], form: Form, error: KbError) -> Response:
    """The form as it was typed. Where the store is in trouble no single field is to blame."""
    trouble = error.status >= 500
    problem = Problem("" if trouble else error.field or "", error.message, error.remedy or "")
    form.problems.append(edit.in_form(problem))
    return edit.show(form, error.status if trouble else 422)


def _conflict(request: Request, edit: Edit[Kind, Saved], met: Meeting, form: Form) -> Response:
    return conflicts.page(request, met, form, action=edit.action, back=edit.back, nav=edit.nav)
