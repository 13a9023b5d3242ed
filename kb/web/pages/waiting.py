"""What a device keeps while the server is away: the service worker, the key, and the page that lists it."""

from __future__ import annotations

import json

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from kb import assets
from kb.web.dependencies import VisitorHere
from kb.web.guard.kept import DeviceKeys, static_files
from kb.web.rendering import render

router = APIRouter()


@router.get("/sw.js")
def service_worker() -> Response:
    """The service worker, from the root so that it serves every page; another text whenever a file changed."""
    files, digest = static_files()
    text = (assets.folder("static") / "js" / "sw.js").read_text(encoding="utf-8")
    begin = f"const VERSION = {json.dumps(digest)};\nconst FILES = {json.dumps(files)};\n"
    return Response(begin + text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/waiting")
def waiting_page(request: Request) -> Response:
    """Lists what this device keeps; its script fills it."""
    return render("waiting.html", {"nav": ""}, scope=request.scope)


@router.get("/waiting/key")
def device_key(request: Request, visitor: VisitorHere) -> Response:
    """The key of whoever asks, for what their devices keep, and the name it goes by there."""
    keys = DeviceKeys(request.app.state.serving.key)
    body = {"person": keys.name_of(visitor), "key": keys.key_of(visitor)}
    return JSONResponse(body, headers={"Cache-Control": "no-store"})
