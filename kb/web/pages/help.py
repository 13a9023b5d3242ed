"""What the program is for, its words, the cautions, and how it is kept running."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from kb.config import described
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


@router.get("/help/running")
def running_page(request: Request) -> Response:
    """The network, backups, several machines, records in and out, and every setting."""
    context = {"nav": "help", "settings": described()}
    return render("help/running.html", context, scope=request.scope)
