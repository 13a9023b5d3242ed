"""A client that speaks to the application without a network, and what a browser makes of a page."""

from __future__ import annotations

import asyncio
from html.parser import HTMLParser
from typing import Any

import httpx

from kb.service import Shop
from kb.web.app import create_app
from kb.web.guard.addresses import Serving

HOST = "http://127.0.0.1:8765"


class Client:
    """httpx on one event loop of its own, called like a plain function."""

    def __init__(self, shop: Shop, *, demo: bool = False, serving: Serving | None = None) -> None:
        self.shop = shop
        self.app = create_app(shop, demo=demo, serving=serving)
        self._runner = asyncio.Runner()
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        self._client = httpx.AsyncClient(transport=transport, base_url=HOST, timeout=60)

    def leave(self) -> None:
        """Ends the client and leaves the shop open for others."""
        self._runner.run(self._client.aclose())
        self._runner.close()

    def close(self) -> None:
        self.leave()
        self.shop.close()

    def call(self, method: str, path: str, **options: Any) -> httpx.Response:
        return self._runner.run(self._client.request(method, path, **options))

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.call("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.call("POST", path, **options)


def error_of(answer: httpx.Response) -> dict[str, Any]:
    """The error in the one shape, which is checked on the way."""
    body = answer.json()
    assert set(body) == {"error"}, body
    error = body["error"]
    assert set(error) <= {"message", "field", "remedy", "log_id"}
    assert all(isinstance(value, str) and value for value in error.values()), error
    assert not error["message"][0].islower(), error
    assert error["message"].rstrip('"').endswith((".", "?")), error
    assert "Traceback" not in answer.text
    return dict(error)


class Page(HTMLParser):
    """What a browser makes of a page: its forms as they would be sent, its links and its tags."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.forms: list[dict[str, Any]] = []
        self.words = ""
        self._form: dict[str, Any] | None = None
        self._select: tuple[str, list[tuple[str, bool]]] | None = None
        self._area: tuple[str, list[str]] | None = None
        self._templates = 0
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        if tag == "template":
            self._templates += 1
        if self._templates:
            return
        if tag == "form":
            self._form = {
                "action": given.get("action", ""),
                "method": given.get("method", "get"),
                "fields": [],
                "buttons": [],
            }
            self.forms.append(self._form)
        if self._form is None:
            return
        name = given.get("name")
        if tag == "input" and name:
            kind = given.get("type") or "text"
            if kind == "file" or (kind in ("checkbox", "radio") and "checked" not in given):
                return
            self._form["fields"].append((name, given.get("value") or ""))
        elif tag == "select" and name:
            self._select = (name, [])
        elif tag == "option" and self._select:
            self._select[1].append((given.get("value") or "", "selected" in given))
        elif tag == "textarea" and name:
            self._area = (name, [])
        elif tag == "button" and name:
            self._form["buttons"].append((name, given.get("value") or ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "template":
            self._templates -= 1
        elif tag == "form":
            self._form = None
        elif tag == "select" and self._select and self._form is not None:
            name, options = self._select
            chosen = next(
                (value for value, selected in options if selected), options[0][0] if options else ""
            )
            self._form["fields"].append((name, chosen))
            self._select = None
        elif tag == "textarea" and self._area and self._form is not None:
            name, parts = self._area
            # A browser drops the first line break of a text area.
            self._form["fields"].append((name, "".join(parts).removeprefix("\n")))
            self._area = None

    def handle_data(self, data: str) -> None:
        if self._area:
            self._area[1].append(data)
        self.words += data

    def form(self, action: str) -> dict[str, str]:
        """The fields of the form with that address, as a browser would send them."""
        for form in self.forms:
            if form["action"] == action:
                return dict(form["fields"])
        raise AssertionError(f"no form sends to {action}: {[form['action'] for form in self.forms]}")
