"""Signing in and out in a browser: cookies, time, where one goes next, and many wrong passwords."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator

import httpx
import pytest
from factories import case_json, exported
from itsdangerous import TimestampSigner
from signed_in import KEY, NAMES, PASSWORD, Office, asks_to_sign_in
from sqlalchemy import select
from web_client import HOST, Page, error_of

from kb.service.accounts import audit, people, signed_in
from kb.store.tables.core import Change
from kb.web.guard.door import place_after

BROWSER = {"Origin": HOST, "Accept": "text/html"}


@pytest.fixture
def office() -> Iterator[Office]:
    made = Office(passwords=True)
    yield made
    made.close()


@pytest.fixture
def quick() -> Iterator[Office]:
    """Without passwords, for tests that type none."""
    made = Office()
    yield made
    made.close()


def sign_in(office: Office, name: str, password: str = PASSWORD, **more: str) -> httpx.Response:
    office._client.cookies.clear()
    return office.post("/sign-in", data={"name": name, "password": password, **more}, headers=BROWSER)


def set_cookies(answer: httpx.Response) -> dict[str, str]:
    """Set-Cookie headers by the cookie's name."""
    return {value.partition("=")[0]: value for value in answer.headers.get_list("set-cookie")}


def events(office: Office, event: str = "") -> list[tuple[str, str, str]]:
    lines = audit.listed(office.shop, event=event, limit=200, offset=0)[1]
    return [(line.entry.event, line.entry.who, line.entry.about) for line in lines]


def test_a_person_signs_in_works_under_their_name_and_signs_out(office: Office) -> None:
    wanted = office.get("/cases/one?a=b", headers={"Accept": "text/html"})
    assert wanted.headers["location"] == "/sign-in?next=%2Fcases%2Fone%3Fa%3Db"
    form = Page(office.get(wanted.headers["location"]).text).form("/sign-in")
    answer = sign_in(office, "  BENCH  1 ", **{"next": form["next"]})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/cases/one?a=b"
    page = office.get("/cases/one", headers=BROWSER)
    assert "Signed in as <strong>bench 1</strong>" in page.text
    assert page.headers["cache-control"] == "no-store"
    saved = office.post("/cases/one/bin", headers=BROWSER)
    assert saved.status_code == 303
    with office.shop.read() as session:
        assert session.scalars(select(Change.who).order_by(Change.seq.desc())).first() == "bench 1"
    out = office.post("/sign-out", headers=BROWSER)
    assert out.headers["location"] == "/sign-in"
    assert "Max-Age=0" in set_cookies(out)["kb_session"]
    assert asks_to_sign_in(office.get("/cases/one", headers=BROWSER))
    assert [event for event, *_ in events(office)][:2] == ["signed out", "signed in"]


def test_the_cookies_are_out_of_reach_of_scripts_and_other_pages(office: Office) -> None:
    cookies = set_cookies(sign_in(office, "owner"))
    assert set(cookies) == {"kb_session", "kb_browser"}
    for name, value in cookies.items():
        parts = {part.strip() for part in value.split(";")[1:]}
        assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= parts, name
        assert not any(part.startswith("Domain") for part in parts)
        assert "Secure" not in parts


def test_behind_tls_the_cookies_are_secure_and_of_this_host_alone() -> None:
    office = Office(passwords=True, tls=True)
    answer = sign_in(office, "owner")
    assert set(set_cookies(answer)) == {"__Host-kb_session", "__Host-kb_browser"}
    for value in set_cookies(answer).values():
        assert {"Secure", "HttpOnly", "Path=/"} <= {part.strip() for part in value.split(";")}
    assert "max-age" in office.get("/sign-in").headers["strict-transport-security"]
    office.close()


def test_without_tls_no_browser_is_told_to_come_by_https_only(quick: Office) -> None:
    assert "strict-transport-security" not in quick.get("/sign-in").headers


@pytest.mark.parametrize("name", ["owner", "nobody at all", "", "o" * 5000, "\x00", PASSWORD])
def test_a_wrong_password_and_an_unknown_name_get_the_same_words(office: Office, name: str) -> None:
    answer = sign_in(office, name, "wrong wrong wrong")
    assert answer.status_code == 422
    assert "Name and password do not belong together." in answer.text
    assert "set-cookie" not in answer.headers
    assert Page(answer.text).form("/sign-in")["password"] == ""
    assert "wrong wrong wrong" not in answer.text
    # A password typed into the field of the name is kept nowhere.
    assert PASSWORD not in str(audit.listed(office.shop, limit=200, offset=0))


@pytest.mark.parametrize("spoil", ["", "x", "kb", "." * 400, "\u00e4", "a.b.c", "=" * 10, "\x7f"])
def test_a_forged_cookie_lets_nobody_in(quick: Office, spoil: str) -> None:
    key = quick.key_of("administer")
    good = quick.cookie_for(key)
    name, _, value = good.partition("=")
    body, stamp, sign = value.split(".")
    forged = [
        f"{name}={spoil}",
        f"{name}={spoil}.{stamp}.{sign}",
        f"{name}={body}.{stamp}.{spoil}",
        f"{name}={body}.{spoil}.{sign}",
        f"{name}={body}",
        f"{name}={key}",
        f"{name}={TimestampSigner('another key', salt='session').sign(key).decode()}",
        f"{good}; {name}={spoil}",
        f"{good}; {good}",
        f"{name}={value[:-1]}",
        f"{name}={value.swapcase()}",
        f"kb_browser={value}",
        f"__Host-{good}",
    ]
    for cookie in forged:
        answer = quick.get("/cases", headers={"Cookie": cookie.encode("utf-8"), "Accept": "text/html"})
        assert asks_to_sign_in(answer), cookie
    assert quick.get("/cases", headers={"Cookie": good}).status_code == 200


def test_a_key_that_is_well_signed_but_was_never_given_is_no_use(quick: Office) -> None:
    assert asks_to_sign_in(quick.get("/cases", headers={"Cookie": quick.cookie_for("k" * 43)}))


def test_a_session_ends_after_a_while_without_use_and_after_a_day_s_work_in_any_case(quick: Office) -> None:
    settings = quick.shop.settings
    key = quick.key_of("read")
    quick.now += settings.session_idle_minutes * 60 - 1
    assert quick.get("/cases", headers={"Cookie": quick.cookie_for(key)}).status_code == 200
    idle = quick.key_of("read")
    quick.now += settings.session_idle_minutes * 60
    assert asks_to_sign_in(quick.get("/cases", headers={"Cookie": quick.cookie_for(idle)}))
    busy, began = quick.key_of("read"), quick.now
    answers = []
    while quick.now - began < settings.session_hours * 3600:
        answer = quick.get("/cases", headers={"Cookie": quick.cookie_for(busy)})
        answers.append(answer.status_code)
        busy = fresh_key(quick, answer) or busy
        quick.now += 1200
    assert set(answers) == {200}
    assert asks_to_sign_in(quick.get("/cases", headers={"Cookie": quick.cookie_for(busy)}))


def fresh_key(office: Office, answer: httpx.Response) -> str | None:
    """The key that an answer gave the browser, if any."""
    cookie = set_cookies(answer).get("kb_session")
    if cookie is None:
        return None
    value = cookie.partition(";")[0].partition("=")[2]
    return (
        TimestampSigner(KEY, salt="session", key_derivation="hmac", digest_method=hashlib.sha256)
        .unsign(value)
        .decode()
    )


def test_keys_change_as_a_session_goes_on_and_the_old_one_ends(quick: Office) -> None:
    first = quick.key_of("read")

    def ask(key: str) -> httpx.Response:
        quick._client.cookies.clear()
        return quick.get("/cases", headers={"Cookie": quick.cookie_for(key)})

    assert fresh_key(quick, ask(first)) is None
    quick.now += signed_in.ROTATE_S
    second = fresh_key(quick, ask(first))
    assert second not in (None, first)
    # Requests under way still hold the first key, and get no third one.
    again = ask(first)
    assert again.status_code == 200
    assert fresh_key(quick, again) is None
    assert ask(second).status_code == 200
    quick.now += 61
    assert asks_to_sign_in(ask(first))
    assert ask(second).status_code == 200


def test_a_new_key_that_was_lost_on_the_way_signs_nobody_out(quick: Office) -> None:
    first = quick.key_of("read")
    quick.now += signed_in.ROTATE_S
    lost = fresh_key(quick, quick.get("/cases", headers={"Cookie": quick.cookie_for(first)}))
    quick.now += 600
    quick._client.cookies.clear()
    answer = quick.get("/cases", headers={"Cookie": quick.cookie_for(first)})
    assert answer.status_code == 200
    third = fresh_key(quick, answer)
    assert third not in (None, first, lost)
    quick._client.cookies.clear()
    assert asks_to_sign_in(quick.get("/cases", headers={"Cookie": quick.cookie_for(str(lost))}))
    assert quick.get("/cases", headers={"Cookie": quick.cookie_for(str(third))}).status_code == 200


def test_signing_in_again_gives_a_new_key_and_ends_the_old_session(office: Office) -> None:
    first = fresh_key(office, sign_in(office, "owner"))
    assert first
    second = fresh_key(
        office,
        office.post(
            "/sign-in",
            data={"name": "owner", "password": PASSWORD},
            headers={**BROWSER, "Cookie": office.cookie_for(first)},
        ),
    )
    assert second not in (None, first)
    office._client.cookies.clear()
    assert asks_to_sign_in(office.get("/cases", headers={"Cookie": office.cookie_for(first)}))


def test_a_change_of_level_holds_at_once_and_gives_a_new_key(quick: Office) -> None:
    key = quick.key_of("work")
    people.set_level(quick.shop, quick.visitor("administer"), quick.ids["work"], "read")
    answer = quick.post("/cases/one/bin", headers=quick.signed_in("work", key))
    assert answer.status_code == 403
    assert fresh_key(quick, answer) not in (None, key)


def test_signing_out_everywhere_ends_all_sessions_of_that_person_only(quick: Office) -> None:
    mine, other, theirs = quick.key_of("work"), quick.key_of("work"), quick.key_of("read")
    quick.post("/account/sign-out-everywhere", headers=quick.signed_in("work", mine))
    for key in (mine, other):
        assert asks_to_sign_in(quick.get("/cases", headers={"Cookie": quick.cookie_for(key)}))
    assert quick.get("/cases", headers={"Cookie": quick.cookie_for(theirs)}).status_code == 200


@pytest.mark.parametrize(
    ("asked", "gone"),
    [
        ("/cases?show=open#x", "/cases?show=open#x"),
        ("/", "/"),
        ("", "/"),
        ("//evil.example", "/"),
        ("///evil.example", "/"),
        ("/\\evil.example", "/"),
        ("\\\\evil.example", "/"),
        ("https://evil.example/", "/"),
        ("https:evil.example", "/"),
        ("javascript:alert(1)", "/"),
        ("evil.example", "/"),
        ("/cases\r\nSet-Cookie: a=b", "/"),
        ("/cases\t", "/"),
        ("/\u2028", "/"),
        ("/" + "a" * 3000, "/"),
        ("/sign-out", "/"),
        ("/sign-in?next=/sign-in", "/"),
        ("/%2e%2e//evil.example", "/%2e%2e//evil.example"),
    ],
)
def test_signing_in_leads_to_no_foreign_place(asked: str, gone: str) -> None:
    assert place_after(asked) == gone


def test_a_foreign_place_in_the_form_is_left_aside(office: Office) -> None:
    for place in ("//evil.example", "https://evil.example", "/a\r\nSet-Cookie: x=y"):
        answer = sign_in(office, "owner", **{"next": place})
        assert answer.headers["location"] == "/"
        assert "x" not in set_cookies(answer)


def test_what_was_typed_is_sent_again_after_signing_in(quick: Office) -> None:
    sent = {"family": "GL-31", "complaint": "\ndark\nagain", "symptoms.0.name": "fuse <blown>"}
    answer = quick.as_("", "POST", "/cases", data=sent)
    assert answer.status_code == 401
    kept = Page(answer.text).form("/cases")
    assert {name: value.replace("\r\n", "\n") for name, value in kept.items() if name != "sent_key"} == sent
    saved = quick.as_("work", "POST", "/cases", data={**kept, "symptoms.0.name": "fuse blown"})
    assert saved.status_code == 303, saved.text


def test_a_password_that_was_sent_without_signing_in_is_not_shown_again(quick: Office) -> None:
    answer = quick.as_("", "POST", "/account/password", data={"old": "tell nobody", "new": "nor this"})
    assert answer.status_code == 401
    assert "tell nobody" not in answer.text
    assert "nor this" not in answer.text


def test_a_part_of_a_page_is_refused_and_not_replaced_by_the_sign_in_page(quick: Office) -> None:
    assert quick.get("/diagnose/ranking", headers={"Accept": "*/*"}).status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": HOST.replace("http", "https")},
        {},
    ],
    ids=str,
)
def test_a_signed_in_browser_writes_from_our_own_pages_only(quick: Office, headers: dict[str, str]) -> None:
    cookie = quick.cookie_for(quick.key_of("administer"))
    before = exported(quick.shop)
    for method, path in (
        ("POST", "/cases/one/bin"),
        ("POST", "/people"),
        ("POST", "/sign-out"),
        ("POST", "/api/cases"),
        ("DELETE", "/api/cases/one"),
    ):
        answer = quick.call(method, path, headers={"Cookie": cookie, **headers}, json=case_json())
        assert answer.status_code == 403, f"{method} {path}"
    assert exported(quick.shop) == before
    assert quick.get("/cases", headers={"Cookie": cookie}).status_code == 200


def test_a_password_cannot_be_sent_from_another_web_page(office: Office) -> None:
    answer = office.post(
        "/sign-in",
        data={"name": "owner", "password": PASSWORD},
        headers={"Origin": "http://evil.example"},
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("many", [60, pytest.param(1_000, marks=pytest.mark.long)])
def test_many_wrong_passwords_are_refused_and_harm_nobody(office: Office, many: int) -> None:
    known = sign_in(office, NAMES["administer"])
    browser = set_cookies(known)["kb_browser"].partition(";")[0]
    session = office.cookie_for(str(fresh_key(office, known)))
    looked_at = 0
    for number in range(many):
        answer = sign_in(office, NAMES["administer"], f"guess number {number}")
        assert answer.status_code in (422, 429)
        looked_at += answer.status_code == 422
        if answer.status_code == 429:
            assert int(answer.headers["retry-after"]) > 0
            assert "Too many attempts" in answer.text
        office.now += 0.5
    assert looked_at < 20
    assert ("sign-in slowed down", "", "owner") in events(office)
    # Whoever is signed in stays so, others sign in as ever from elsewhere, and the owner does so from the
    # browser they use, whatever is tried from here.
    office._client.cookies.clear()
    assert office.get("/cases", headers={"Cookie": session}).status_code == 200
    again = office.post(
        "/sign-in",
        data={"name": "owner", "password": PASSWORD},
        headers={**BROWSER, "Cookie": browser},
    )
    assert again.status_code == 303


def test_the_page_holds_what_a_password_manager_needs(quick: Office) -> None:
    tags = [given for tag, given in Page(quick.get("/sign-in").text).tags if tag == "input"]
    assert {"username", "current-password"} <= {given.get("autocomplete") for given in tags}
    assert [given["type"] for given in tags if given.get("name") == "password"] == ["password"]


def test_no_page_shows_a_hash_or_a_key(office: Office) -> None:
    with office.shop.read() as session:
        secrets = [
            text
            for account in people.records.every(session)
            for text in (account.password_hash, account.link_hash)
            if text
        ]
    for path in ("/people", f"/people/{office.ids['read']}", "/people/audit", "/account"):
        text = office.as_("administer", "GET", path).text
        assert not [secret for secret in secrets if secret in text]
        assert not re.search(r"\$argon2", text)


def test_programs_are_told_in_the_one_shape(quick: Office) -> None:
    answer = quick.get("/api/cases/one")
    assert answer.status_code == 401
    assert "not signed in" in error_of(answer)["message"]
    for token in ("", "x", "kbt_" + "a" * 43, "kbt_" + "\u00e4" * 43, "Basic abc"):
        sent = {"Authorization": f"Bearer {token}".encode()}
        answer = quick.get("/api/cases/one", headers=sent)
        assert answer.status_code == 401
        assert "token is not good" in error_of(answer)["message"]
