"""Texts that a database cannot keep: a NUL character, which SQLite takes and PostgreSQL does not.

Records never hold one (`kb.model` refuses it and says in which field). This is the last line for
everything else, the same on both databases: what holds a NUL is not written, and nothing is found for it.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Engine, event

from kb.errors import BadInput

# A control character too, so that no record holds it, but one that can be asked for.
_NOTHING_HOLDS = "\x01"


def install(engine: Engine) -> None:
    """Looks at what every statement carries."""
    event.listen(engine, "before_cursor_execute", _look, retval=True)


def _look(
    _connection: Connection,
    _cursor: Any,
    statement: str,
    parameters: Any,
    context: Any,
    _executemany: bool,
) -> tuple[str, Any]:
    # Rows of one statement may come as a list, or flattened into the parameters of a single one.
    is_list = isinstance(parameters, list)
    rows = parameters if is_list else (parameters,)
    if not any(_holds_nul(row) for row in rows):
        return statement, parameters
    if context is None or context.isinsert or context.isupdate:
        raise BadInput(
            "A text holds a NUL character, which cannot be kept.",
            remedy="Remove the invisible characters, often left over from copying.",
        )
    cleaned = [_without_nul(row) for row in rows]
    return statement, cleaned if is_list else cleaned[0]


def _holds_nul(row: Any) -> bool:
    values = row.values() if hasattr(row, "values") else row
    return any(isinstance(value, str) and "\0" in value for value in values)


def _without_nul(row: Any) -> Any:
    def clean(value: Any) -> Any:
        return value.replace("\0", _NOTHING_HOLDS) if isinstance(value, str) else value

    if hasattr(row, "items"):
        return {name: clean(value) for name, value in row.items()}
    return tuple(clean(value) for value in row)
