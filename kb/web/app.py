"""The application factory: a shop in, an ASGI application out."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from fastapi import APIRouter, Depends, FastAPI
from starlette.routing import BaseRoute
from starlette.staticfiles import StaticFiles

from kb import __version__, assets
from kb.service import Shop
from kb.web import errors
from kb.web.api import bench as api_bench
from kb.web.api import cases as api_cases
from kb.web.api import families as api_families
from kb.web.api import files as api_files
from kb.web.api import good_boards as api_good_boards
from kb.web.api import instruments as api_instruments
from kb.web.api import pictures as api_pictures
from kb.web.api import read_text as api_reading
from kb.web.api import shelf as api_shelf
from kb.web.api import speech as api_speech
from kb.web.api import transfer as api_moving
from kb.web.api import trust as api_trust
from kb.web.api.shapes import ErrorBody
from kb.web.guard import access
from kb.web.guard.addresses import Serving
from kb.web.guard.cookies import Cookies
from kb.web.guard.door import Door, checked_by_the_door
from kb.web.guard.idempotency import Once
from kb.web.guard.request_limits import Turns
from kb.web.guard.requests import Guard
from kb.web.pages import (
    account,
    backups,
    bench,
    bin,
    calculators,
    cases,
    changes,
    connect,
    data,
    diagnose,
    docs,
    families,
    family_notes,
    figures,
    find,
    good_boards,
    help,
    history,
    install,
    instruments,
    jobs,
    kit,
    loads,
    merge,
    metrics,
    origins,
    people,
    photos,
    pictures,
    quotes,
    report,
    second_factor,
    share,
    shared_pictures,
    sheets,
    shelf,
    sign_in,
    take_out,
    track_record,
    waiting,
)
from kb.web.reach import Network
from kb.web.request_log import Figures, Observer

_API = (
    api_cases,
    api_files,
    api_trust,
    api_reading,
    api_families,
    api_good_boards,
    api_pictures,
    api_shelf,
    api_bench,
    api_instruments,
    api_speech,
    api_moving,
)
_PAGES = (
    find,
    diagnose,
    bench,
    loads,
    calculators,
    instruments,
    report,
    photos,
    pictures,
    good_boards,
    kit,
    cases,
    families,
    family_notes,
    history,
    changes,
    bin,
    merge,
    track_record,
    figures,
    jobs,
    origins,
    take_out,
    share,
    backups,
    metrics,
    sheets,
    shelf,
    quotes,
    data,
    help,
    docs,
    connect,
    install,
    shared_pictures,
    sign_in,
    account,
    second_factor,
    people,
    waiting,
)

# Every list of a record at its longest stays below this; only uploads may be larger.
_BODY_BYTES = 2_000_000
# Where files are sent; they go to the disk and not into the memory.
_UPLOADS = re.compile(
    r"/api/import|/data/import|/data/sheet|/helpers/log|/cases/[^/]+/photos|/api/cases/[^/]+/files"
    r"|/shared|/families/[^/]+/pictures|/api/families/[^/]+/pictures|/pictures/[^/]+/content"
)


def create_app(shop: Shop, *, demo: bool = False, serving: Serving | None = None) -> FastAPI:
    """The web application over a shop; `demo` marks every page as showing invented records.

    `serving` says how it is reached; left out, it is this machine only, without sign-in.
    """
    serving = serving or Serving()
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
    app.state.serving = serving
    app.state.network = Network()
    app.state.cookies = Cookies(serving.key, tls=serving.tls, session_s=shop.settings.session_hours * 3600)
    # First, since a page brings a dozen of these with it.
    app.mount("/static", StaticFiles(directory=assets.folder("static")), name="static")
    app.router.routes.extend(_routes())
    errors.install(app)
    _keep_out(app, shop, serving)
    return app


@cache
def _routes() -> list[BaseRoute]:
    """The routes of the API and of the pages, which are the same for every shop.

    Working out what each one takes costs more than all the rest of an application, so it is done once.
    """
    router = APIRouter(dependencies=[Depends(checked_by_the_door)])
    refusals: dict[int | str, dict[str, Any]] = {
        code: {"model": ErrorBody} for code in (400, 401, 403, 404, 405, 409, 412, 413, 422, 428, 500, 503)
    }
    for api in _API:
        router.include_router(api.router, prefix="/api", tags=["api"], responses=refusals)
    for page in _PAGES:
        router.include_router(page.router, include_in_schema=False)
    return router.routes


def _keep_out(app: FastAPI, shop: Shop, serving: Serving) -> None:
    """Puts the door before the application, and the guard before the door."""
    upload = shop.settings.max_upload_mb * 1_000_000
    app.add_middleware(Turns, respond=errors.respond, is_upload=lambda path: bool(_UPLOADS.fullmatch(path)))
    # Before a turn is taken: a body that comes slowly keeps nobody else waiting.
    app.add_middleware(Once, is_upload=lambda path: bool(_UPLOADS.fullmatch(path)))
    app.add_middleware(
        Door,
        shop=shop,
        serving=serving,
        cookies=app.state.cookies,
        routes=lambda: access.routes_of(app),
        respond=errors.respond,
    )
    app.add_middleware(
        Guard,
        respond=errors.respond,
        serving=serving,
        max_body=lambda path: upload if _UPLOADS.fullmatch(path) else _BODY_BYTES,
    )
    # Added last, so that it is outermost and sees what the guard refuses.
    app.add_middleware(Observer, figures=app.state.figures)
