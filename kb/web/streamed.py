"""Answers that are written while they are sent: large downloads, of which little is held at a time."""

from __future__ import annotations

from collections.abc import Generator

import anyio
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send


class Download(StreamingResponse):
    """A file made of pieces, offered under a name of ours.

    The pieces come from a generator that holds the store at one moment, and files of its own. It is closed
    however the answer ends: a reader who goes away half-way would otherwise leave it to the collector of
    unused objects, and a connection and its moment of the store would be held until then.
    """

    def __init__(self, pieces: Generator[bytes], name: str, media_type: str) -> None:
        super().__init__(
            pieces,
            media_type=media_type,
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )
        self._pieces = pieces

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            # The reader's going away cancels all that waits here, but not this.
            with anyio.CancelScope(shield=True):
                await anyio.to_thread.run_sync(self._pieces.close)
