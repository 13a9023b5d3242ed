"""Sharing cases with other shops: choose, look through what would leave, then write the file."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from kb.errors import BadInput, NotFound
from kb.model import Problem
from kb.service import Shop
from kb.service.shop.jobs import Job
from kb.service.transfer import exports, shares
from kb.service.transfer.shares import Choice, Seen
from kb.web.dependencies import LongFormHere, ShopHere
from kb.web.rendering import render, see_other
from kb.web.streamed import Download

router = APIRouter()
JobId = Annotated[str, Path(max_length=32)]
_MOST_WORDS = 500
_LONGEST_TYPED = 20_000


@router.get("/data/share")
def share(request: Request, shop: ShopHere) -> Response:
    """What there is to choose from."""
    return _page(request, shop, Choice(name=shares.sharing_name(shop)))


@router.post("/data/share")
def share_preview(request: Request, shop: ShopHere, data: LongFormHere) -> Response:
    """What would be shared, for looking through; nothing is written."""
    try:
        choice = _choice(shop, data)
    except NotFound as error:
        return _page_again(request, shop, data, error)
    # Only another page of the texts may rest on what was seen before: who asks to be shown again means it.
    job = _looked_through(shop, choice, data) if "offset" in data else shares.look(shop, choice)
    job.wait(shop.jobs.patience_s)
    if not isinstance(job.result, Seen):
        return see_other(f"/jobs/{job.id}")
    return _page(request, shop, choice, job, _offset(data.get("offset")))


@router.post("/data/share/file")
def share_file(request: Request, shop: ShopHere, data: LongFormHere) -> Response:
    """The file that another shop can bring in."""
    try:
        choice = _choice(shop, data)
    except NotFound as error:
        return _page_again(request, shop, data, error)
    try:
        shares.own_origin(shop, choice.name)
    except BadInput as error:
        problem = Problem(error.field or "name", error.message, error.remedy or "")
        job = _looked_through(shop, choice, data)
        job.wait(shop.jobs.patience_s)
        return _page(request, shop, choice, job, problem=problem)
    shares.keep_name(shop, choice.name.strip())
    name = f"shared-board-faults-{shop.today().isoformat()}.jsonl"
    pieces = exports.chunks("jsonl", shares.records(shop, choice))
    return Download(pieces, name, exports.FORMATS["jsonl"][2])


def _choice(shop: Shop, data: FormData) -> Choice:
    """What was chosen. Raises NotFound where no family has a number that was typed."""
    ticked = _ticked(data)
    typed = str(data.get("other_families") or "")[:_LONGEST_TYPED].replace(",", "\n").splitlines()
    numbers = [number.strip() for number in typed if number.strip()]
    return replace(ticked, families=ticked.families | shares.codes_of(shop, numbers))


def _page_again(request: Request, shop: Shop, data: FormData, error: NotFound) -> Response:
    """The page with all that was typed, where a family is not known."""
    problem = Problem("other_families", error.message, error.remedy or "")
    typed = str(data.get("other_families"))[:_LONGEST_TYPED]
    return _page(request, shop, _ticked(data), problem=problem, other_families=typed)


def _ticked(data: FormData) -> Choice:
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
        pictures="pictures" in data,
        words=tuple(words[:_MOST_WORDS]),
        left_out=frozenset(left | set(texts("leave"))),
    )


def _looked_through(shop: Shop, choice: Choice, data: FormData) -> Job:
    """The job that looked through this choice, begun again where the form knows of none that still holds."""
    known = data.get("seen")
    if isinstance(known, str) and known:
        with suppress(NotFound):
            job = shares.seen_by(shop, known)
            if shares.still_holds(shop, job, choice):
                return job
    return shares.look(shop, choice)


def _offset(text: object) -> int:
    asked = str(text or "0")
    return int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 9 else 0


@router.get("/data/share/seen/{job_id}")
def share_seen(request: Request, shop: ShopHere, job_id: JobId) -> Response:
    """What was looked through, once the job is over."""
    job = shares.seen_by(shop, job_id)
    if not isinstance(job.result, Seen):
        return see_other(f"/jobs/{job.id}")
    return _page(request, shop, job.result.choice, job)


def _page(
    request: Request,
    shop: Shop,
    choice: Choice,
    job: Job | None = None,
    offset: int = 0,
    problem: Problem | None = None,
    other_families: str = "",
) -> Response:
    """The page; with what the job saw where it is done. `other_families` is what was typed where it cannot be used."""
    found = job.result if job is not None and isinstance(job.result, Seen) else None
    seen = shares.at_page(shop, found, offset) if found else None
    offer = shares.offer(shop)
    context = {
        "nav": "data",
        "choice": choice,
        "offer": offer,
        "other_families": other_families or "\n".join(sorted(choice.families.difference(offer.families))),
        "seen": seen,
        "seen_by": job.id if job is not None and seen else "",
        "masked": shares.masked_words(seen.masked) if seen else "",
        "per_page": shares.TEXTS_SHOWN,
        "problem": problem,
    }
    return render("data/share.html", context, scope=request.scope, status=422 if problem else 200)
