"""The start page, search, and completion for fields."""

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import JSONResponse, Response

from kb.errors import NotFound, StoreAway
from kb.service.boards import pictures
from kb.service.cases import cases
from kb.service.find import case_search
from kb.service.shop.cut_off import indexed_cases
from kb.web.dependencies import ChoiceHere, FilterText, Offset, ShopHere
from kb.web.rendering import render

router = APIRouter()
PAGE_LENGTH = 20
_FACETS = (
    ("family", "Board family"),
    ("section", "Section"),
    ("part_class", "Part class"),
    ("verdict", "Verdict"),
    ("year", "Year received"),
)
_FACET_LINES = 8
_DIAGNOSED = 2_000  # characters that the diagnose page takes as a complaint
_COMPLETED = 20


def _url(asked: dict[str, str]) -> str:
    return "/search?" + urlencode({name: value for name, value in asked.items() if value})


@router.get("/")
def start(request: Request, shop: ShopHere) -> Response:
    """Boards on the bench, what came back, and the search box."""
    context = {"nav": "start", "today": shop.today(), "person": shop.person}
    try:
        bench = cases.bench(shop)
        boards = pictures.first_of_each(shop, {one.family for one in bench.open})
        return render("find/start.html", {**context, "bench": bench, "boards": boards}, scope=request.scope)
    except StoreAway:
        return render(
            "find/remembered.html", {**context, "bench": indexed_cases.bench(shop)}, scope=request.scope
        )


@router.get("/search")
def search(request: Request, shop: ShopHere, choice: ChoiceHere, offset: Offset = 0) -> Response:
    """Cases for some words, with what narrows them down."""
    q, chosen = choice.query, dict(choice.filters.chosen())
    page = case_search.search(shop, q, choice.filters, limit=PAGE_LENGTH, offset=offset)

    def url(**changed: str) -> str:
        return _url({"q": q, **chosen, **changed})

    facets = [
        (
            label,
            name,
            chosen.get(name, ""),
            [
                (value, count, url(**{name: value}))
                for value, count in page.results.facets.get(name, ())[:_FACET_LINES]
            ],
            url(**{name: ""}),
        )
        for name, label in _FACETS
    ]
    context = {
        "nav": "search",
        "query": q,
        "page": page,
        "facets": facets,
        "narrowed": bool(chosen),
        "limit": PAGE_LENGTH,
        "offset": page.offset,
        "url": url(),
        "take_out_url": "/data/take-out" + url().removeprefix("/search"),
        "meant_url": url(q=page.results.did_you_mean or ""),
        "nearest": [
            (one.label, one.total, _url({"q": one.query, **dict(one.filters.chosen())}))
            for one in page.nearest
        ],
        "family_url": url(family=page.family or ""),
        "diagnose_url": "/diagnose?" + urlencode({"text": q[:_DIAGNOSED]}),
    }
    return render("find/search.html", context, scope=request.scope)


@router.get("/complete/{what}")
def complete(
    shop: ShopHere,
    what: Annotated[str, Path(max_length=20)],
    q: FilterText = "",
    limit: Annotated[int, Query(ge=1, le=_COMPLETED)] = 12,
) -> JSONResponse:
    """What a field may be completed to: `[{value, met}]`, `met` being the name that fits what was typed."""
    if what not in case_search.COMPLETED:
        raise NotFound(
            f'There is no list "{what}".', remedy="Use one of: " + ", ".join(case_search.COMPLETED) + "."
        )
    found = case_search.complete(shop, what, q, limit=limit)
    return JSONResponse([{"value": one.value, "met": one.met} for one in found])
