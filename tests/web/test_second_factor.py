"""The second factor, proving again who one is, and being told what befell one's account."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import struct
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from signed_in import PASSWORD, Office
from web_client import HOST, Page

from kb.service.accounts import audit, people, second_factor
from kb.service.accounts.second_factor import FRESH_S, RECOVERY_CODES, STEP_S, step_of
from kb.service.accounts.throttle import FORGET_S
from kb.store.records import people as records
from kb.web.guard.access import ACCESS

VECTORS: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "published" / "data" / "totp_vectors.toml").read_text(encoding="utf-8")
)
SECRET = base64.b32encode(VECTORS["secret_ascii"].encode()).decode()


def code_at(secret: str, moment: float) -> str:
    """The code of a secret, worked out as RFC 4226 (5.3) and RFC 6238 (4.2) say, with the standard library alone."""
    digest = hmac.new(base64.b32decode(secret), struct.pack(">Q", int(moment) // 30), hashlib.sha1).digest()
    at = digest[-1] & 15
    number = int.from_bytes(digest[at : at + 4], "big") & 0x7FFFFFFF
    return f"{number % 1_000_000:06}"


@pytest.mark.parametrize("vector", VECTORS["codes"], ids=lambda vector: str(vector["at"]))
def test_codes_are_those_of_rfc_6238(vector: dict[str, Any]) -> None:
    at, code = vector["at"], vector["code"][-6:]
    assert VECTORS["step_s"] == STEP_S
    assert step_of(SECRET, code, at, None) == at // 30
    assert code_at(SECRET, at) == code


def test_a_code_is_good_for_its_own_step_and_its_neighbours_and_never_twice() -> None:
    now = 2_000_000_010
    for off in (-1, 0, 1):
        assert step_of(SECRET, code_at(SECRET, now + 30 * off), now, None) == now // 30 + off
    for off in (-3, -2, 2, 3):
        assert step_of(SECRET, code_at(SECRET, now + 30 * off), now, None) is None
    used = now // 30
    assert step_of(SECRET, code_at(SECRET, now), now, used) is None
    assert step_of(SECRET, code_at(SECRET, now - 30), now, used) is None, "nor one before it"
    assert step_of(SECRET, code_at(SECRET, now + 30), now, used) == used + 1
    code = code_at(SECRET, now)
    assert step_of(SECRET, f" {code[:3]} {code[3:]} ", now, None) == used
    for wrong in ("", code[:5], code + "0", "abcdef", "１２３４５６", f"{(int(code) + 1) % 1_000_000:06}"):
        assert step_of(SECRET, wrong, now, None) is None, wrong


@pytest.fixture
def office() -> Iterator[Office]:
    made = Office(passwords=True)
    yield made
    made.close()


class Browser:
    """Somebody at a browser: it keeps cookies and sends forms as pages hold them."""

    def __init__(self, office: Office, name: str) -> None:
        self.office, self.name, self.cookies = office, name, {}  # type: ignore[var-annotated]

    def call(self, method: str, path: str, **options: Any) -> Any:
        self.office._client.cookies.clear()
        headers = {"Origin": HOST, "Accept": "text/html", **options.pop("headers", {})}
        if self.cookies:
            headers["Cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        answer = self.office.call(method, path, headers=headers, **options)
        for line in answer.headers.get_list("set-cookie"):
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        return answer

    def get(self, path: str) -> Any:
        return self.call("GET", path)

    def post(self, path: str, **data: str) -> Any:
        return self.call("POST", path, data=data)

    def password(self, password: str = PASSWORD) -> Any:
        return self.post("/sign-in", name=self.name, password=password)

    def code(self, page: Any, code: str) -> Any:
        return self.post("/sign-in/code", **{**Page(page.text).form("/sign-in/code"), "code": code})

    def secret(self) -> str:
        with self.office.shop.read() as session:
            account = records.named(session, self.name)
        assert account is not None
        return account.totp_secret

    def add(self) -> list[str]:
        """Adds a second factor; the recovery codes."""
        assert self.post("/account/code").headers["location"] == "/account/code"
        answer = self.post("/account/code/confirm", code=code_at(self.secret(), self.office.now))
        codes = re.findall(r"[A-Z2-7]{4}(?:-[A-Z2-7]{4}){3}", answer.text)
        assert len(codes) == RECOVERY_CODES
        return codes


@pytest.fixture
def owner(office: Office) -> Browser:
    made = Browser(office, "owner")
    assert made.password().status_code == 303
    return made


def events(office: Office) -> list[str]:
    return [line.entry.event for line in audit.listed(office.shop, limit=200, offset=0)[1]]


def test_from_adding_it_to_signing_in_with_it(office: Office, owner: Browser) -> None:
    elsewhere = Browser(office, "owner")
    assert elsewhere.password().status_code == 303
    assert owner.post("/account/code").status_code == 303
    page = owner.get("/account/code")
    secret = owner.secret()
    shown = re.search(r"data-secret>([^<]+)<", page.text)
    assert shown
    assert shown[1].replace(" ", "") == secret
    picture = owner.get("/account/code.svg")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert picture.text.startswith("<svg")
    # Before its first code it counts for nothing.
    assert Browser(office, "owner").password().status_code == 303
    refused = owner.post("/account/code/confirm", code="000000")
    assert refused.status_code == 422
    assert "not the code that the app shows now" in refused.text
    codes = owner.add() if owner.secret() != secret else None
    answer = owner.post("/account/code/confirm", code=code_at(owner.secret(), office.now))
    assert codes is None
    assert "asks for a code from now on" in answer.text
    assert owner.get("/").status_code == 200
    assert elsewhere.get("/account").status_code == 303, "other sessions end"
    assert owner.get("/account/code.svg").status_code == 404, "the secret is shown no more"

    office.now += STEP_S
    again = Browser(office, "owner")
    asks = again.password()
    assert asks.status_code == 200
    assert "kb_session" not in again.cookies, "the password alone gives no session"
    assert again.get("/").status_code == 303
    good = code_at(owner.secret(), office.now)
    assert again.code(asks, good).status_code == 303
    assert again.get("/people").status_code == 200
    # The same code once more, seen over a shoulder together with the password.
    third = Browser(office, "owner")
    replayed = third.code(third.password(), good)
    assert replayed.status_code == 422
    assert "was used already" in replayed.text
    assert "kb_session" not in third.cookies


def test_each_recovery_code_opens_once_and_none_is_kept_as_it_is(office: Office, owner: Browser) -> None:
    codes = owner.add()
    with office.shop.read() as session:
        account = records.named(session, "owner")
    assert account is not None
    assert not any(
        code in account.recovery_hashes or code.replace("-", "") in account.recovery_hashes for code in codes
    )
    for code, typed in ((codes[0], codes[0].lower()), (codes[7], codes[7].replace("-", " "))):
        visitor = Browser(office, "owner")
        assert visitor.code(visitor.password(), typed).status_code == 303
        assert "recovery code used" in visitor.get("/").text
        second = Browser(office, "owner")
        assert second.code(second.password(), code).status_code == 422
    assert "8 recovery codes are left" in owner.get("/account").text
    fresh = re.findall(r"[A-Z2-7]{4}(?:-[A-Z2-7]{4}){3}", owner.post("/account/code/recovery").text)
    assert len(fresh) == RECOVERY_CODES
    office.now += FORGET_S
    late = Browser(office, "owner")
    assert late.code(late.password(), codes[3]).status_code == 422, "the old ones are no good any more"
    assert late.code(late.password(), fresh[3]).status_code == 303


def test_guesses_at_the_code_are_counted_and_a_known_password_gives_none_for_free(
    office: Office, owner: Browser
) -> None:
    owner.add()
    guesser, refused = Browser(office, "owner"), 0
    for number in range(40):
        page = guesser.password()
        if page.status_code == 429:
            refused += 1
            continue
        assert page.status_code == 200
        answer = guesser.code(page, f"{number:06}")
        assert answer.status_code in (422, 429)
    assert refused > 30, "after a few the next must wait"
    assert events(office).count("sign-in failed") >= 2
    assert "kb_session" not in guesser.cookies


def test_a_ticket_is_good_for_five_minutes_and_for_the_password_that_was_typed(
    office: Office, owner: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner.add()
    office.now += STEP_S
    good = code_at(owner.secret(), office.now)
    for ticket in ("", "x", "1.abc.def.ghi"):
        answer = Browser(office, "owner").post("/sign-in/code", ticket=ticket, code=good)
        assert answer.status_code == 422
        assert "Sign in again" in answer.text
    visitor = Browser(office, "owner")
    page = visitor.password()
    people.set_password(
        office.shop, people.COMMAND_LINE, office.ids["administer"], "mooring kettle ninety sparrows"
    )
    late = visitor.code(page, good)
    assert late.status_code == 422
    assert "The account was changed meanwhile" in late.text
    assert "kb_session" not in visitor.cookies


def test_a_lost_phone_is_mended_by_a_link_or_at_the_machine(office: Office, owner: Browser) -> None:
    bench = Browser(office, "bench 1")
    assert bench.password().status_code == 303
    bench.add()
    link = re.search(r"/set-up/[\w-]+", owner.post(f"/people/{office.ids['work']}/link").text)
    assert link
    newcomer = Browser(office, "bench 1")
    chosen = "mooring kettle ninety sparrows"
    assert newcomer.post(link[0], password=chosen, again=chosen).status_code == 303
    assert Browser(office, "bench 1").password(chosen).status_code == 303
    owner.add()
    second_factor.remove(office.shop, people.COMMAND_LINE, office.ids["administer"])
    assert Browser(office, "owner").password().status_code == 303
    assert "second factor removed" in events(office)


FRESH = sorted((method, path) for (method, path), need in ACCESS.items() if need.fresh)


def test_whole_exports_and_people_ask_who_one_is() -> None:
    asked = {path for _, path in FRESH}
    assert {"/api/export", "/data/take-out/file", "/data/backups/{name}", "/people"} <= asked
    for (method, path), need in ACCESS.items():
        if path.startswith("/people") and path != "/people/audit":
            assert need.fresh, f"{method} {path}"
        if need.event == "whole store taken out":
            assert need.fresh, f"{method} {path}"


def test_a_browser_left_open_is_not_enough(office: Office, owner: Browser) -> None:
    office.now += FRESH_S
    before = people.listed(office.shop)
    assert len(FRESH) > 10
    for method, path in FRESH:
        asked = f"{method} {path}"
        address = path.replace("{person_id}", str(office.ids["work"])).replace("{name}", "none.zip")
        answer = owner.call(method, address, headers={"Referer": f"{HOST}/people"})
        if path.startswith("/api/"):
            assert answer.status_code == 403, asked
            assert "password is asked again" in answer.text, asked
        else:
            assert answer.status_code == 303, asked
            assert answer.headers["location"].startswith("/account/prove?next=%2F"), asked
        assert [one.name for one in people.listed(office.shop)] == [one.name for one in before], asked
        assert owner.get("/").status_code == 200, f"all else goes on after {asked}"


def test_the_password_typed_again_holds_for_ten_minutes(office: Office, owner: Browser) -> None:
    office.now += FRESH_S
    wanted = owner.get("/data/take-out").headers["location"]
    form = Page(owner.get(wanted).text).form("/account/prove")
    assert form["next"] == "/data/take-out"
    wrong = owner.post("/account/prove", **{**form, "password": "not this one, surely"})
    assert wrong.status_code == 422
    assert "This is not your password." in wrong.text
    assert owner.get("/data/take-out").status_code == 303
    right = owner.post("/account/prove", **{**form, "password": PASSWORD})
    assert right.headers["location"] == "/data/take-out"
    assert owner.get("/data/take-out").status_code == 200
    office.now += FRESH_S - 1
    assert owner.get("/data/take-out").status_code == 200
    office.now += 1
    assert owner.get("/data/take-out").status_code == 303


def test_who_has_a_second_factor_proves_with_it_and_guesses_are_counted(
    office: Office, owner: Browser
) -> None:
    owner.add()
    office.now += FRESH_S
    form = Page(owner.get("/account/prove?next=/people").text).form("/account/prove")
    assert "code" in form
    for number in range(8):
        answer = owner.post("/account/prove", **{**form, "password": PASSWORD, "code": f"{number:06}"})
    assert answer.status_code == 429
    office.now += 3_600
    owner.password()
    again = Browser(office, "owner")
    assert again.code(again.password(), code_at(owner.secret(), office.now)).status_code == 303
    office.now += FRESH_S
    good = {**form, "password": PASSWORD, "code": code_at(owner.secret(), office.now)}
    assert again.post("/account/prove", **good).status_code == 303
    assert again.get("/people").status_code == 200


def test_what_befell_an_account_is_shown_at_the_next_page_until_it_was_seen(
    office: Office, owner: Browser
) -> None:
    bench = Browser(office, "bench 1")
    bench.password()
    assert "News of your account" not in bench.get("/").text
    people.set_level(office.shop, office.visitor("administer"), office.ids["work"], "read")
    people.set_level(office.shop, office.visitor("administer"), office.ids["work"], "work")
    other = "mooring kettle ninety sparrows"
    bench.post("/account/password", old=PASSWORD, new=other, again=other)
    for path in ("/", "/cases", "/account"):
        page = bench.get(path).text
        assert "News of your account" in page
        assert "level changed (work to read), by owner from 192.0.2.7" in page
        assert "password changed" in page
    assert bench.post("/account/seen").status_code == 303
    assert "News of your account" not in bench.get("/").text
    assert "News of your account" not in owner.get("/").text


def test_what_comes_while_one_reads_is_not_taken_for_seen(office: Office) -> None:
    bench = Browser(office, "bench 1")
    bench.password()
    visitor = office.visitor("work")
    people.set_level(office.shop, office.visitor("administer"), office.ids["work"], "read")
    with office.shop.read() as session:
        untold = records.by_id(session, office.ids["work"]).untold
    people.set_level(office.shop, office.visitor("administer"), office.ids["work"], "work")
    from dataclasses import replace

    people.has_seen(office.shop, replace(visitor, untold=untold))
    page = bench.get("/").text
    assert "level changed (read to work)" in page
    assert "level changed (work to read)" not in page


@pytest.mark.parametrize(("setting", "who"), [("administer", ["owner"]), ("all", ["owner", "bench 1"])])
def test_a_shop_can_ask_it_of_who_administers_or_of_all(setting: str, who: list[str]) -> None:
    office = Office(passwords=True, second_factor=setting)
    for name in ("owner", "bench 1"):
        browser = Browser(office, name)
        browser.password()
        answer = browser.get("/cases")
        assert answer.status_code == (403 if name in who else 200)
        if name in who:
            assert "asks for a second factor" in answer.text
            assert browser.get("/account").status_code == 200
            browser.add()
            assert browser.get("/cases").status_code == 200
    office.close()


def test_the_list_of_people_says_who_administers_without_one(office: Office, owner: Browser) -> None:
    assert "no second factor yet" in owner.get("/people").text
    owner.add()
    page = owner.get("/people").text
    assert "no second factor yet" not in page
    assert "with a second factor" in page
    assert owner.secret() not in page
