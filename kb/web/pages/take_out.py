"""Records out through the browser: everything, or what a search finds, in several formats."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response, StreamingResponse

from kb.service import Shop, moving, taking_out
from kb.service.finding import Filters
from kb.service.taking_out import FORMATS, Choice
from kb.web.dependencies import FilterText, QueryText, ShopHere
from kb.web.rendering import render

router = APIRouter()
Year = Annotated[str, Query(max_length=4)]
Format = Annotated[str, Query(max_length=20)]


def choice_of(q: str, family: str, section: str, part_class: str, verdict: str, year: str) -> Choice:
    """What an address asks for; a year that is no number is left aside, as in a search."""
    number = int(year) if year.isascii() and year.isdigit() else None
    return Choice(q, Filters(family, section, part_class, verdict, number))


def answer(shop: Shop, choice: Choice, kind: str) -> StreamingResponse:
    """The file. Raises BadInput for an unknown format."""
    part = "" if choice.everything else "found-"
    name = taking_out.file_name(shop, kind, moving.newest_change(shop), part=part)
    return StreamingResponse(
        taking_out.taken(shop, kind, choice),
        media_type=FORMATS[kind][2],
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


@router.get("/data/take-out")
def take_out(
    request: Request,
    shop: ShopHere,
    q: QueryText = "",
    family: FilterText = "",
    section: FilterText = "",
    part_class: FilterText = "",
    verdict: FilterText = "",
    year: Year = "",
) -> Response:
    """What would be taken out, and in which format."""
    choice = choice_of(q, family, section, part_class, verdict, year)
    context = {
        "nav": "data",
        "choice": choice,
        "cases": taking_out.count(shop, choice),
        "asked": [("q", q), *choice.filters.chosen()],
        "formats": [(kind, label) for kind, (label, _, _) in FORMATS.items()],
    }
    return render("data/take_out.html", context, scope=request.scope)


@router.get("/data/take-out/file")
def take_out_file(
    shop: ShopHere,
    format: Format = "jsonl",
    q: QueryText = "",
    family: FilterText = "",
    section: FilterText = "",
    part_class: FilterText = "",
    verdict: FilterText = "",
    year: Year = "",
) -> Response:
    """The file itself."""
    return answer(shop, choice_of(q, family, section, part_class, verdict, year), format)
