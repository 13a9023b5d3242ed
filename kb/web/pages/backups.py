"""The folder of backups in the browser: make one, read one through, carry one away. Restoring is done at
the command line, where nobody does it by a slip of the finger."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import FileResponse, Response

from kb.service import Shop
from kb.service.operate import backups
from kb.service.operate.backups import Progress
from kb.service.shop.jobs import Job
from kb.web.dependencies import ShopHere
from kb.web.rendering import render, see_other

router = APIRouter()
Name = Annotated[str, Path(max_length=160)]


@router.get("/data/backups")
def list_backups(
    request: Request, shop: ShopHere, done: Annotated[str, Query(max_length=160)] = ""
) -> Response:
    """What lies in the folder, with age, size and whether it was proved."""
    context = {"nav": "data", "listing": backups.listing(shop), "done": done}
    return render("data/backups.html", context, scope=request.scope)


@router.post("/data/backups")
def make_backup(shop: ShopHere) -> Response:
    """Makes one now, as a job."""

    def work(job: Job) -> str:
        made = backups.make(shop, _told(job))
        return made.name

    return _begin(shop, "backup", "Backing up", work)


@router.post("/data/backups/{name}/prove")
def prove_backup(shop: ShopHere, name: Name) -> Response:
    """Reads one through, as a job. Raises NotFound."""
    backups.path_of(shop, name)
    return _begin(
        shop, "prove backup", f"Reading {name} through", lambda _job: backups.prove(shop, name).name
    )


@router.get("/data/backups/{name}")
def fetch_backup(shop: ShopHere, name: Name) -> Response:
    """The file itself. Raises NotFound."""
    return FileResponse(
        backups.path_of(shop, name),
        filename=name,
        media_type="application/zip" if name.endswith(".zip") else "application/vnd.sqlite3",
        headers={"Cache-Control": "no-store"},
    )


def _told(job: Job) -> Progress:
    def told(done: int, total: int) -> None:
        job.total = total
        job.advance_to(done)

    return told


def _begin(shop: Shop, kind: str, title: str, work: Callable[[Job], str]) -> Response:
    job = shop.jobs.start(
        kind, title, work, unit="bytes", person=shop.person, answer_at=f"/data/backups?done={kind}"
    )
    # Most stores are done before a page could say that one has to wait.
    job.wait(2)
    return see_other(f"/jobs/{job.id}")
