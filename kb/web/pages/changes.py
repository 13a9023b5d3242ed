"""What changed in the store, and undoing what was done as one."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from kb.service import Shop
from kb.service.history import undo_batch, versions
from kb.service.shop.jobs import Job
from kb.web.dependencies import FilterText, Offset, ShopHere
from kb.web.rendering import render, see_other

router = APIRouter()
BatchId = Annotated[str, Path(max_length=32)]
Entity = Annotated[
    Literal["", "case", "family", "symptom", "part_class", "load", "picture", "shelf_part"], Query()
]
_BATCHES, _CHANGES = 10, 50
# More changes than this take longer than a page may.
_AT_ONCE = 1000


@router.get("/data/changes")
def list_changes(
    request: Request,
    shop: ShopHere,
    entity: Entity = "",
    who: FilterText = "",
    offset: Offset = 0,
    batches: Offset = 0,
) -> Response:
    """The newest batches, and single changes under them."""
    found = versions.what_changed(
        shop,
        entity=entity,
        who=who,
        limit=_CHANGES,
        offset=offset,
        batches_limit=_BATCHES,
        batches_offset=batches,
    )
    context = {
        "nav": "data",
        "found": found,
        "entity": entity,
        "who": who,
        "limit": _CHANGES,
        "offset": offset,
        "batches_limit": _BATCHES,
        "batches_offset": batches,
    }
    return render("changes/list.html", context, scope=request.scope)


@router.get("/data/changes/{batch_id}")
def show_undo(request: Request, shop: ShopHere, batch_id: BatchId) -> Response:
    """What undoing a batch would do, with the button that does it."""
    return _undo_page(request, undo_batch.preview_undo(shop, batch_id), done=False)


@router.post("/data/changes/{batch_id}/undo")
def undo(request: Request, shop: ShopHere, batch_id: BatchId) -> Response:
    """Undoes a batch; a large one as long work."""
    size = undo_batch.size(shop, batch_id)
    if size <= _AT_ONCE:
        return _undo_page(request, undo_batch.undo_batch(shop, batch_id), done=True)
    job = shop.jobs.start(
        "undo",
        "Undo what was done as one",
        lambda job: _undo_in_steps(shop, batch_id, job),
        unit="records",
        total=size,
        person=shop.person,
        answer_at="/data/changes",
    )
    return see_other(f"/jobs/{job.id}")


def _undo_in_steps(shop: Shop, batch_id: str, job: Job) -> None:
    undo_batch.undo_batch(shop, batch_id, progress=job.advance, before_keeping=job.point_of_no_return)


def _undo_page(request: Request, undone: undo_batch.Undone, *, done: bool) -> Response:
    return render("changes/undo.html", {"nav": "data", "undone": undone, "done": done}, scope=request.scope)
