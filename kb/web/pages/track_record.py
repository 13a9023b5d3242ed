"""The track record: how far to trust the ranking, and how long fixes last."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from kb.errors import StoreTrouble
from kb.service.diagnose import track_records
from kb.service.diagnose.track_records import Bin, Compared, Trust
from kb.web.dependencies import ShopHere
from kb.web.rendering import family_path, render

router = APIRouter()
# Longer than a small store takes; a large one is worked out in the background.
_WAIT_S = 3.0


@dataclass(frozen=True, slots=True)
class BinLine:
    """One group of equally sure suggestions: `right` of its cases, with the 95 % interval of the share."""

    bin: Bin
    right: int
    low: float
    high: float


def _bins(compared: Compared) -> list[BinLine]:
    lines = []
    for one in compared.ranking.bins:
        if one.cases:
            right = round(one.came_true * one.cases)
            lines.append(BinLine(one, right, *track_records.interval(right, one.cases)))
    return lines


def _period(compared: Compared, kind: str) -> str:
    year, month, _ = compared.name.split("-")
    return year if kind == "year" else f"{year}, quarter {(int(month) + 2) // 3}"


def _context(trust: Trust) -> dict[str, object]:
    record = trust.record
    ranking = record.overall.ranking
    return {
        "trust": trust,
        "overall": record.overall,
        "bins": _bins(record.overall),
        "first_range": track_records.interval(ranking.first, ranking.cases),
        "first_three_range": track_records.interval(ranking.first_three, ranking.cases),
        "periods": [
            (_period(one, trust.periods), "", one.ranking.cases, one.ranking.first, one.baseline.first)
            for one in record.periods
        ],
        "families": [
            (one.name, family_path(one.name), one.ranking.cases, one.ranking.first, one.baseline.first)
            for one in record.families
        ],
    }


@router.get("/track-record")
def show_track_record(request: Request, shop: ShopHere) -> Response:
    """One sentence, then pictures, then numbers."""
    context: dict[str, object] = {"nav": "trust", "trust": None, "trouble": shop.derived.trouble, "adds": ()}
    try:
        context |= _context(track_records.record(shop, wait_s=_WAIT_S))
        context["adds"] = track_records.adds(shop)
    except StoreTrouble as error:
        context["waiting"] = error
    return render("track_record/page.html", context, scope=request.scope)
