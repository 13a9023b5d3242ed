"""The month's figures, drawn and as a file for a spreadsheet."""

from __future__ import annotations

import csv
import io
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from kb.service.cases import figures
from kb.service.cases.figures import Month
from kb.web.dependencies import ShopHere
from kb.web.rendering import csv_file, render

router = APIRouter()
Months = Annotated[int, Query(ge=1, le=figures.MOST_MONTHS)]
_SPANS = (12, 24, 60)


@router.get("/figures")
def figures_page(request: Request, shop: ShopHere, months: Months = 12) -> Response:
    """Boards in, what became of them, how long they took and what parts cost, month by month."""
    found = figures.by_month(shop, months)
    context = {
        "nav": "cases",
        "months": found,
        "span": months,
        "spans": _SPANS,
        "rate": shop.settings.bench_rate_per_hour,
        "any": any(month.received or month.closed or month.came_back for month in found),
    }
    return render("figures/page.html", context, scope=request.scope)


@router.get("/figures.csv")
def figures_file(shop: ShopHere, months: Months = 12) -> Response:
    """The same for a spreadsheet: one row a month, money with two decimals in the shop's currency."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(_HEADER)
    writer.writerows(_row(month) for month in figures.by_month(shop, months))
    return csv_file(text.getvalue(), "figures.csv")


_HEADER = (
    "month",
    "received",
    "closed",
    "repaired",
    "no fault found",
    "not economical",
    "not repairable",
    "declined",
    "came back with the same fault",
    "came back with another fault",
    "median days",
    "parts cost",
    "bench minutes",
    "boards with a quote",
    "quotes accepted",
    "quotes declined",
    "accepted quotes came to",
    "parts and bench time of these",
    "above the quote",
)


def _row(month: Month) -> tuple[object, ...]:
    return (
        month.name,
        month.received,
        month.closed,
        month.repaired,
        month.no_fault_found,
        month.not_economical,
        month.not_repairable,
        month.declined,
        month.came_back_same,
        month.came_back_other,
        "" if month.median_days is None else f"{month.median_days:g}",
        f"{month.parts_cents / 100:.2f}",
        month.minutes,
        month.quoted,
        month.quotes_accepted,
        month.quotes_declined,
        f"{month.quoted_cents / 100:.2f}",
        f"{month.quoted_actual_cents / 100:.2f}",
        month.over_quote,
    )
