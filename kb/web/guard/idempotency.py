"""Gives each write a key, so that the same form or call sent twice is done once.

A page puts a key of its own into each of its forms (`kb/web/rendering.py`); a program may send the header
Idempotency-Key. What is sent again with another content is another write: somebody went back and wrote more.

The script of a page sends a form with `Answer-As: address` and is told where it leads in place of being led there,
so that it knows what was saved (`static/js/outbox.js`).
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from urllib.parse import unquote_to_bytes

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kb.web.guard.requests import SAFE_METHODS, BadBody, TooLarge

FIELD = "sent_key"
_IN_FORM = re.compile(rb"(?:^|&)sent_key=([0-9a-f]{32})(?=&|$)")
_IN_PARTS = re.compile(rb'name="sent_key"\r\n\r\n([0-9a-f]{32})\r\n')
_LONGEST_KEY = 255


class Once:
    """Leaves the key of a write in the request's state; uploads, which are the same when they come again, pass."""

    def __init__(self, app: ASGIApp, *, is_upload: Callable[[str], bool]) -> None:
        self._app = app
        self._is_upload = is_upload

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in SAFE_METHODS or self._is_upload(scope["path"]):
            await self._app(scope, receive, send)
            return
        messages, trouble = await _whole(receive)
        if trouble is None:
            body, headers = b"".join(message.get("body", b"") for message in messages), Headers(scope=scope)
            scope.setdefault("state", {})["sent_key"] = key_of(scope, headers, body)
            trouble = _undecodable(headers, body)
            messages = [] if trouble else messages
            if headers.get("answer-as") == "address":
                send = _telling_address(send)
        waiting = iter(messages)

        async def again() -> Message:
            message = next(waiting, None)
            if message is not None:
                return message
            if trouble is not None:
                raise trouble  # where the route reads it, whose answer it becomes
            return await receive()

        await self._app(scope, again, send)


def _telling_address(send: Send) -> Send:
    """An answer that would lead somewhere says where, as `{"saved": address}`; any other is as it is."""
    body = b""

    async def send_told(message: Message) -> None:
        nonlocal body
        if message["type"] == "http.response.start" and message["status"] == 303:
            headers = MutableHeaders(scope=message)
            body = json.dumps({"saved": headers["location"]}).encode()
            del headers["location"]
            headers["Content-Type"], headers["Content-Length"] = "application/json", str(len(body))
            message = {**message, "status": 200}
        elif message["type"] == "http.response.body" and body:
            message = {**message, "body": body}
        await send(message)

    return send_told


def _undecodable(headers: Headers, body: bytes) -> BadBody | None:
    """Why a form cannot be taken that holds what is no text: it would be kept as something else."""
    if not headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return None
    try:
        unquote_to_bytes(body).decode()
    except UnicodeDecodeError:
        return BadBody("What was sent holds what is no text.", remedy="Send it in UTF-8, as the pages do.")
    return None


async def _whole(receive: Receive) -> tuple[list[Message], BadBody | None]:
    """The messages of a body, and why there are no more of them where it is too large or too slow."""
    messages: list[Message] = []
    try:
        while not messages or (
            messages[-1]["type"] == "http.request" and messages[-1].get("more_body", False)
        ):
            messages.append(await receive())
    except TooLarge as trouble:
        return messages, trouble
    return messages, None


def key_of(scope: Scope, headers: Headers, body: bytes) -> str:
    """What tells a write from all others; "" where it carries no key."""
    given = headers.get("idempotency-key", "").encode()[:_LONGEST_KEY]
    if not given:
        for pattern in (_IN_FORM, _IN_PARTS):
            # Of a form that is offered again with what was typed, the key it came with stands last.
            for found in pattern.finditer(body):
                given = found[1]
            if given:
                # The keys beside it differ, and a browser marks off the parts of a form otherwise each time.
                body = pattern.sub(b"", body)
                _, _, boundary = headers.get("content-type", "").partition("boundary=")
                body = body.replace(boundary.strip('"').encode(), b"") if boundary else body
                break
    if not given:
        return ""
    parts = (scope["method"].encode(), scope["path"].encode(), given, body)
    return hashlib.sha256(b"\0".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()
