"""The door: finds out who asks, and lets in who may (kb/web/guard/access.py)."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING
from urllib.parse import urlencode, urlsplit

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kb.errors import KbError, NotAllowed, NotSignedIn, ProveAgain
from kb.model.people import ADMINISTER
from kb.service import Shop
from kb.service.accounts import audit, second_factor, signed_in, tokens
from kb.service.accounts.audit import Visitor
from kb.web.guard import kept
from kb.web.guard.access import ANYBODY, READ, Need, Route, chosen, is_for_programs
from kb.web.guard.cookies import Cookies
from kb.web.guard.kept import DeviceKeys
from kb.web.guard.requests import SAFE_METHODS, Forbidden, Responder
from kb.web.rendering import render, see_other
from kb.web.resend import typed_into

if TYPE_CHECKING:
    from kb.web.guard.addresses import Serving

log = logging.getLogger(__name__)
_LONGEST_NEXT = 2000
_NOBODY = Visitor(level="")


def place_after(text: str) -> str:
    """Where to go after signing in: an address of ours as it was asked for, "/" for any other."""
    parts = urlsplit(text) if text.isascii() and text.isprintable() and len(text) <= _LONGEST_NEXT else None
    inside = parts and not parts.scheme and not parts.netloc and parts.path.startswith("/")
    if (
        not inside
        or "\\" in text
        or text.startswith("//")
        or text.startswith(("/sign-", "/set-up", "/open/"))
    ):
        return "/"
    return text


def checked_by_the_door(request: Request) -> None:
    """A dependency of every route: the function that answers is the one the door has let in for."""
    if request.scope.get("state", {}).get("let_in") is not request.scope.get("endpoint"):
        log.error("the door chose another route than the router at %s", request.url.path)
        raise NotAllowed("This request was refused.")


class Door:
    """Finds out who asks, refuses what the table does not allow, and keeps sessions going."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        shop: Shop,
        serving: Serving,
        cookies: Cookies,
        routes: Callable[[], list[Route]],
        respond: Responder,
    ) -> None:
        self._app = app
        self._shop = shop
        self._serving = serving
        self._cookies = cookies
        self._find_routes = routes
        self._device_keys = DeviceKeys(serving.key)
        self._respond = respond

    @cached_property
    def _routes(self) -> list[Route]:
        return self._find_routes()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        headers = Headers(scope=scope)
        route = chosen(self._routes, scope["method"], scope["path"])
        if route and route.is_files:
            state["visitor"] = _NOBODY
            await self._app(scope, receive, send)
            return
        fresh: str | None = None
        try:
            need = _needed(scope, route)
            visitor, fresh = await self._who(scope, headers)
            state["visitor"] = visitor
            state["person"] = visitor.name  # for the log
            state["kept_for"] = self._device_keys.name_of(visitor)
            state["may_be_kept"] = route is not None and route.path in kept.PAGES
            state["let_in"] = route.endpoint if route else None
            self._check(scope, headers, visitor, need)
        except KbError as error:
            answer = await self._refusal(scope, receive, headers, error)
            await answer(scope, receive, self._marked(send, fresh))
            return
        send = self._for_the_device(scope, self._told(scope, send, visitor, need))
        await self._app(scope, receive, self._marked(send, fresh))

    async def _who(self, scope: Scope, headers: Headers) -> tuple[Visitor, str | None]:
        address = (scope.get("client") or ("",))[0]
        if not self._serving.sign_in:
            is_owner = self._serving.one_time is None or self._cookies.is_owner(headers)
            return (Visitor(address=address) if is_owner else _NOBODY), None
        given = headers.get("authorization", "")
        if given and is_for_programs(scope["path"]):
            scheme, _, token = given.partition(" ")
            if scheme.lower() == "bearer":
                found = await run_in_threadpool(tokens.visitor_with_token, self._shop, token.strip(), address)
                if found:
                    return found, None
            raise NotSignedIn(
                "The token is not good: it is wrong, has expired or was revoked.",
                remedy="Make a new one under your account.",
            )
        key = self._cookies.session_in(headers)
        if key is None:
            return _NOBODY, None
        known = await run_in_threadpool(signed_in.visitor_with_key, self._shop, key, address)
        return known or (_NOBODY, None)

    def _check(self, scope: Scope, headers: Headers, visitor: Visitor, need: Need) -> None:
        # Where a key lets in, nobody signs in, and only the address of the key is for anybody.
        if need is ANYBODY and (self._serving.one_time is None or scope["path"].startswith("/open/")):
            return
        if not visitor.level and self._serving.one_time:
            raise NotSignedIn(
                "This browser has not been let in.",
                remedy="Open the address that the program printed when it was started; it works once. "
                "Starting it again prints a new one.",
            )
        if not visitor.level:
            raise NotSignedIn("You are not signed in.", remedy="Sign in and try again.")
        if headers.get(kept.FOR, scope["state"]["kept_for"]) != scope["state"]["kept_for"]:
            raise NotSignedIn(
                "What was sent was written by somebody else than who is signed in now.",
                remedy="Sign in as who wrote it, and it is sent again.",
            )
        if visitor.session_id is not None and scope["method"] not in SAFE_METHODS:
            _check_comes_from_a_page(headers)
        if need.in_person and visitor.by_token:
            raise Forbidden("A token does not do for this.", remedy="Sign in with a browser.")
        if not visitor.may(need.level):
            raise Forbidden(
                f"Your account may {visitor.level}, and this needs one that may {need.level}."
                if not visitor.by_token
                else f"This token may {visitor.level}, and this needs one that may {need.level}.",
                remedy="Ask an administrator.",
            )
        self._check_proof(scope, visitor, need)
        # What cannot be told in the audit list now is not done either.
        if need.event and visitor.person_id is not None and (away := self._shop.store.away):
            raise away.error()

    def _check_proof(self, scope: Scope, visitor: Visitor, need: Need) -> None:
        """The second factor where the shop asks for one, and a password that was typed lately."""
        if visitor.session_id is None:
            return
        asks = self._shop.settings.second_factor
        is_asked = asks == "all" or (asks == "administer" and visitor.level == ADMINISTER)
        if is_asked and not visitor.has_code and not scope["path"].startswith(("/account", "/sign-")):
            raise Forbidden(
                "This shop asks for a second factor, and your account has none yet.",
                remedy="Add one under Account, with an app on your phone.",
            )
        if need.fresh and not second_factor.is_fresh(self._shop, visitor):
            raise ProveAgain(
                "For this your password is asked again: it was typed more than ten minutes ago.",
                remedy="Type it under Account, Prove who you are, and send this again.",
            )

    async def _refusal(self, scope: Scope, receive: Receive, headers: Headers, error: KbError) -> Response:
        if isinstance(error, ProveAgain) and not is_for_programs(scope["path"]):
            # A form is not kept here: those that ask for it hold what opens accounts.
            wanted = _asked_for(scope) if scope["method"] in SAFE_METHODS else _page_of(headers)
            return see_other("/account/prove?" + urlencode({"next": wanted}))
        if not isinstance(error, NotSignedIn) or not self._serving.sign_in:
            return self._respond(scope, error)
        if is_for_programs(scope["path"]):
            answer = self._respond(scope, error)
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        # A module that fetches a part of a page would otherwise put the whole sign-in page there.
        if scope["method"] in SAFE_METHODS and "text/html" in headers.get("accept", ""):
            wanted = _asked_for(scope)
            tail = "" if wanted == "/" else "?" + urlencode({"next": wanted})
            return see_other(f"/sign-in{tail}")
        if scope["method"] == "POST":
            return await _to_send_again(scope, receive, error)
        return self._respond(scope, error)

    def _told(self, scope: Scope, send: Send, visitor: Visitor, need: Need) -> Send:
        """Tells the audit list what was done, before the first byte of the answer leaves."""
        if not need.event or visitor.person_id is None:
            return send

        async def send_told(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] < 400:
                await run_in_threadpool(audit.note_alone, self._shop, visitor, need.event, scope["path"])
            await send(message)

        return send_told

    def _for_the_device(self, scope: Scope, send: Send) -> Send:
        """Says for whom a browser may keep what is answered, and that nobody is signed in any more."""
        state = scope["state"]
        owner = state["kept_for"] if state["may_be_kept"] else ""
        if scope["path"] == "/sign-in" and not state["kept_for"]:
            owner = kept.NOBODY
        if not owner or scope["method"] not in SAFE_METHODS:
            return send

        async def send_named(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 200:
                headers = MutableHeaders(scope=message)
                headers[kept.FOR] = owner
                headers[kept.FILES] = kept.static_files()[1]
            await send(message)

        return send_named

    def _marked(self, send: Send, fresh: str | None) -> Send:
        """Adds a new session key where one is due, and keeps what people see out of every cache."""

        async def send_marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                set_already = any(
                    value.startswith(self._cookies.session_name) for value in headers.getlist("set-cookie")
                )
                if fresh and not set_already:
                    headers.append("Set-Cookie", self._cookies.session(fresh))
                if self._serving.sign_in or self._serving.one_time:
                    headers["Cache-Control"] = "no-store"
            await send(message)

        return send_marked


def _asked_for(scope: Scope) -> str:
    """The address of a request, as where to go on."""
    query = scope["query_string"].decode("latin-1")
    return place_after(scope["path"] + (f"?{query}" if query else ""))


def _page_of(headers: Headers) -> str:
    """The page that a form was sent from."""
    parts = urlsplit(headers.get("referer", ""))
    return place_after(parts.path + (f"?{parts.query}" if parts.query else "")) if parts.path else "/account"


def _needed(scope: Scope, route: Route | None) -> Need:
    """What a request needs. Where nothing is, one must be signed in to be told so.

    Raises Forbidden for a route that has no line in the table.
    """
    if route is None:
        return READ
    need = route.need(scope["method"])
    if need is None:
        log.error("no line in kb/web/guard/access.py for %s %s: refused", scope["method"], route.path)
        raise Forbidden(
            "Nobody may use this address yet.",
            remedy=f"Whoever wrote it adds {scope['method']} {route.path} to kb/web/guard/access.py.",
        )
    return need


def _check_comes_from_a_page(headers: Headers) -> None:
    """Every browser that holds a session says from where it writes."""
    if "sec-fetch-site" not in headers and "origin" not in headers:
        raise Forbidden(
            "This request does not say from which page it came.",
            remedy="Programs use a token instead of a browser's cookie.",
        )


async def _to_send_again(scope: Scope, receive: Receive, error: KbError) -> Response:
    """The form that was sent, to be sent again after signing in: nothing that was typed is lost."""
    kept = await typed_into(Request(scope, receive))
    context = {"nav": "", "error": error, "kept": kept, "action": place_after(scope["path"])}
    return render("people/again.html", context, scope=scope, status=error.status)
