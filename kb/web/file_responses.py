"""Answers that carry the bytes of a file: the type that was proved, and nothing a browser could run.

A document may hold programs and links of its own. It is never shown inside a page of ours: it is handed
out as a download, for the reader that its owner chose, and the sandbox takes away what rights a browser
that opens it all the same would give it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import Request
from starlette.responses import FileResponse, Response

from kb.service import Shop
from kb.service.boards import pictures
from kb.service.boards.pictures import PictureView
from kb.service.cases import cases, files
from kb.service.cases.files import StoredCaseFile

# What is behind an address never changes: another content is another file.
_KEPT = "private, max-age=31536000, immutable"
_LOCKED = {
    "Content-Security-Policy": "default-src 'none'; sandbox; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": _KEPT,
}


def content_answer(request: Request, shop: Shop, file: StoredCaseFile) -> Response:
    """The stored bytes, or 304 where the asker holds them. Raises StoreTrouble where they are missing."""
    place = "inline" if file.is_picture else "attachment"
    headers = {
        **_LOCKED,
        "ETag": f'"{file.content.content}"',
        "Content-Disposition": f'{place}; filename="{file_name(file)}"',
    }
    if _holds(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    files.bytes_of(shop, file).close()
    return FileResponse(
        shop.files.path(file.content.content), media_type=file.content.media_type, headers=headers
    )


def small_answer(request: Request, shop: Shop, file: StoredCaseFile) -> Response:
    """The small picture, or 304 where the asker holds it. Raises NotFound for documents."""
    headers = {**_LOCKED, "ETag": f'"{file.content.content}-small"'}
    if _holds(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return Response(files.small_of(shop, file), media_type="image/webp", headers=headers)


def stored_picture_answer(request: Request, shop: Shop, seen: PictureView) -> Response:
    """The stored bytes of a board's picture, or 304. Raises StoreTrouble where they are missing."""
    record = seen.record
    name = f"board-{record.uid[:8]}.{files.SUFFIX[record.media_type]}"
    headers = {
        **_LOCKED,
        "ETag": f'"{record.sha256}"',
        "Content-Disposition": f'inline; filename="{name}"',
    }
    if _holds(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return FileResponse(pictures.path_of(shop, record), media_type=record.media_type, headers=headers)


def made_answer(request: Request, name: str, make: Callable[[], bytes]) -> Response:
    """Something made of a picture, as WebP, or 304 where the asker holds what bears that name."""
    headers = {**_LOCKED, "ETag": f'"{name}"'}
    if _holds(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return Response(make(), media_type="image/webp", headers=headers)


def file_name(file: StoredCaseFile) -> str:
    """A name of ours for a download: the case and the file's place in it, with the suffix of its type."""
    short = "".join(one for one in cases.short_uid(file.case_uid) if one.isalnum())
    return f"case-{short}-{file.uid[:8]}.{files.SUFFIX[file.content.media_type]}"


def _holds(request: Request, tag: str) -> bool:
    held = [one.strip().removeprefix("W/") for one in request.headers.get("if-none-match", "").split(",")]
    return tag in held or "*" in held


def bytes_answer(*media_types: str) -> dict[int | str, dict[str, Any]]:
    """What a call that answers with the bytes of a file says of its answers."""
    content = {kind: {"schema": {"type": "string", "format": "binary"}} for kind in media_types}
    return {
        200: {"description": "The stored bytes, under the type that was proved", "content": content},
        304: {"description": "The asker holds these bytes already"},
    }
