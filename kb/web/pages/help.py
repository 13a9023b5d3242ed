"""What the program is for, its words, and the cautions."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from kb.facts import vocabulary
from kb.facts.cautions import CAUTIONS
from kb.web.rendering import render

router = APIRouter()


@router.get("/help")
def help_page(request: Request) -> Response:
    """The job, the words and the cautions on one page."""
    tables = [
        ("Rail roles", vocabulary.RAIL_ROLES),
        ("Supply states", vocabulary.SUPPLY_STATES),
        ("Loads", vocabulary.LOADS),
        ("Rail conditions", vocabulary.RAIL_CONDITIONS),
        ("Results of an attempt", vocabulary.RESULTS),
        ("Verdicts", vocabulary.VERDICTS),
        ("Sections", vocabulary.SECTIONS),
    ]
    context = {"nav": "help", "tables": tables, "cautions": CAUTIONS}
    return render("help/page.html", context, scope=request.scope)
