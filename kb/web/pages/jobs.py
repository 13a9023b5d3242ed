"""Long work: how far it is, what came of it, and a button that stops it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import JSONResponse, Response

from kb.service.shop.jobs import Job
from kb.web.dependencies import ShopHere, VisitorHere
from kb.web.guard.access import grants
from kb.web.rendering import render, see_other

router = APIRouter()
JobId = Annotated[str, Path(max_length=32)]


@router.get("/jobs/{job_id}")
def show_job(request: Request, shop: ShopHere, visitor: VisitorHere, job_id: JobId) -> Response:
    """One piece of long work. Done and with a page of its own, it leads those there who may see that page."""
    job = shop.jobs.get(job_id)
    if job.state == "done" and job.answer_at and grants(request.app, visitor, job.answer_at):
        return see_other(job.answer_at)
    return render("jobs/page.html", {"nav": "data", "job": job}, scope=request.scope)


@router.get("/jobs/{job_id}/state")
def job_state(shop: ShopHere, job_id: JobId) -> JSONResponse:
    """The same for the module that keeps the page's bar moving."""
    return JSONResponse(_state(shop.jobs.get(job_id)), headers={"Cache-Control": "no-store"})


def _state(job: Job) -> dict[str, object]:
    return {"state": job.state, "over": job.over, "done": job.done, "total": job.total, "unit": job.unit}


@router.post("/jobs/{job_id}/stop")
def stop_job(shop: ShopHere, job_id: JobId) -> Response:
    """Stops the work at its next step; nothing of it is kept."""
    job = shop.jobs.stop(job_id)
    job.wait(2)
    return see_other(f"/jobs/{job_id}")
