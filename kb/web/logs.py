"""How the program's log is written: lines to read, or one JSON object a line."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Callable
from datetime import UTC, datetime

# What every record has of itself; anything else was given with `extra`.
_OWN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """time, level, logger, message, the request's id, what was given with `extra`, and an error's trace."""

    def __init__(self, request: Callable[[], str]) -> None:
        super().__init__()
        self._request = request

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if request := self._request():
            line["request"] = request
        line |= {name: value for name, value in vars(record).items() if name not in _OWN}
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


class PlainLines(logging.Formatter):
    """The same for a person: the moment, the level, the request and the sentence."""

    def __init__(self, request: Callable[[], str]) -> None:
        super().__init__("%(asctime)s %(levelname)s %(request_id)s%(message)s", "%Y-%m-%d %H:%M:%S")
        self._request = request

    def format(self, record: logging.LogRecord) -> str:
        request = getattr(record, "request", "") or self._request()
        record.request_id = f"[{request}] " if request else ""
        return super().format(record)


def set_up(style: str, level: str, request: Callable[[], str] = lambda: "") -> None:
    """Logs to standard error. `style` is "text" or "json"; `request` answers the id of the present request."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines(request) if style == "json" else PlainLines(request))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    # Alembic tells each step of a schema that is in order at every start.
    logging.getLogger("alembic").setLevel(logging.WARNING)
