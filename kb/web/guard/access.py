"""Who may do what: one line for each address and method. What has no line here is refused.

    ("GET", "/cases/{uid}"): READ,

The door (kb/web/guard/door.py) enforces this table and tests/web/test_access.py asks every route at every level
by it. A form's page needs what sending the form needs, so that nobody fills in what cannot be saved.
Sending something is READ where nothing is kept of it. HEAD needs what GET needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from re import Pattern
from typing import Any

from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from starlette.routing import Mount, compile_path

from kb.model import people as levels
from kb.service.accounts.audit import Visitor


@dataclass(frozen=True, slots=True)
class Need:
    """What a request needs.

    `level` is the level of the person, "" for anybody at all. Tokens do for programs (`is_for_programs`),
    and never where `in_person`. `event` is what goes into the audit list when the request was answered well.
    Where `fresh` the password must have been typed lately.
    """

    level: str
    in_person: bool = False
    event: str = ""
    fresh: bool = False


ANYBODY = Need("")
READ = Need(levels.READ)
WORK = Need(levels.WORK)
ADMINISTER = Need(levels.ADMINISTER, in_person=True)
# Who may do what, and forms that lead to the whole store leaving: a browser left open is not enough.
ADMINISTER_FRESH = Need(levels.ADMINISTER, in_person=True, fresh=True)
# One's own account: whoever is signed in, at every level.
OWN = Need(levels.READ, in_person=True)
OWN_FRESH = Need(levels.READ, in_person=True, fresh=True)


def audited(event: str, *, fresh: bool = False) -> Need:
    """For who administers, and told in the audit list (see kb/service/accounts/audit.py for the events)."""
    return Need(levels.ADMINISTER, in_person=True, event=event, fresh=fresh)


ACCESS: dict[tuple[str, str], Need] = {
    # the files of the pages, and how one gets in
    ("GET", "/static"): ANYBODY,
    ("GET", "/sw.js"): ANYBODY,
    ("GET", "/sign-in"): ANYBODY,
    ("POST", "/sign-in"): ANYBODY,
    ("POST", "/sign-in/code"): ANYBODY,
    ("GET", "/set-up/{secret}"): ANYBODY,
    ("POST", "/set-up/{secret}"): ANYBODY,
    ("GET", "/open/{secret}"): ANYBODY,
    # what a phone asks for before anybody is signed in: a name, pictures, and a certificate to trust
    ("GET", "/app.webmanifest"): ANYBODY,
    ("GET", "/connect/board-fault-book.crt"): ANYBODY,
    ("GET", "/connect"): READ,
    ("POST", "/connect/open"): audited("other devices let in or shut out"),
    ("POST", "/connect/close"): audited("other devices let in or shut out"),
    # photographs that a phone shares with the program: kept aside until somebody says where they belong
    ("POST", "/shared"): WORK,
    ("GET", "/shared/{share}"): WORK,
    ("POST", "/shared/{share}"): WORK,
    ("GET", "/shared/{share}/{number}"): WORK,
    # one's own account
    ("POST", "/sign-out"): OWN,
    ("GET", "/account"): OWN,
    ("POST", "/account/password"): OWN,
    ("POST", "/account/sign-out-everywhere"): OWN,
    ("GET", "/account/prove"): OWN,
    ("POST", "/account/prove"): OWN,
    ("POST", "/account/seen"): OWN,
    ("GET", "/account/code"): OWN_FRESH,
    ("GET", "/account/code.svg"): OWN_FRESH,
    ("POST", "/account/code"): OWN_FRESH,
    ("POST", "/account/code/confirm"): OWN_FRESH,
    ("POST", "/account/code/recovery"): OWN_FRESH,
    ("POST", "/account/code/remove"): OWN_FRESH,
    ("POST", "/account/tokens"): OWN,
    ("POST", "/account/tokens/{token_id}/revoke"): OWN,
    # people
    ("GET", "/people"): ADMINISTER_FRESH,
    ("POST", "/people"): ADMINISTER_FRESH,
    ("GET", "/people/audit"): ADMINISTER,
    ("GET", "/people/{person_id}"): ADMINISTER_FRESH,
    ("POST", "/people/{person_id}/level"): ADMINISTER_FRESH,
    ("POST", "/people/{person_id}/link"): ADMINISTER_FRESH,
    ("POST", "/people/{person_id}/remove"): ADMINISTER_FRESH,
    # what a device keeps while the server is away
    ("GET", "/waiting"): READ,
    ("GET", "/waiting/key"): OWN,
    # find
    ("GET", "/"): READ,
    ("GET", "/search"): READ,
    ("GET", "/complete/{what}"): READ,
    ("GET", "/api/search"): READ,
    # diagnose
    ("GET", "/diagnose"): READ,
    ("GET", "/diagnose/ranking"): READ,
    ("POST", "/api/suggestions"): READ,
    ("POST", "/api/next-measurements"): READ,
    ("POST", "/api/read"): READ,
    ("POST", "/api/speech/ready"): READ,
    ("POST", "/api/speech/heard"): READ,
    ("GET", "/track-record"): READ,
    ("GET", "/api/track-record"): READ,
    # cases
    ("GET", "/cases"): READ,
    ("POST", "/cases"): WORK,
    ("GET", "/cases/new"): WORK,
    ("POST", "/cases/read"): WORK,
    ("GET", "/cases/{uid}"): READ,
    ("POST", "/cases/{uid}"): WORK,
    ("GET", "/cases/{uid}/edit"): WORK,
    ("POST", "/cases/{uid}/evidence"): WORK,
    ("POST", "/cases/{uid}/facts"): WORK,
    ("POST", "/cases/{uid}/cause"): WORK,
    ("POST", "/cases/{uid}/follow-ups"): WORK,
    ("POST", "/cases/{uid}/bin"): WORK,
    ("POST", "/cases/{uid}/restore"): WORK,
    ("POST", "/cases/{uid}/in-hand"): WORK,
    ("POST", "/api/cases"): WORK,
    ("GET", "/api/cases/{uid}"): READ,
    ("PUT", "/api/cases/{uid}"): WORK,
    ("DELETE", "/api/cases/{uid}"): WORK,
    # pictures of boards
    ("GET", "/families/{code}/pictures"): READ,
    ("POST", "/families/{code}/pictures"): WORK,
    ("GET", "/api/families/{code}/pictures"): READ,
    ("POST", "/api/families/{code}/pictures"): WORK,
    ("GET", "/api/pictures/{uid}"): READ,
    ("PUT", "/api/pictures/{uid}"): WORK,
    ("GET", "/api/pictures/{uid}/content"): READ,
    ("GET", "/pictures/{uid}"): READ,
    ("POST", "/pictures/{uid}"): WORK,
    ("GET", "/pictures/{uid}/content"): READ,
    ("POST", "/pictures/{uid}/content"): WORK,
    ("GET", "/pictures/{uid}/whole"): READ,
    ("GET", "/pictures/{uid}/small"): READ,
    ("GET", "/pictures/{uid}/piece/{of}/{column}/{row}"): READ,
    ("GET", "/pictures/{uid}/corners"): WORK,
    ("GET", "/pictures/{uid}/pins"): WORK,
    ("GET", "/pictures/{uid}/join"): WORK,
    ("POST", "/pictures/{uid}/join"): WORK,
    ("POST", "/pictures/{uid}/use-again"): WORK,
    ("GET", "/pictures/{uid}/history"): READ,
    ("POST", "/pictures/{uid}/history"): WORK,
    # photographs and files of a case
    ("GET", "/cases/{uid}/photos"): READ,
    ("POST", "/cases/{uid}/photos"): WORK,
    ("GET", "/cases/{uid}/photos/{file}"): READ,
    ("POST", "/cases/{uid}/photos/{file}"): WORK,
    ("POST", "/cases/{uid}/photos/{file}/marks"): WORK,
    ("POST", "/cases/{uid}/photos/{file}/marks/remove"): WORK,
    ("POST", "/cases/{uid}/photos/{file}/bin"): WORK,
    ("POST", "/cases/{uid}/photos/{file}/board"): WORK,
    ("POST", "/cases/{uid}/photos/{file}/restore"): WORK,
    ("GET", "/cases/{uid}/files/{file}"): READ,
    ("GET", "/cases/{uid}/files/{file}/small"): READ,
    ("GET", "/api/cases/{uid}/files"): READ,
    ("POST", "/api/cases/{uid}/files"): WORK,
    ("GET", "/api/cases/{uid}/files/{file}"): READ,
    ("GET", "/api/cases/{uid}/files/{file}/content"): READ,
    ("PUT", "/api/cases/{uid}/files/{file}"): WORK,
    ("DELETE", "/api/cases/{uid}/files/{file}"): WORK,
    # reports and labels
    ("GET", "/cases/{uid}/report"): WORK,
    ("POST", "/cases/{uid}/report"): WORK,
    ("GET", "/reports/{uid}"): READ,
    ("GET", "/reports/{uid}/readings"): READ,
    ("GET", "/cases/{uid}/label"): READ,
    ("GET", "/cases/{uid}/label.svg"): READ,
    # families
    ("GET", "/families"): READ,
    ("POST", "/families"): WORK,
    ("GET", "/families/new"): WORK,
    ("GET", "/families/{code}"): READ,
    ("POST", "/families/{code}"): WORK,
    ("GET", "/families/{code}/edit"): WORK,
    ("GET", "/families/{code}/notes"): READ,
    ("POST", "/families/{code}/notes"): WORK,
    ("POST", "/families/{code}/documents"): WORK,
    ("POST", "/families/{code}/tips"): WORK,
    ("GET", "/families/{code}/good-boards"): READ,
    ("POST", "/families/{code}/pins"): WORK,
    ("GET", "/cases/{uid}/beside"): READ,
    ("POST", "/cases/{uid}/pins"): WORK,
    ("GET", "/shelf"): READ,
    ("POST", "/shelf"): WORK,
    ("GET", "/shelf.csv"): READ,
    ("GET", "/shelf/new"): WORK,
    ("GET", "/shelf/part"): READ,
    ("POST", "/shelf/part"): WORK,
    ("POST", "/shelf/part/remove"): WORK,
    ("POST", "/shelf/part/accept"): WORK,
    ("GET", "/shelf/part/history"): READ,
    ("POST", "/shelf/part/history"): WORK,
    ("POST", "/cases/{uid}/take"): WORK,
    ("POST", "/cases/{uid}/put-back"): WORK,
    ("GET", "/cases/{uid}/quote"): READ,
    ("POST", "/cases/{uid}/quote"): WORK,
    ("POST", "/cases/{uid}/quote/answer"): WORK,
    ("GET", "/api/shelf"): READ,
    ("GET", "/api/order-list"): READ,
    ("GET", "/order-list"): READ,
    ("GET", "/order-list.csv"): READ,
    ("GET", "/kit"): READ,
    ("GET", "/kit.csv"): READ,
    ("GET", "/api/kit"): READ,
    ("GET", "/api/families/{code}/good-boards"): READ,
    ("GET", "/api/cases/{uid}/beside"): READ,
    ("GET", "/api/families"): READ,
    ("POST", "/api/families"): WORK,
    ("GET", "/api/families/{code}"): READ,
    ("PUT", "/api/families/{code}"): WORK,
    ("DELETE", "/api/families/{code}"): WORK,
    ("GET", "/api/families/{code}/fixes"): READ,
    # figures
    ("GET", "/figures"): READ,
    ("GET", "/figures.csv"): READ,
    # bench
    ("GET", "/bench"): READ,
    ("POST", "/bench"): WORK,
    ("GET", "/bench/new"): WORK,
    ("GET", "/bench/sheet"): READ,
    ("GET", "/bench/{uid}"): READ,
    ("GET", "/bench/{uid}/sheet"): READ,
    ("POST", "/bench/{uid}/cautions"): WORK,
    ("GET", "/bench/{uid}/steps/{number}"): READ,
    ("POST", "/bench/{uid}/steps/{number}"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/take-back"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/leave-out"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/put-back"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/go-on"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/clock"): WORK,
    ("POST", "/bench/{uid}/isolation"): WORK,
    ("GET", "/bench/{uid}/loads"): WORK,
    ("POST", "/bench/{uid}/loads"): WORK,
    ("POST", "/bench/{uid}/finish"): WORK,
    ("POST", "/bench/{uid}/reopen"): WORK,
    ("POST", "/bench/{uid}/again"): WORK,
    ("POST", "/bench/{uid}/fix"): WORK,
    ("POST", "/bench/{uid}/case"): WORK,
    ("POST", "/bench/{uid}/close-case"): WORK,
    ("GET", "/loads"): READ,
    ("POST", "/loads"): WORK,
    ("GET", "/loads/plan"): READ,
    ("GET", "/helpers/discharge"): READ,
    ("GET", "/helpers/capacitor"): READ,
    ("GET", "/helpers/divider"): READ,
    ("GET", "/helpers/log"): READ,
    ("POST", "/helpers/log"): READ,
    ("POST", "/helpers/log/take"): WORK,
    ("POST", "/api/bench/assess"): READ,
    ("POST", "/api/bench/load-plan"): READ,
    ("POST", "/api/bench/discharge"): READ,
    # instruments: who names an address lets the program speak to what is there
    ("GET", "/instruments"): READ,
    ("POST", "/instruments"): ADMINISTER,
    ("POST", "/instruments/find"): ADMINISTER,
    ("POST", "/instruments/remove"): ADMINISTER,
    ("POST", "/instruments/look"): WORK,
    ("POST", "/instruments/log"): WORK,
    ("GET", "/instruments/log/{log_id}"): READ,
    ("POST", "/instruments/log/{log_id}/end"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/take"): WORK,
    ("POST", "/bench/{uid}/steps/{number}/log"): WORK,
    ("GET", "/api/instruments"): READ,
    ("POST", "/api/instruments/take"): WORK,
    ("POST", "/api/instruments/record"): WORK,
    ("POST", "/api/instruments/readings"): WORK,
    # bringing in a spreadsheet
    ("GET", "/data/sheet"): WORK,
    ("POST", "/data/sheet"): WORK,
    ("POST", "/data/sheet/mappings/remove"): WORK,
    ("POST", "/data/sheet/{sheet_id}/remove"): WORK,
    ("GET", "/data/sheet/{sheet_id}/columns"): WORK,
    ("POST", "/data/sheet/{sheet_id}/columns"): WORK,
    ("POST", "/data/sheet/{sheet_id}/reading"): WORK,
    ("GET", "/data/sheet/{sheet_id}/values"): WORK,
    ("POST", "/data/sheet/{sheet_id}/values"): WORK,
    ("GET", "/data/sheet/{sheet_id}/texts"): WORK,
    ("POST", "/data/sheet/{sheet_id}/texts"): WORK,
    ("POST", "/data/sheet/{sheet_id}/read"): WORK,
    ("GET", "/data/sheet/{sheet_id}/check"): WORK,
    ("POST", "/data/sheet/{sheet_id}/check"): WORK,
    ("GET", "/data/sheet/{sheet_id}/refused.csv"): WORK,
    ("POST", "/data/sheet/{sheet_id}/run"): WORK,
    ("GET", "/data/sheet/{sheet_id}/result"): WORK,
    ("GET", "/data/sheet/{sheet_id}/undo"): WORK,
    ("POST", "/data/sheet/{sheet_id}/undo"): WORK,
    # records in and out, lists
    ("GET", "/data"): READ,
    ("POST", "/data/import"): WORK,
    ("GET", "/data/origins"): READ,
    ("POST", "/data/origins/{origin_id}/withdraw"): audited("records merged or withdrawn"),
    ("POST", "/data/origins/{origin_id}/allow"): audited("records merged or withdrawn"),
    ("GET", "/data/take-out"): ADMINISTER_FRESH,
    ("GET", "/data/take-out/file"): audited("whole store taken out", fresh=True),
    ("GET", "/data/share"): ADMINISTER,
    ("POST", "/data/share"): ADMINISTER,
    ("GET", "/data/share/seen/{job_id}"): ADMINISTER,
    ("POST", "/data/share/file"): audited("shared with other shops"),
    ("GET", "/data/{kind}"): READ,
    ("POST", "/data/{kind}"): WORK,
    ("POST", "/api/import"): WORK,
    ("GET", "/api/export"): audited("whole store taken out", fresh=True),
    # what changed, undoing it, and going back to an earlier version
    ("GET", "/data/changes"): READ,
    ("GET", "/data/changes/{batch_id}"): WORK,
    ("POST", "/data/changes/{batch_id}/undo"): WORK,
    ("GET", "/data/merge"): WORK,
    ("POST", "/data/merge"): WORK,
    ("GET", "/data/bin"): READ,
    ("POST", "/data/bin"): WORK,
    ("POST", "/data/bin/take-out"): WORK,
    ("GET", "/data/bin/delete"): ADMINISTER,
    ("POST", "/data/bin/delete"): ADMINISTER,
    ("GET", "/cases/{uid}/history"): READ,
    ("POST", "/cases/{uid}/history"): WORK,
    ("GET", "/families/{code}/history"): READ,
    ("POST", "/families/{code}/history"): WORK,
    ("GET", "/data/{kind}/history"): READ,
    ("POST", "/data/{kind}/history"): WORK,
    ("GET", "/loads/history"): READ,
    ("POST", "/loads/history"): WORK,
    # backups hold everything, the hashes of passwords too
    ("GET", "/data/backups"): ADMINISTER,
    ("POST", "/data/backups"): audited("backup made"),
    ("GET", "/data/backups/{name}"): audited("whole store taken out", fresh=True),
    ("POST", "/data/backups/{name}/prove"): ADMINISTER,
    # long work
    ("GET", "/jobs/{job_id}"): READ,
    ("GET", "/jobs/{job_id}/state"): READ,
    ("POST", "/jobs/{job_id}/stop"): WORK,
    # what the program says about itself
    ("GET", "/help"): READ,
    ("GET", "/help/running"): READ,
    ("GET", "/api/docs"): READ,
    ("GET", "/api/openapi.json"): READ,
    ("GET", "/api/schema/{record}.json"): READ,
    ("GET", "/api/health"): READ,
    ("GET", "/metrics"): READ,
}


def is_for_programs(path: str) -> bool:
    """Whether tokens do here, and who has none is told so instead of being led to the sign-in page."""
    return path == "/metrics" or path == "/api" or path.startswith("/api/")


@dataclass(frozen=True, slots=True)
class Route:
    """One route of the application: its address as the router has it, and the function that answers."""

    path: str
    methods: frozenset[str]
    endpoint: Callable[..., Any] | None
    pattern: Pattern[str]
    is_files: bool = False

    def need(self, method: str) -> Need | None:
        """What a request needs, None where the table has no line for it."""
        return ACCESS.get(("GET" if method == "HEAD" else method, self.path))


def routes_of(app: FastAPI) -> list[Route]:
    """Every route of the application in the order in which the router tries them."""
    found = []
    for context in iter_route_contexts(app.router.routes):
        path = context.path or ""
        is_mount = isinstance(context.original_route, Mount)
        methods = {"GET", "HEAD"} if is_mount else context.methods or set()
        pattern = compile_path(path + "/{rest:path}" if is_mount else path)[0]
        found.append(Route(path, frozenset(methods), context.endpoint, pattern, is_mount))
    return found


def grants(app: FastAPI, visitor: Visitor, path: str) -> bool:
    """Whether a page at an address that is only known when it is made may be shown to whoever asks.

    `path` may have a query.
    """
    route = chosen(routes_of(app), "GET", path.partition("?")[0])
    need = route.need("GET") if route else None
    return need is not None and (need is ANYBODY or visitor.may(need.level))


def chosen(routes: list[Route], method: str, path: str) -> Route | None:
    """The route that the router will choose: the first that takes both address and method."""
    for route in routes:
        if method in route.methods and route.pattern.match(path):
            return route
    return None
