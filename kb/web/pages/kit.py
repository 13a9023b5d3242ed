"""The kit of a board family or kind of board: as a page, on paper, and for a spreadsheet."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from kb.errors import BadInput, NotFound
from kb.model import Problem, by_field
from kb.service.boards import families, kits
from kb.web.dependencies import FilterText, ShopHere
from kb.web.rendering import csv_file, plural, render

router = APIRouter()
Years = Annotated[int, Query(ge=1, le=20)]


@router.get("/kit")
def kit_page(
    request: Request, shop: ShopHere, family: FilterText = "", kind: FilterText = "", years: Years = 3
) -> Response:
    """The parts that would have covered most repairs, and what each further one adds."""
    view, problems = None, []
    if family.strip() or kind:
        try:
            view = kits.of(shop, family=family.strip(), kind=kind, years=years)
        except NotFound as error:
            problems.append(Problem("family", error.message, error.remedy or ""))
        except BadInput as error:
            problems.append(Problem(error.field or "family", error.message, error.remedy or ""))
    context = {
        "nav": "families",
        "view": view,
        "family": family,
        "kind": kind,
        "years": years,
        "spans": [(str(span), plural(span, "year")) for span in kits.YEARS],
        "share": kits.SHARE,
        "most_shown": kits.MOST_SHOWN,
        "errors": by_field(problems),
        "families": families.offered(shop),
        "kinds": kits.kinds(shop),
    }
    return render("families/kit.html", context, scope=request.scope, status=422 if problems else 200)


@router.get("/kit.csv")
def kit_file(shop: ShopHere, family: FilterText = "", kind: FilterText = "", years: Years = 3) -> Response:
    """The same for a spreadsheet: one row a part."""
    view = kits.of(shop, family=family.strip(), kind=kind, years=years)
    return csv_file(kits.as_csv(view), "kit.csv")
