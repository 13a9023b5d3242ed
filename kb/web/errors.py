"""Every error leaves the program in one shape: `{error: {message, field?, remedy?, log_id?}}`, or a page."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import Scope

from kb.errors import (
    AlreadyDone,
    BadInput,
    KbError,
    NotFound,
    StoreAway,
    StoreReadOnly,
    StoreTrouble,
    TooSoon,
)
from kb.model import as_dict
from kb.model.problems import explain_entries
from kb.service.boards import families, pictures
from kb.service.cases import cases
from kb.web.guard import access
from kb.web.guard.requests import PROTECTIVE_HEADERS
from kb.web.rendering import record_path, render
from kb.web.request_log import REQUEST_ID
from kb.web.resend import typed_into

log = logging.getLogger(__name__)
_BACK_S = 5  # a database that was started again answers within some seconds
_PLAIN = {
    404: ("There is nothing at this address.", "Go back to the start page."),
    405: ("This address does not take that kind of request.", "Use the links and buttons of the pages."),
}


def _inside(entry: Mapping[str, Any]) -> tuple[Any, ...]:
    """Where in what was sent an error lies."""
    inner = tuple(entry["loc"])[1:]
    if entry["type"] == "json_invalid" or not (inner or "field" in entry.get("ctx", {})):
        return ("body",)
    return inner


def _allowed(app: FastAPI, path: str) -> str:
    """All methods that an address takes; the router alone names those of its first match."""
    fitting = (route.methods for route in access.routes_of(app) if route.pattern.fullmatch(path))
    return ", ".join(sorted(frozenset().union(*fitting)))


def error_body(error: KbError, log_id: str | None = None) -> dict[str, Any]:
    """The one JSON shape; fields that say nothing are left out."""
    body = {"message": error.message, "field": error.field, "remedy": error.remedy, "log_id": log_id}
    return {"error": {name: value for name, value in body.items() if value is not None}}


def respond(scope: Scope, error: KbError, log_id: str | None = None) -> Response:
    """The answer to a request that failed: JSON under /api, a page elsewhere."""
    headers = when_to_ask_again(error)
    if scope["path"].startswith("/api"):
        return JSONResponse(error_body(error, log_id), status_code=error.status, headers=headers)
    return render(
        "error.html",
        {"error": error, "log_id": log_id, "nav": ""},
        status=error.status,
        scope=scope,
        headers=headers,
    )


def when_to_ask_again(error: KbError) -> dict[str, str] | None:
    """The header that says so, None where it is not known."""
    seconds = error.seconds if isinstance(error, TooSoon) else 0
    if isinstance(error, StoreAway):
        seconds = _BACK_S
    return {"Retry-After": str(seconds)} if seconds else None


def _done_before(request: Request, error: AlreadyDone) -> Response:
    """What was saved when it was sent the first time, as the first answer showed it or led to it."""
    shop = request.app.state.shop
    in_api = request.url.path.startswith("/api")
    try:
        if error.entity == "case":
            case = cases.stored(shop, error.name)
            body, version = as_dict(case.record), case.version
        elif error.entity == "family":
            family, version = families.get(shop, error.name)
            body = as_dict(family)
        elif error.entity == "picture":
            seen = pictures.view(shop, error.name)
            body, version = as_dict(seen.record), seen.version
        else:
            raise NotFound("It has no page of its own.")
    except NotFound:
        # Such as a step of a test, whose page shows what was entered.
        page = access.chosen(access.routes_of(request.app), "GET", request.url.path)
        if in_api or page is None:
            return respond(request.scope, error)
        return RedirectResponse(request.url.path, status_code=303)
    if not in_api:
        return RedirectResponse(record_path(error.entity, error.name), status_code=303)
    return JSONResponse({**body, "version": version}, headers={"ETag": f'"{version}"'})


async def _nothing_lost(request: Request, error: StoreTrouble) -> Response:
    """The page for a form that cannot be saved now, the database being away or read-only, with what was typed."""
    path = request.url.path
    context = {"nav": "", "error": error, "kept": await typed_into(request), "action": quote(path)}
    return render(
        "again.html", context, status=error.status, scope=request.scope, headers=when_to_ask_again(error)
    )


def install(app: FastAPI) -> None:
    """Registers the handlers."""

    async def known(request: Request, error: Exception) -> Response:
        assert isinstance(error, KbError)
        if isinstance(error, AlreadyDone):
            return await run_in_threadpool(_done_before, request, error)
        if isinstance(error, StoreAway):
            log.warning("not answered: %s", error.message)
            if request.method == "POST" and not request.url.path.startswith("/api"):
                return await _nothing_lost(request, error)
        elif isinstance(error, StoreReadOnly):
            log.warning("not saved: %s", error.message)
            if request.method == "POST" and not request.url.path.startswith("/api"):
                return await _nothing_lost(request, error)
        elif error.status >= 500:
            log.error("store trouble: %s", error.message, exc_info=error)
        return respond(request.scope, error)

    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError | ValidationError)
        entries = list(error.errors())
        if isinstance(error, RequestValidationError):
            # The first step only says whether the value came in the body, the query or the path.
            entries[0] = {**entries[0], "loc": _inside(entries[0])}
        return respond(request.scope, explain_entries(entries))

    def plain(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        message, remedy = _PLAIN.get(error.status_code, (str(error.detail).rstrip(".") + ".", None))
        shown = (
            NotFound(message, remedy=remedy) if error.status_code == 404 else BadInput(message, remedy=remedy)
        )
        shown.status = error.status_code
        answer = respond(request.scope, shown)
        answer.headers.update(error.headers or {})
        if error.status_code == 405:
            answer.headers["Allow"] = _allowed(app, request.url.path)
        return answer

    def unforeseen(request: Request, error: Exception) -> Response:
        log_id = request.scope.get(REQUEST_ID) or secrets.token_hex(8)
        log.error("unforeseen error %s at %s", log_id, request.url.path, exc_info=error)
        answer = respond(
            request.scope,
            KbError(
                "Something went wrong inside the program. What was saved before is safe.",
                remedy=f"Try again. If it stays, look for {log_id} in the log.",
            ),
            log_id,
        )
        # This answer alone is made outside the guard that adds them to all others.
        answer.headers.update({**PROTECTIVE_HEADERS, "X-Request-Id": log_id})
        return answer

    app.add_exception_handler(KbError, known)
    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(ValidationError, invalid)
    app.add_exception_handler(HTTPException, plain)
    app.add_exception_handler(Exception, unforeseen)
