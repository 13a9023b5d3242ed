"""What was typed and could not be taken, kept in the answer so that it can be sent again."""

from __future__ import annotations

import logging

from starlette.exceptions import HTTPException
from starlette.requests import Request

log = logging.getLogger(__name__)
# What is typed there is secret, or opens something.
_NOT_KEPT = ("/account", "/people", "/sign-in", "/set-up", "/open/")
_MOST_FIELDS = 20_000


async def typed_into(request: Request) -> list[tuple[str, str]]:
    """The names and texts of the form that a request brought; none of a form with files or secrets."""
    kind = request.headers.get("content-type", "")
    if request.url.path.startswith(_NOT_KEPT) or not kind.startswith("application/x-www-form-urlencoded"):
        return []
    try:
        form = await request.form(max_fields=_MOST_FIELDS)
    except HTTPException as trouble:
        log.info("a form that could not be taken could not be read either: %s", trouble.detail)
        return []
    return [(name, value) for name, value in form.multi_items() if isinstance(value, str)]
