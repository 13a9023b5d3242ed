"""The quote of a case: as the customer reads it, and the form that writes it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import ValidationError
from starlette.responses import Response

from kb.errors import AlreadyDone, BadInput, Conflict, OthersCase
from kb.facts.values import parse_iso_date, parse_money
from kb.model import Problem, Quote, problems
from kb.service import Shop
from kb.service.parts import quotes
from kb.web.dependencies import FilterText, FormHere, ShopHere
from kb.web.forms.fields import Form
from kb.web.rendering import render, see_other

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
_NAMES = ("date", "price", "ceiling", "covers", "warranty", "valid_until")


@router.get("/cases/{uid}/quote")
def quote_page(
    request: Request, shop: ShopHere, uid: Uid, replacement: FilterText = "", saved: str = ""
) -> Response:
    """The quote as the customer reads it, and what is proposed for one."""
    asked = Form({"replacement": replacement})
    money = asked.parse("replacement", replacement, lambda text: parse_money(text, field="replacement"))
    price = None if money is None else money / 100
    return _page(request, shop, uid, asked=asked, replacement=price, saved=saved)


def _page(
    request: Request,
    shop: Shop,
    uid: str,
    *,
    form: Form | None = None,
    asked: Form | None = None,
    replacement: float | None = None,
    saved: str = "",
    status: int = 200,
) -> Response:
    desk = quotes.desk(shop, uid, replacement_price=replacement)
    if form is None:
        form = _form_of(desk.quote or desk.proposed, desk.case.version)
        if desk.quote is None and desk.verdict is None:
            form.plain["ceiling"] = ""  # nothing is known that an amount could come from
    context = {
        "nav": "cases",
        "desk": desk,
        "form": form,
        "asked": asked or Form(),
        "saved": saved,
        "covers_fixed": quotes.COVERS_FIXED,
        "today": shop.today(),
        "shop_address": shop.settings.shop_address,
    }
    return render(
        "cases/quote.html", context, scope=request.scope, status=422 if asked and asked.problems else status
    )


def _form_of(quote: Quote, version: int) -> Form:
    def money(value: float | None) -> str:
        return "" if value is None else f"{value:.2f}"

    return Form(
        {
            "date": quote.date.isoformat(),
            "price": money(quote.price),
            "ceiling": money(quote.ceiling),
            "covers": quote.covers,
            "warranty": quote.warranty,
            "valid_until": quote.valid_until.isoformat() if quote.valid_until else "",
            "version": str(version),
        }
    )


@router.post("/cases/{uid}/quote")
def write_quote(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Keeps the quote on the case, or takes it off."""
    form = Form({name: str(data.get(name, "")) for name in (*_NAMES, "version")})
    if data.get("remove"):
        quotes.take_back(shop, uid, expected_version=form.version)
        return see_other(f"/cases/{uid}?saved=quote-off")
    given = {name: form.get(name) for name in ("covers", "warranty")}
    days = {name: form.parse(name, form.get(name), parse_iso_date) for name in ("date", "valid_until")}
    cents = {name: form.parse(name, form.get(name), parse_money) for name in ("price", "ceiling")}
    try:
        if not form.problems:
            money = {name: None if amount is None else amount / 100 for name, amount in cents.items()}
            days["date"] = days["date"] or shop.today()
            quote = Quote.model_validate({**given, **days, **money})
            quotes.issue(shop, uid, quote, expected_version=form.version)
            return see_other(f"/cases/{uid}/quote?saved=yes")
    except ValidationError as error:
        form.problems = problems(error)
    except (AlreadyDone, OthersCase):
        raise
    except (BadInput, Conflict) as error:
        form.problems = [
            Problem((error.field or "").removeprefix("quote."), error.message, error.remedy or "")
        ]
    return _page(request, shop, uid, form=form, status=422)


@router.post("/cases/{uid}/quote/answer")
def note_answer(request: Request, shop: ShopHere, uid: Uid, data: FormHere) -> Response:
    """Notes that the customer accepted or declined."""
    form = Form({name: str(data.get(name, "")) for name in ("answer", "day", "version")})
    day = form.parse("day", form.get("day"), lambda text: parse_iso_date(text, field="day"))
    if form.get("answer") not in ("accepted", "declined"):
        form.problems.append(
            Problem("answer", "It is not said what the answer was.", "Press one of the two.")
        )
    try:
        if not form.problems:
            accepted = form.get("answer") == "accepted"
            quotes.answer(shop, uid, accepted=accepted, day=day, expected_version=form.version)
            return see_other(f"/cases/{uid}/quote?saved={form.get('answer')}")
    except ValidationError as error:
        form.problems = [Problem("day", problem.message, problem.remedy) for problem in problems(error)]
    except (AlreadyDone, OthersCase):
        raise
    except (BadInput, Conflict) as error:
        form.problems = [Problem("day", error.message, error.remedy or "")]
    return _page(request, shop, uid, asked=form, status=422)
