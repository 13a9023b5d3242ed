"""Figures for a monitor."""

from __future__ import annotations

from fastapi import APIRouter, Request
from prometheus_client import CONTENT_TYPE_LATEST
from starlette.responses import Response

router = APIRouter()


@router.get("/metrics")
def metrics(request: Request) -> Response:
    """Counts, latencies and how far the derived copies are, in the Prometheus text format."""
    return Response(request.app.state.figures.text(), media_type=CONTENT_TYPE_LATEST)
