"""Sharing cases with other shops: choose, look through what would leave, then write the file."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import Response, StreamingResponse

from kb.errors import BadInput
from kb.model import Problem
from kb.service import Shop, sharing, taking_out
from kb.service.sharing import Choice, Preview
from kb.web.dependencies import ShopHere
from kb.web.forms import typed_fields
from kb.web.rendering import render

router = APIRouter()
_MOST_WORDS = 500


@router.get("/data/share")
def share(request: Request, shop: ShopHere) -> Response:
    """What there is to choose from."""
    return _page(request, shop, Choice(name=sharing.sharing_name(shop)), None)


@router.post("/data/share")
async def share_preview(request: Request, shop: ShopHere) -> Response:
    """What would be shared, for looking through; nothing is written."""
    data = await typed_fields(request, max_fields=20_000)
    return await run_in_threadpool(_preview, request, shop, data)


@router.post("/data/share/file")
async def share_file(request: Request, shop: ShopHere) -> Response:
    """The file that another shop can bring in."""
    data = await typed_fields(request, max_fields=20_000)
    return await run_in_threadpool(_file, request, shop, data)


def _choice(data: FormData) -> Choice:
    def texts(name: str) -> list[str]:
        return [value for value in data.getlist(name) if isinstance(value, str) and value]

    years = [int(year) for year in texts("years") if year.isascii() and year.isdigit() and len(year) == 4]
    left = set() if "again" in data else {uid for text in texts("left") for uid in text.split()}
    words = [line.strip() for text in texts("words") for line in text.splitlines() if line.strip()]
    return Choice(
        name="".join(texts("name"))[:200],
        families=frozenset(texts("families")),
        years=frozenset(years),
        verdicts=frozenset(texts("verdicts")),
        complaints="complaints" in data,
        notes="notes" in data,
        words=tuple(words[:_MOST_WORDS]),
        left_out=frozenset(left | set(texts("leave"))),
    )


def _preview(request: Request, shop: Shop, data: FormData) -> Response:
    choice = _choice(data)
    asked = str(data.get("offset") or "0")
    offset = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 9 else 0
    return _page(request, shop, choice, sharing.preview(shop, choice, offset=offset))


def _file(request: Request, shop: Shop, data: FormData) -> Response:
    choice = _choice(data)
    try:
        sharing.own_origin(shop, choice.name)
    except BadInput as error:
        problem = Problem(error.field or "name", error.message, error.remedy or "")
        return _page(request, shop, choice, sharing.preview(shop, choice), problem)
    sharing.keep_name(shop, choice.name.strip())
    name = f"shared-board-faults-{shop.today().isoformat()}.jsonl"
    return StreamingResponse(
        taking_out.chunks("jsonl", sharing.records(shop, choice)),
        media_type="application/x-ndjson",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _page(
    request: Request, shop: Shop, choice: Choice, seen: Preview | None, problem: Problem | None = None
) -> Response:
    context = {
        "nav": "data",
        "choice": choice,
        "offer": sharing.offer(shop),
        "seen": seen,
        "masked": sharing.masked_words(seen.masked) if seen else "",
        "per_page": sharing.TEXTS_SHOWN,
        "problem": problem,
    }
    return render("data/share.html", context, scope=request.scope, status=422 if problem else 200)
