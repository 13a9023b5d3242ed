"""The application factory: a shop in, an ASGI application out."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from kb import __version__, assets
from kb.service import Shop
from kb.web import errors
from kb.web.api import bench as api_bench
from kb.web.api import cases as api_cases
from kb.web.api import families as api_families
from kb.web.api import moving as api_moving
from kb.web.api import trust as api_trust
from kb.web.api.shapes import ErrorBody
from kb.web.observing import Figures, Observer
from kb.web.pages import (
    backups,
    bench,
    cases,
    data,
    diagnose,
    docs,
    families,
    figures,
    find,
    help,
    helpers,
    jobs,
    loads,
    metrics,
    report,
    track_record,
)
from kb.web.security import Guard

# Every list of a record at its longest stays below this; only imports may be larger.
_BODY_BYTES = 2_000_000


def create_app(shop: Shop, *, demo: bool = False) -> FastAPI:
    """The web application over a shop; `demo` marks every page as showing invented records."""
    app = FastAPI(
        title="Board fault book",
        version=__version__,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.state.shop = shop
    app.state.demo = demo
    app.state.figures = Figures(shop)
    refusals: dict[int | str, dict[str, Any]] = {
        code: {"model": ErrorBody} for code in (400, 403, 404, 405, 409, 412, 413, 422, 428, 500, 503)
    }
    for api in (api_cases, api_trust, api_families, api_bench, api_moving):
        app.include_router(api.router, prefix="/api", tags=["api"], responses=refusals)
    for page in (
        find,
        diagnose,
        bench,
        loads,
        helpers,
        report,
        cases,
        families,
        track_record,
        figures,
        jobs,
        backups,
        metrics,
        data,
        help,
        docs,
    ):
        app.include_router(page.router, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=assets.folder("static")), name="static")
    errors.install(app)
    upload = shop.settings.max_upload_mb * 1_000_000
    app.add_middleware(
        Guard,
        respond=errors.respond,
        max_body=lambda path: (
            upload if path in ("/api/import", "/data/import", "/helpers/log") else _BODY_BYTES
        ),
    )
    # Added last, so that it is outermost and sees what the guard refuses.
    app.add_middleware(Observer, figures=app.state.figures)
    return app
