"""Records out through the browser: everything, or what a search finds, in several formats."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from kb.errors import BadInput
from kb.model import Problem
from kb.service import Shop
from kb.service.transfer import exports, json_lines
from kb.service.transfer.exports import FORMATS, Choice
from kb.web.dependencies import ChoiceHere, FilterText, ShopHere
from kb.web.rendering import render
from kb.web.streamed import Download

router = APIRouter()
Format = Annotated[str, Query(max_length=20)]


def answer(shop: Shop, choice: Choice, kind: str, *, with_photos: bool) -> Download:
    """The file. Raises BadInput for an unknown format, and for photographs where they cannot go."""
    part = "" if choice.everything else "found-"
    name = exports.file_name(shop, kind, json_lines.newest_change(shop), part=part)
    return Download(exports.taken(shop, kind, choice, with_photos=with_photos), name, FORMATS[kind][2])


@router.get("/data/take-out")
def take_out(request: Request, shop: ShopHere, choice: ChoiceHere) -> Response:
    """What would be taken out, and in which format."""
    return _page(request, shop, choice)


def _page(
    request: Request, shop: Shop, choice: Choice, kind: str = "jsonl", problem: Problem | None = None
) -> Response:
    context = {
        "nav": "data",
        "choice": choice,
        "cases": exports.count(shop, choice),
        "asked": [("q", choice.query), *choice.filters.chosen()],
        "formats": [(kind, label) for kind, (label, _, _) in FORMATS.items()],
        "kind": kind,
        "problem": problem,
    }
    return render("data/take_out.html", context, scope=request.scope, status=422 if problem else 200)


@router.get("/data/take-out/file")
def take_out_file(
    request: Request,
    shop: ShopHere,
    choice: ChoiceHere,
    format: Format = "jsonl",
    with_photos: FilterText = "",
) -> Response:
    """The file itself, or the page again where photographs cannot go into it."""
    try:
        return answer(shop, choice, format, with_photos=bool(with_photos))
    except BadInput as error:
        if error.field != "with_photos":
            raise
        return _page(request, shop, choice, format, Problem(error.field, error.message, error.remedy or ""))
