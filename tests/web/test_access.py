"""Every route, at every level, by every method: who is let in is what the one table says."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from factories import exported, fresh_shop
from fastapi import FastAPI
from signed_in import Office, asks_to_sign_in
from web_client import HOST, Client, error_of

from kb.model import Reading
from kb.service.accounts.audit import EVENTS
from kb.web.guard import access, door
from kb.web.guard.access import ACCESS, ANYBODY, Need, Route

# Sending these keeps nothing in the store, so reading is enough.
KEEP_NOTHING = {
    ("POST", "/api/suggestions"),
    ("POST", "/api/next-measurements"),
    ("POST", "/api/read"),
    ("POST", "/api/speech/ready"),
    ("POST", "/api/speech/heard"),
    ("POST", "/api/bench/assess"),
    ("POST", "/api/bench/load-plan"),
    ("POST", "/api/bench/discharge"),
    ("POST", "/helpers/log"),
}
# How one gets in, and one's own account.
OF_ONESELF = ("/sign-in", "/sign-out", "/set-up/", "/open/", "/account")
FILLED = {
    "uid": "one",
    "code": "GL-31",
    "number": "1",
    "kind": "symptoms",
    "what": "anything",
    "record": "case",
    "job_id": "none",
    "secret": "none",
    "token_id": "999",
    "person_id": "999",
}
ENDS_SESSIONS = ("/sign-out", "/account/sign-out-everywhere")
NOBODYS = {"Origin": HOST, "Accept": "text/html"}
SESSIONS = ("", "read", "work", "administer")
TOKENS = (("read", "read"), ("work", "read"), ("work", "work"), ("administer", "work"))


@pytest.fixture(scope="module")
def office() -> Iterator[Office]:
    """One shop for all routes."""
    made = Office()
    yield made
    made.close()


@pytest.fixture(scope="module")
def routes(office: Office) -> list[tuple[str, Route]]:
    """Every route with each of its methods."""
    return [(method, route) for route in access.routes_of(office.app) for method in sorted(route.methods)]


def needed(method: str, route: Route) -> Need:
    """What the one table says of a route."""
    need = route.need(method)
    assert need is not None, f'no line in kb/web/guard/access.py: ("{method}", "{route.path}"): READ,'
    return need


def path_of(route: Route) -> str:
    """An address of the route; what fills a parameter need not exist."""
    path = re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: FILLED.get(found[1], "1"), route.path)
    return path + "/css/sheet.css" if route.is_files else path


def test_every_route_has_its_line_and_every_line_its_route(routes: list[tuple[str, Route]]) -> None:
    lines = {("GET" if method == "HEAD" else method, route.path) for method, route in routes}
    missing = "\n".join(f'    ("{method}", "{path}"): READ,' for method, path in sorted(lines - set(ACCESS)))
    assert not missing, f"add to ACCESS in kb/web/guard/access.py, at the level that it needs:\n{missing}"
    stale = "\n".join(f'    ("{method}", "{path}")' for method, path in sorted(set(ACCESS) - lines))
    assert not stale, f"take out of ACCESS in kb/web/guard/access.py, there is no such route:\n{stale}"


def test_what_is_kept_needs_more_than_reading() -> None:
    for (method, path), need in ACCESS.items():
        if method != "GET" and (method, path) not in KEEP_NOTHING and not path.startswith(OF_ONESELF):
            assert need.level in ("work", "administer"), f"{method} {path}"


def test_what_a_meter_log_came_to_is_taken_by_who_works_alone() -> None:
    office = Office()
    before = exported(office.shop)
    taken = {"case": "one", "take": Reading(rail="24V", supply="running", value=23.9).model_dump_json()}
    assert office.as_("read", "POST", "/helpers/log", data=taken).status_code == 422
    assert office.as_("read", "POST", "/helpers/log/take", data=taken).status_code == 403
    assert exported(office.shop) == before
    assert office.as_("work", "POST", "/helpers/log/take", data=taken).status_code == 303
    assert exported(office.shop) != before
    office.close()


def test_people_are_for_administrators_in_person_and_nobody_else_is_anybody() -> None:
    for (method, path), need in ACCESS.items():
        if path.startswith("/people"):
            # The password again, but for the list of what was done.
            wanted = access.ADMINISTER if path == "/people/audit" else access.ADMINISTER_FRESH
            assert need == wanted, f"{method} {path}"
        if need == ANYBODY:
            ways_in = ("/static", "/sign-in", "/set-up/", "/open/")
            # The worker and the name of the program, and what a device must trust before it can sign in: nothing
            # of the store.
            public = ("/sw.js", "/app.webmanifest", "/connect/board-fault-book.crt")
            assert path.startswith(ways_in) or path in public, f"{method} {path}"
        if need.level == "administer" or path.startswith("/account"):
            assert need.in_person, f"{method} {path}"
        assert need.event in ("", *EVENTS)


def is_let_in(need: Need, level: str) -> bool:
    order = ["", "read", "work", "administer"]
    return order.index(level) >= order.index(need.level)


@pytest.mark.parametrize("level", SESSIONS)
def test_each_level_is_let_in_or_kept_out(
    office: Office, routes: list[tuple[str, Route]], level: str
) -> None:
    session: dict[str, str] = {}
    for method, route in routes:
        need, path = needed(method, route), path_of(route)
        if not session and level:
            session = office.signed_in(level)
        answer = office.call(method, path, headers=session or NOBODYS)
        told = f"{method} {route.path}: {answer.status_code}"
        assert answer.status_code < 500, told
        if is_let_in(need, level):
            assert not asks_to_sign_in(answer) or path in ENDS_SESSIONS, told
            assert answer.status_code != 403, told
        elif level:
            assert answer.status_code == 403, told
        else:
            assert asks_to_sign_in(answer), told
            if access.is_for_programs(path):
                assert answer.headers["www-authenticate"] == "Bearer", told
                if method != "HEAD" and path != "/metrics":
                    error_of(answer)
        if path in ENDS_SESSIONS:
            session = {}


@pytest.mark.parametrize(("person", "scope"), TOKENS)
def test_each_token_does_for_the_api_and_for_no_more(
    office: Office, routes: list[tuple[str, Route]], person: str, scope: str
) -> None:
    headers = office.with_token(person, scope)
    for method, route in routes:
        need, path = needed(method, route), path_of(route)
        answer = office.call(method, path, headers=headers)
        told = f"{method} {route.path}: {answer.status_code}"
        assert answer.status_code < 500, told
        if need == ANYBODY:
            assert not asks_to_sign_in(answer), told
        elif not access.is_for_programs(path):
            assert asks_to_sign_in(answer), told
        elif need.in_person or not is_let_in(need, scope):
            assert answer.status_code == 403, told
        else:
            assert answer.status_code not in (401, 403), told


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"])
@pytest.mark.parametrize("path", ["/nowhere", "/api/nowhere", "/cases/one/nowhere", "/people/x/y", "/cases/"])
def test_who_is_not_signed_in_is_not_even_told_what_there_is(office: Office, method: str, path: str) -> None:
    answer = office.as_("", method, path)
    assert asks_to_sign_in(answer)
    assert office.as_("read", method, path).status_code in (307, 404, 405)


def with_a_new_route(app: FastAPI) -> FastAPI:
    def secret() -> dict[str, str]:
        return {"told": "everything"}

    app.add_api_route("/brand-new", secret, methods=["GET", "POST"])
    return app


def test_a_route_without_a_line_is_refused_to_everybody(caplog: pytest.LogCaptureFixture) -> None:
    office = Office()
    with_a_new_route(office.app)
    for level in SESSIONS:
        answer = office.as_(level, "GET", "/brand-new")
        assert answer.status_code == 403
        assert "everything" not in answer.text
    assert "GET /brand-new to kb/web/guard/access.py" in answer.text
    assert "no line in kb/web/guard/access.py" in caplog.text
    office.close()
    bench = Client(fresh_shop())
    with_a_new_route(bench.app)
    assert bench.get("/brand-new").status_code == 403
    bench.close()


def test_should_door_and_router_ever_disagree_nobody_is_let_in(monkeypatch: pytest.MonkeyPatch) -> None:
    office = Office()
    before = exported(office.shop)
    opened = next(route for route in access.routes_of(office.app) if route.path == "/sign-in")
    monkeypatch.setattr(door, "chosen", lambda *_: opened)
    for method, path in (("GET", "/cases"), ("POST", "/cases"), ("DELETE", "/api/cases/one")):
        assert office.as_("", method, path).status_code in (403, 401)
    assert exported(office.shop) == before
    office.close()


def test_a_bench_without_sign_in_may_do_everything_it_could_before(routes: list[tuple[str, Route]]) -> None:
    bench = Client(fresh_shop())
    for method, route in routes:
        answer = bench.call(method, path_of(route), headers={"Origin": HOST})
        assert answer.status_code not in (401, 403), f"{method} {route.path}"
        assert answer.status_code < 500, f"{method} {route.path}"
    bench.close()
