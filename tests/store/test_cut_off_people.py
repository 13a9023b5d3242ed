"""Who may go on reading while the database is away, what becomes of what they write, and who may not get in.

All limits are our own. One server is killed once for the tests that share `cut`; they only read.
"""

from __future__ import annotations

import re
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from databases import Server
from factories import TODAY, a_case, a_family, bring
from itsdangerous import TimestampSigner
from processes import serving, until, until_at_hand
from signed_in import NAMES, PASSWORD, Office, asks_to_sign_in
from web_client import HOST, Page, error_of

from kb.config import Settings
from kb.errors import StoreAway
from kb.model import FollowUp
from kb.service import Shop
from kb.service.accounts import people, signed_in
from kb.service.shop.cut_off import small_tables

pytestmark = pytest.mark.once("it starts a server of its own")
HTML = {"Accept": "text/html"}
Headers = dict[str, str]
WAYS = ("signed out", "signed out everywhere", "new link", "password set", "removed")


@dataclass
class Cut:
    """A shop that was cut off from its database, and browsers that were signed in before."""

    office: Office
    reader: Headers
    worker: Headers
    owner: Headers
    token: Headers
    link: str
    idle: Headers
    ended: dict[str, Headers]

    def get(self, path: str, headers: Headers) -> httpx.Response:
        return self.office.get(path, headers=headers)

    def post(self, path: str, headers: Headers, data: dict[str, str]) -> httpx.Response:
        return self.office.post(path, headers=headers, data=data)


def opened(folder: Path, address: str) -> Shop:
    """A shop whose copies are made when a test says so, and after a change of who may come in."""
    shop = Shop.open(Settings(data=folder, database_url=address), today=lambda: TODAY)
    shop.store.watch(lambda: None, interval_s=0.1)
    return shop


def end_some(office: Office) -> dict[str, Headers]:
    """Ends sessions in every way there is, after the copies were made; answers the browsers' headers."""
    shop = office.shop
    ended = {"signed out": office.signed_in("work")}
    who: dict[str, int] = {}
    for how in WAYS[1:]:
        account, _ = people.add(shop, people.COMMAND_LINE, f"who is {how}", "work", PASSWORD)
        with shop.write() as session:
            key = signed_in.begin(shop, session, account, address="192.0.2.7", browser="")
        who[how], ended[how] = account.id, office.signed_in("work", key)
    shop.at_hand.refresh()
    for how, headers in ended.items():
        assert office.get("/cases/one", headers=headers).status_code == 200, how
    assert office.post("/sign-out", headers=ended["signed out"]).status_code == 303
    assert (
        office.post("/account/sign-out-everywhere", headers=ended["signed out everywhere"]).status_code == 303
    )
    owner = office.visitor("administer")
    people.new_link(shop, owner, who["new link"])
    people.set_password(shop, owner, who["password set"], PASSWORD + " more")
    people.remove(shop, owner, who["removed"])
    return ended


@pytest.fixture(scope="module")
def cut(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cut]:
    shop = opened(tmp_path_factory.mktemp("data"), server.empty_database())
    office = Office(shop=shop)
    try:
        yield cut_off(server, office)
    finally:
        server.start()
        office.close()


def cut_off(server: Server, office: Office) -> Cut:
    shop = office.shop
    news = FollowUp.model_validate({"date": "2026-10-02", "state": "still working"})
    assert bring(
        shop,
        a_case("open", complaint="fan howls", verdict=None, closed=None, attempts=[]),
        a_case("proved", follow_ups=[news], notes="smelled of the galley"),
    ).saved
    _, link = people.add(shop, people.COMMAND_LINE, "apprentice", "read")
    reader, worker, owner = (office.signed_in(level) for level in ("read", "work", "administer"))
    idle, token = office.signed_in("read"), office.with_token("work", "work")
    ended = end_some(office)
    assert shop.derived.index.count == 3
    server.signal_all(signal.SIGKILL)
    until(lambda: shop.store.away is not None)
    return Cut(office, reader, worker, owner, token, link, idle, ended)


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/", ["fan howls", "1 open case", "all 3 cases", "As the search index remembers"]),
        ("/search?q=howls", ["fan howls"]),
        ("/cases", ["fan howls", "3 cases", "As the search index remembers"]),
        ("/cases?show=open", ["fan howls", "1 case"]),
        ("/cases/open", ["fan howls", "on the bench", "what the search index remembers"]),
        ("/cases/proved", ["smelled of the galley", "repaired", "C9", "electrolytic capacitor"]),
        ("/families", ["GL-31"]),
        (
            "/families/GL-31",
            ["5VSB", "2 of 2 cured", "all 3 cases", "fan howls", "as this server last copied it"],
        ),
        ("/diagnose?family=GL-31&text=relay+ticks", ["GL-31"]),
    ],
)
def test_who_was_signed_in_goes_on_reading(cut: Cut, path: str, words: list[str]) -> None:
    page = cut.get(path, cut.reader)
    assert page.status_code == 200
    assert f"Signed in as <strong>{NAMES['read']}</strong>" in page.text
    assert "Cut off from the database since" in page.text
    shown = re.sub(r"\s+", " ", Page(page.text).words)
    for text in words:
        assert text in shown, text
    assert "set-cookie" not in page.headers


@pytest.mark.parametrize("path", ["/", "/cases/open", "/cases", "/families", "/families/GL-31"])
def test_nothing_on_those_pages_offers_to_write(cut: Cut, path: str) -> None:
    page = Page(cut.get(path, cut.owner).text)
    forms = {form["action"] for form in page.forms if form["method"] == "post"}
    assert forms == {"/sign-out"}
    links = {attributes.get("href") or "" for tag, attributes in page.tags if tag == "a"}
    assert not [link for link in links if link.startswith("/cases/new") or link.endswith(("/new", "/edit"))]


def test_the_api_answers_a_signed_in_browser_with_what_is_kept(cut: Cut) -> None:
    def told(path: str) -> dict[str, Any]:
        answer = cut.get(path, cut.reader)
        assert answer.status_code == 200, path
        return dict(answer.json())

    assert "one" in [hit["case"] for hit in told("/api/search?q=relay")["hits"]]
    assert "GL-31" in [family["code"] for family in told("/api/families")["families"]]
    assert [rail["name"] for rail in told("/api/families/GL-31")["rails"]] == ["5VSB", "24V"]


def test_what_only_the_database_holds_is_a_503_that_says_when_to_ask_again(cut: Cut) -> None:
    answer = cut.get("/api/cases/open", cut.reader)
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert "Cut off from the database since" in error_of(answer)["message"]
    for path in ("/cases/open/history", "/cases?show=waiting", "/cases/no-such-case", "/account", "/people"):
        page = cut.get(path, cut.owner)
        assert page.status_code == 503, path
        assert "Cut off from the database since" in page.text


@pytest.mark.parametrize(
    "how", ["signed out", "signed out everywhere", "new link", "password set", "removed"]
)
def test_a_session_that_was_ended_before_the_cut_stays_ended(cut: Cut, how: str) -> None:
    assert asks_to_sign_in(cut.get("/cases/open", cut.ended[how]))
    assert cut.get("/api/search?q=relay", cut.ended[how]).status_code == 401


def test_forged_and_never_seen_cookies_let_nobody_in(cut: Cut) -> None:
    office = cut.office
    name = office.app.state.cookies.session_name
    forged = TimestampSigner("another key", salt="session").sign("x" * 43).decode()
    for cookie in (
        office.cookie_for(signed_in.new_secret()),
        f"{name}={forged}",
        f"{name}=",
        cut.reader["Cookie"][:-3],
        cut.reader["Cookie"] + "; " + cut.reader["Cookie"],
    ):
        headers = {"Cookie": cookie, "Origin": HOST, **HTML}
        assert asks_to_sign_in(cut.get("/", headers)), cookie
        assert asks_to_sign_in(cut.get("/cases/open", headers)), cookie
        assert cut.post("/cases", headers, {"family": "GL-31"}).status_code == 401
    assert asks_to_sign_in(cut.get("/families/GL-31", HTML))


def test_levels_hold_while_cut_off(cut: Cut) -> None:
    assert cut.post("/cases/one/bin", cut.reader, {}).status_code == 403
    assert cut.get("/people", cut.worker).status_code == 403
    away = cut.post("/cases/one/bin", cut.worker, {})
    assert (away.status_code, "Cut off from the database" in away.text) == (503, True)


def test_sessions_end_at_their_ordinary_limits_and_no_sooner_for_who_goes_on_reading(cut: Cut) -> None:
    office = cut.office
    start = office.now
    try:
        for minutes in (20, 40, 60):
            office.now = start + minutes * 60
            page = cut.get("/cases/open", cut.reader)
            assert page.status_code == 200
            assert "set-cookie" not in page.headers  # a new key could not be kept
        assert asks_to_sign_in(cut.get("/cases/open", cut.idle))
        for half_hours in range(2, 24):
            office.now = start + half_hours * 1700
            assert cut.get("/cases/open", cut.reader).status_code == 200
        office.now = start + 12 * 3600
        assert asks_to_sign_in(cut.get("/cases/open", cut.reader))
    finally:
        office.now = start


def test_a_token_cannot_be_checked_and_is_told_so(cut: Cut) -> None:
    answer = cut.get("/api/search?q=relay", cut.token)
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert "Cut off from the database" in error_of(answer)["message"]
    assert cut.get("/api/search?q=relay", {"Authorization": "Bearer nonsense"}).status_code == 401


def test_nobody_can_sign_in_and_the_page_says_why(cut: Cut) -> None:
    page = cut.get("/sign-in", HTML)
    assert page.status_code == 200
    assert "Nobody can sign in until it is back" in page.text
    answer = cut.post("/sign-in", {"Origin": HOST, **HTML}, {"name": NAMES["work"], "password": PASSWORD})
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert "cut off from its database" in answer.text
    assert Page(answer.text).form("/sign-in")["name"] == NAMES["work"]
    assert PASSWORD not in answer.text
    assert "set-cookie" not in answer.headers
    opened = cut.get(f"/set-up/{cut.link}", HTML)
    assert opened.status_code == 503
    data = {"password": PASSWORD, "again": PASSWORD}
    chosen = cut.post(f"/set-up/{cut.link}", {"Origin": HOST, **HTML}, data)
    assert chosen.status_code == 503
    assert PASSWORD not in chosen.text


TYPED = {
    "/cases": {
        "family": "GL-31",
        "complaint": "typed with <dirty> hands",
        "received": "2026-10-30",
        "customer": "ferry 3",
        "notes": "first line\nsecond line",
        "verdict": "repaired",
        "symptoms.0.name": "relay clicks repeatedly",
        "readings.0.line": "5VSB 4V3 standby",
        "attempts.0.part": "C9",
        "attempts.0.part_class": "electrolytic capacitor",
        "attempts.0.section": "standby output",
        "attempts.0.cost": "1.20",
        "attempts.0.minutes": "20",
    },
    "/cases/open": {"family": "GL-31", "complaint": "fan howls louder", "version": "1"},
    "/families": {"code": "WB-7", "kind": "inverter", "rails.0.name": "24V", "rails.0.nominal_v": "24"},
    "/cases/open/follow-ups": {"date": "2026-10-31", "state": "still working", "note": "\nasked at the quay"},
    "/cases/open/in-hand": {"worker": "bench 2", "waiting_for": "T3.15A fuse", "version": "1"},
    "/data/symptoms": {"name": "hums at dusk", "synonyms": "evening hum"},
}


@pytest.mark.parametrize("path", TYPED)
def test_what_was_typed_is_in_the_answer_to_a_write_that_cannot_be_done(cut: Cut, path: str) -> None:
    answer = cut.post(path, cut.worker, TYPED[path])
    assert answer.status_code == 503, answer.text
    assert "Nothing can be saved" in answer.text
    action = next(form["action"] for form in Page(answer.text).forms if form["action"] == path)
    sent_again = Page(answer.text).form(action)
    for name, text in TYPED[path].items():
        assert sent_again[name] == text, name


def test_a_write_with_a_photograph_says_to_send_it_again(cut: Cut) -> None:
    answer = cut.office.post(
        "/cases/open/photos", headers=cut.worker, files={"file": ("a.jpg", b"\xff\xd8", "image/jpeg")}
    )
    assert answer.status_code == 503
    assert "send it again when the database is back" in answer.text


def test_a_session_whose_end_could_not_be_copied_is_not_believed(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database goes away between the commit and the copying."""
    server.start()
    shop = opened(tmp_path, server.empty_database())
    office = Office(shop=shop)
    headers = office.signed_in("work")
    shop.at_hand.refresh()

    def gone(*_: object) -> None:
        raise StoreAway("Gone.")

    monkeypatch.setattr(small_tables, "copy_tables", gone)
    assert office.post("/sign-out", headers=headers).status_code == 303
    away = shop.store._watch
    assert away is not None
    away.away = away.lost(StoreAway("Gone."))
    with shop.at_hand.read() as session:
        assert small_tables.is_copy(session)
        assert signed_in.sign_ins.of_person(session, office.ids["work"]) == []
    office.close()


def test_two_processes_know_each_others_sessions_while_both_are_cut_off(
    server: Server, tmp_path: Path
) -> None:
    server.start()
    address = server.empty_database()
    here, there = tmp_path / "here", tmp_path / "there"
    shop = Shop.open(Settings(data=here, database_url=address), today=lambda: TODAY)
    assert bring(shop, a_family(), a_case("one")).saved
    for level, name in NAMES.items():
        people.add(shop, people.COMMAND_LINE, name, level, PASSWORD)
    shop.close()
    there.mkdir()
    for folder in (here, there):  # servers that share a database share the key that signs sessions
        (folder / "sign-in.key").write_text("a key that both of them have " * 2 + "\n")
    always = {"KB_SIGN_IN": "always"}
    with serving(here, address, **always) as first, serving(there, address, **always) as second:

        def cookie_of(client: httpx.Client, name: str) -> Headers:
            data = {"name": name, "password": PASSWORD}
            origin = str(client.base_url).rstrip("/")
            answer = client.post("sign-in", data=data, headers={"Origin": origin})
            assert answer.status_code == 303, answer.text
            client.cookies.clear()
            return {"Cookie": answer.headers["set-cookie"].partition(";")[0], **HTML}

        reader, worker = cookie_of(first, NAMES["read"]), cookie_of(first, NAMES["work"])
        assert second.get("cases/one", headers=worker).status_code == 200
        signed_out = first.post("sign-out", headers={**worker, "Origin": str(first.base_url).rstrip("/")})
        assert signed_out.headers["location"] == "/sign-in"
        until(lambda: second.get("api/search?q=relay", headers=reader).json()["total"] == 1)
        for client in (first, second):
            until_at_hand(client, **reader)
        server.signal_all(signal.SIGKILL)
        try:
            for client in (first, second):
                until(
                    lambda client=client: "Cut off" in client.get("search", headers=reader).text  # type: ignore[misc]
                )
                page = client.get("cases/one", headers=reader)
                assert page.status_code == 200
                assert "Signed in as" in page.text
                assert client.get("cases/one", headers=worker).headers["location"].startswith("/sign-in")
                assert client.post("sign-in", data={"name": "x"}, headers=HTML).status_code in (403, 503)
        finally:
            server.start()
        for client in (first, second):
            until(lambda client=client: client.get("api/health", headers=reader).status_code == 200)  # type: ignore[misc]
            page = client.get("cases/one", headers=reader)
            assert page.status_code == 200
            assert "Cut off" not in page.text
            assert client.get("cases/one", headers=worker).headers["location"].startswith("/sign-in")
