"""What good boards of a family measure, and the board of a case beside them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.responses import Response

from kb.errors import BadInput, Conflict, OthersCase
from kb.facts.cautions import cautions_for
from kb.model import Problem, problems
from kb.service import Shop
from kb.service.boards import families, good_boards, pin_tables
from kb.service.cases import cases
from kb.service.diagnose import good_board_comparison
from kb.web.dependencies import FormHere, ShopHere
from kb.web.forms.fields import Form
from kb.web.guard.requests import MICROPHONE_HERE
from kb.web.rendering import family_path, render, see_other

router = APIRouter()
Code = Annotated[str, Path(max_length=80)]
Uid = Annotated[str, Path(max_length=64)]


@router.get("/families/{code}/good-boards")
def family_page(request: Request, shop: ShopHere, code: Code, saved: str = "") -> Response:
    """Each rail, test point and pin with its normal value and where the next good board lies."""
    return _family_page(request, shop, code, saved=saved)


def _family_page(
    request: Request, shop: Shop, code: str, form: Form | None = None, *, saved: str = "", status: int = 200
) -> Response:
    family, good = good_boards.of_family(shop, code)
    _, version = families.get(shop, code)
    lines = pin_tables.lines_of(family.pin_values) or pin_tables.blank_lines(family)
    context = {
        "nav": "families",
        "board": family,
        "good": good,
        "fewest": good_boards.FEWEST_BOARDS,
        "pins": form or Form({"pins": lines, "version": str(version)}),
        "saved": saved,
        "cautions": cautions_for("unpowered"),
    }
    return render(
        "families/good_boards.html", context, scope=request.scope, status=status, headers=MICROPHONE_HERE
    )


@router.post("/families/{code}/pins")
def save_pins(request: Request, shop: ShopHere, code: Code, data: FormHere) -> Response:
    """Keeps what the pins of a known good board measure."""
    form = _pins_form(data)
    if _kept(
        form, lambda lines, version: pin_tables.save_family(shop, code, lines, expected_version=version)
    ):
        return see_other(family_path(code) + "/good-boards?saved=pins#pins")
    return _family_page(request, shop, code, form, status=422)


def _pins_form(data: FormHere) -> Form:
    return Form({name: str(data.get(name, "")) for name in ("pins", "version")})


def _kept(form: Form, keep: Callable[[str, int], object]) -> bool:
    """Whether what was typed of the pins could be kept; what stands against it is put into the form."""
    try:
        keep(form.get("pins"), form.version)
    except ValidationError as error:
        form.problems = [Problem("pins", problem.message, problem.remedy) for problem in problems(error)]
    except OthersCase:
        raise
    except (BadInput, Conflict) as error:
        form.problems = [Problem("pins", error.message, error.remedy or "")]
    return not form.problems


@router.get("/cases/{uid}/beside")
def case_page(request: Request, shop: ShopHere, uid: Uid, saved: str = "") -> Response:
    """The readings of a case beside those of good boards, what is off most first."""
    return _case_page(request, shop, uid, saved=saved)


def _case_page(
    request: Request, shop: Shop, uid: str, form: Form | None = None, *, saved: str = "", status: int = 200
) -> Response:
    view = good_board_comparison.view(shop, uid)
    lines = pin_tables.lines_of(view.case.record.pin_values) or pin_tables.blank_lines(view.case.family)
    context = {
        "nav": "cases",
        "view": view,
        "fewest": good_boards.FEWEST_BOARDS,
        "pins": form or Form({"pins": lines, "version": str(view.case.version)}),
        "saved": saved,
        "cautions": cautions_for("unpowered"),
    }
    return render("cases/beside.html", context, scope=request.scope, status=status, headers=MICROPHONE_HERE)


@router.post("/cases/{uid}/pins")
def save_pins_of_case(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Keeps what the pins of the board on the bench measure."""
    form = _pins_form(data)
    if _kept(
        form,
        lambda lines, version: cases.set_pins(shop, uid, pin_tables.read(lines), expected_version=version),
    ):
        return see_other(f"/cases/{uid}/beside?saved=pins")
    return _case_page(request, shop, uid, form, status=422)
