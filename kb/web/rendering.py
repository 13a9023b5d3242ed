"""Pages from templates. Escaping is on for every kind of template."""

from __future__ import annotations

import re
import secrets
from datetime import date
from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import Scope

from kb import __version__, assets
from kb.facts.quantities import format_quantity
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.facts.vocabulary import QUANTITIES
from kb.model import RECORD_TYPES, Attempt, label_of
from kb.model.people import ADMINISTER, WORK
from kb.service.accounts import people
from kb.service.accounts.audit import Visitor, moment
from kb.service.bench.report_words import seen
from kb.service.boards.notes import tips_at
from kb.service.speech import hearing

_RECORDS = RECORD_TYPES | {"attempt": Attempt}
_QUANTITY_MEANING = {word.value: word.meaning for word in QUANTITIES}


def quantity(value: float | None, kind: str) -> str:
    """A stored SI value with its unit, as a technician writes it."""
    return "" if value is None else format_quantity(value, UNIT_OF_QUANTITY[kind])


def plural(count: int, one: str, many: str | None = None) -> str:
    """`1 case`, `2 cases`."""
    return f"{count:,} {one if count == 1 else many or one + 's'}".replace(",", " ")


def day(value: date | None) -> str:
    """A date as the records write it; an unknown one is a dash."""
    return value.isoformat() if value else "–"


def family_path(code: str) -> str:
    """The address of a family's page. Separators do not count in a code, so a slash may be a hyphen."""
    return "/families/" + quote(code.replace("/", "-"), safe="")


def see_other(url: str) -> RedirectResponse:
    """Where a form that was taken leads: the browser asks for that page, so that reloading sends nothing again."""
    return RedirectResponse(url, status_code=303)


def csv_file(text: str, name: str) -> Response:
    """Comma-separated text as a file for a spreadsheet program."""
    return Response(
        # The mark tells spreadsheet programs that this is UTF-8.
        "\ufeff" + text,
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def record_path(entity: str, name: str) -> str:
    """The address of a record's own page, or of the list it stands in."""
    if entity == "case":
        return "/cases/" + quote(name, safe="")
    if entity == "family":
        return family_path(name)
    if entity == "picture":
        return "/pictures/" + quote(name, safe="")
    query = "?" + urlencode({"name": name})
    paths = {"symptom": "/data/symptoms", "part_class": "/data/part-classes", "shelf_part": "/shelf/part"}
    return paths.get(entity, "/loads") + query


def history_path(entity: str, name: str) -> str:
    """The address of a record's history."""
    path, mark, query = record_path(entity, name).partition("?")
    return f"{path}/history{mark}{query}"


def percent(value: float) -> str:
    """A share in whole per cent; never 0 or 100 for what is neither impossible nor certain."""
    if 0 < value < 0.01:
        return "under 1 %"
    if 0.99 < value < 1:
        return "over 99 %"
    return f"{round(value * 100)} %"


@cache
def environment() -> Environment:
    """The template environment, made once."""
    made = Environment(
        loader=FileSystemLoader(assets.folder("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters.update(
        quantity=quantity, plural=plural, day=day, percent=percent, family_path=family_path, seen=seen
    )
    made.globals["label"] = lambda record, field: label_of(_RECORDS[record], field)
    made.globals.update(record_path=record_path, history_path=history_path)
    made.filters["query"] = lambda pairs: urlencode([pair for pair in pairs if pair[1]])
    made.filters["quantity_meaning"] = lambda kind: _QUANTITY_MEANING[kind].split(",")[0]
    made.filters["tips"] = tips_at
    made.globals["version"] = __version__
    return made


def _account_news(visitor: Visitor | None) -> list[dict[str, Any]]:
    return [{**line, "at": moment(line["at"])} for line in people.told(visitor)] if visitor else []


_FORM = re.compile(r'<form\b[^<>]*\bmethod="post"[^<>]*>', re.IGNORECASE)


def with_keys(page: str) -> str:
    """The page with a key in each form that saves, so that a second click saves nothing more."""
    return _FORM.sub(
        lambda form: f'{form[0]}<input type="hidden" name="sent_key" value="{secrets.token_hex(16)}">', page
    )


def render(
    name: str,
    context: dict[str, Any],
    *,
    scope: Scope,
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> HTMLResponse:
    """A page. What every page knows of the shop comes from the application's state.

    `may_work` and `may_administer` say what whoever asks may do: what a page offers beyond reading stands
    inside one of them. Before it is known who asks, that is nothing where people sign in.
    """
    state = scope["app"].state
    signs_in = state.serving.sign_in
    asked = scope.get("state", {})
    visitor = asked.get("visitor")
    shared = {
        "shop_name": state.shop.settings.shop_name,
        "currency": state.shop.settings.currency,
        "demo": state.demo,
        "signs_in": signs_in,
        "visitor": visitor,
        "may_work": visitor.may(WORK) if visitor else not signs_in,
        "may_administer": visitor.may(ADMINISTER) if visitor else not signs_in,
        "away": state.shop.store.away,
        "account_news": _account_news(visitor),
        "read_only": state.shop.store.read_only,
        "kept_for": asked.get("kept_for", ""),
        "may_be_kept": asked.get("may_be_kept", False),
        "query": "",
        "speech_trouble": lambda: hearing.trouble(state.shop),
    }
    page = with_keys(environment().get_template(name).render({**shared, **context}))
    return HTMLResponse(page, status_code=status, headers=headers)
