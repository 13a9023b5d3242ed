"""Records in and out, the schemas of the records, and the state of the store."""

import tempfile
from dataclasses import asdict
from typing import Any, Literal

import anyio.from_thread
from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response, StreamingResponse

from kb.errors import BadInput, NotFound
from kb.model import RECORD_TYPES
from kb.service.find.case_search import Filters
from kb.service.operate import health
from kb.service.transfer import exports, json_lines
from kb.service.transfer.exports import Choice
from kb.service.transfer.json_lines import ImportReport
from kb.web.api import shapes
from kb.web.dependencies import FilterText, QueryText, ShopHere, Year
from kb.web.errors import error_body
from kb.web.rendering import plural
from kb.web.streamed import Download

router = APIRouter()
_IN_MEMORY_BYTES = 4_000_000
_LINES_BETWEEN = 2_000  # between two looks at whether the sender is still there


def report_body(report: ImportReport) -> dict[str, Any]:
    """An import's report as the API returns it."""
    return {
        "saved": report.saved,
        "added": report.added,
        "updated": report.updated,
        "unchanged": report.unchanged,
        "refused": report.refused,
        "stopped": report.stopped,
        "conflicting": report.conflicting,
        "conflicts": report.conflicts,
        "created": report.created[:200],
        "origin": report.origin,
        "ours": report.ours,
        "differences": report.differences,
        "problems": [
            {
                "line": problem.line,
                "field": problem.field,
                "message": problem.message,
                "remedy": problem.remedy,
            }
            for problem in report.problems
        ],
    }


@router.post(
    "/import",
    response_model=shapes.ImportOut,
    openapi_extra={
        "requestBody": {
            "content": {"application/x-ndjson": {"schema": {"type": "string"}}},
            "required": False,
        }
    },
)
async def import_lines(
    shop: ShopHere,
    request: Request,
    create_missing: bool = False,
    skip_bad: bool = False,
    overwrite: bool = False,
) -> Response:
    """Imports JSON Lines, all or nothing; 422 with error and report where a line was refused.

    What the store has moved on from, and what lies in the bin, stays as it is and is told in `conflicts`, unless
    the file is to `overwrite`.
    """
    lines = 0

    lines = 0

    def refuse_gone(_: int) -> None:
        """Called for each line, in the thread of the import."""
        nonlocal lines
        lines += 1
        if lines % _LINES_BETWEEN == 0 and anyio.from_thread.run(request.is_disconnected):
            raise BadInput("Whoever sent the file has gone, so nothing was imported.")

    with tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES) as body:
        async for part in request.stream():
            body.write(part)
        body.seek(0)
        report = await run_in_threadpool(
            json_lines.bring_in,
            shop,
            body,
            create_missing=create_missing,
            skip_bad=skip_bad,
            overwrite=overwrite,
            progress=refuse_gone,
        )
    if report.saved:
        return JSONResponse(report_body(report))
    first = report.problems[0]
    refusal = BadInput(
        f"Nothing was imported: {plural(report.refused, 'line')} cannot be used. Line {first.line}: {first.message}",
        field=first.field,
        remedy=first.remedy,
    )
    return JSONResponse({**error_body(refusal), **report_body(report)}, status_code=refusal.status)


@router.get(
    "/export",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "One record a line, or a spreadsheet, or a data package",
            "content": {
                "application/x-ndjson": {"schema": {"type": "string"}},
                "text/csv": {"schema": {"type": "string"}},
                "application/zip": {"schema": {"type": "string", "format": "binary"}},
            },
        }
    },
)
def export(
    shop: ShopHere,
    format: Literal["jsonl", "csv", "attempts", "package"] = "jsonl",
    q: QueryText = "",
    family: FilterText = "",
    part_class: FilterText = "",
    section: FilterText = "",
    verdict: FilterText = "",
    year: Year = None,
    with_photos: bool = False,
) -> Download:
    """The whole store, or the cases that a search finds with all that they name.

    `with_photos` puts the photographs and files of the cases into a data package; 422 for other formats.
    """
    choice = Choice(q, Filters(family, section, part_class, verdict, year))
    name = exports.file_name(shop, format, json_lines.newest_change(shop))
    pieces = exports.taken(shop, format, choice, with_photos=with_photos)
    return Download(pieces, name, exports.FORMATS[format][2])


@router.get(
    "/schema/{record}.json",
    response_class=Response,
    responses={
        200: {
            "description": "A JSON Schema",
            "content": {"application/schema+json": {"schema": {"type": "object"}}},
        }
    },
)
def schema(record: str = Path(max_length=40)) -> JSONResponse:
    """JSON Schema of one kind of record of the exchange format."""
    model = RECORD_TYPES.get(record)
    if model is None:
        raise NotFound(
            f'There is no record called "{record}".',
            field="record",
            remedy="Use one of: " + ", ".join(sorted(RECORD_TYPES)) + ".",
        )
    return JSONResponse(
        {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema()},
        media_type="application/schema+json",
    )


@router.get("/health", response_model=shapes.HealthOut)
def state(shop: ShopHere) -> JSONResponse:
    """Change numbers of store, index and counts; 503 when one is behind and cannot catch up."""
    found = health.health(shop)
    return JSONResponse(asdict(found), status_code=200 if found.ok else 503)
