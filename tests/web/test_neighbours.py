"""On its own machine the program answers the account that runs it, and nobody else where that can be known."""

from __future__ import annotations

import os
import re
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import httpx
import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, fresh_shop, shop_in
from processes import served
from test_connections import Served, connect, rest_of
from web_client import Client, error_of

from kb.config import Settings
from kb.service import Shop
from kb.web.guard import addresses, local_accounts, one_browser
from kb.web.guard.access import ACCESS
from kb.web.guard.addresses import Serving
from kb.web.guard.connections import protocol_for
from kb.web.guard.one_browser import OneTimeKey

KEY = "a key for tests that signs what they make " * 2

# Lines as Linux 6.1 wrote them on a machine of 32-bit little-endian words; the layout is that of proc(5).
HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
CALLER = "   1: 0100007F:{port} 0100007F:223D 01 00000000:00000000 00:00000000 00000000  {uid}        0 {inode} 1\n"
HERE = "   2: 0100007F:223D 0100007F:{port} 01 00000000:00000000 00:00000000 00000000  1000        0 7777 1\n"


def lists(folder: Path, *lines: str, six: tuple[str, ...] = ()) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "tcp").write_text(HEAD + "".join(lines))
    (folder / "tcp6").write_text(HEAD + "".join(six))
    return folder


def four(port: int) -> dict[str, str]:
    return {"port": f"{port:04X}"}


@pytest.mark.parametrize(
    ("uid", "inode", "owner"),
    [
        (os.getuid(), 5, "ours"),
        (0, 5, "ours"),
        (54_321, 5, "another"),
        # What its program has closed already is listed as root's, without a file.
        (0, 0, "gone"),
        (54_321, 0, "gone"),
    ],
)
def test_the_line_of_the_caller_says_whose_it_is(tmp_path: Path, uid: int, inode: int, owner: str) -> None:
    other = CALLER.format(**four(40_001), uid=54_321, inode=9)
    asked = CALLER.format(**four(40_000), uid=uid, inode=inode)
    proc = lists(tmp_path / "net", other, HERE.format(**four(40_000)), asked)
    assert local_accounts.owner_of(("127.0.0.1", 40_000), ("127.0.0.1", 0x223D), proc) == owner


def test_a_caller_that_is_not_listed_is_unknown_and_one_whose_connection_is_over_is_gone(
    tmp_path: Path,
) -> None:
    here = ("127.0.0.1", 0x223D)
    proc = lists(tmp_path / "net", HERE.format(**four(40_000)))
    assert local_accounts.owner_of(("127.0.0.1", 40_000), here, proc) == "unknown"
    assert local_accounts.owner_of(("127.0.0.1", 40_001), here, proc) == "gone"
    assert local_accounts.owner_of(("127.0.0.1", 40_001), here, tmp_path / "none") == "unknown"


def test_an_address_of_ipv4_is_found_as_ipv6_writes_it(tmp_path: Path) -> None:
    mapped = "0000000000000000FFFF00000100007F"
    line = f"   0: {mapped}:9C40 {mapped}:223D 01 0:0 0:0 0  54321        0 12 1\n"
    proc = lists(tmp_path / "net", six=(line,))
    assert local_accounts.owner_of(("127.0.0.1", 0x9C40), ("127.0.0.1", 0x223D), proc) == "another"


@pytest.mark.parametrize(("family", "host"), [(socket.AF_INET, "127.0.0.1"), (socket.AF_INET6, "::1")])
def test_a_connection_of_our_own_is_found_in_the_machine_s_lists(family: int, host: str) -> None:
    if family == socket.AF_INET6 and not Path("/proc/net/if_inet6").exists():
        host, family = "127.0.0.1", socket.AF_INET  # a machine without IPv6
    with (
        closing(socket.create_server((host, 0), family=family)) as listener,
        closing(socket.create_connection(listener.getsockname()[:2])) as caller,
    ):
        ends = caller.getsockname()[:2], caller.getpeername()[:2]
        assert local_accounts.owner_of(*ends) == "ours"
    assert local_accounts.can_be_known()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), a_case("one")).saved
    yield made
    made.close()


@contextmanager
def listening(shop: Shop) -> Iterator[Served]:
    made = Served(shop, protocol_for(Serving()))
    try:
        yield made
    finally:
        made.stop()


def asked(port: int, request: bytes) -> bytes:
    with connect(port) as connection:
        connection.sendall(request)
        return rest_of(connection)


AS_A_PROXY = b"GET /api/export HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n"
AS_A_BROWSER = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
A_WRITE = (
    b"POST /families HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nContent-Length: 9\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\n\r\ncode=XX-1"
)
A_FILE = b"GET /static/css/sheet.css HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"


@pytest.mark.parametrize("request_", [AS_A_PROXY, AS_A_BROWSER, A_WRITE, A_FILE])
def test_another_account_of_the_machine_is_refused_whatever_it_asks(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, request_: bytes
) -> None:
    """The connection is real, as is the list it is looked up in; the program takes itself for somebody else."""
    with listening(shop) as server:
        assert b" 403 " not in asked(server.port, request_).partition(b"\r\n")[0]
        monkeypatch.setattr(local_accounts.system, "own_accounts", lambda: frozenset({os.getuid() + 1}))
        answer = asked(server.port, request_)
    assert answer.startswith(b"HTTP/1.1 403"), answer[:200]
    assert b"comes from another account of this machine" in answer
    assert b"KB_SIGN_IN=key" in answer
    assert b"HX-210" not in answer


def test_a_shop_with_accounts_or_a_key_asks_nobody_whose_they_are() -> None:
    assert protocol_for(Serving()).asks_whose
    assert not protocol_for(Serving(sign_in=True)).asks_whose
    assert not protocol_for(Serving(one_time=OneTimeKey())).asks_whose


# Where it cannot be known: a key.


def with_key() -> tuple[Client, OneTimeKey]:
    key = OneTimeKey()
    shop = fresh_shop()
    assert bring(shop, a_family(), a_case("one")).saved
    return Client(shop, serving=Serving(one_time=key, key=KEY)), key


def test_the_one_time_address_lets_one_browser_in_for_good(caplog: pytest.LogCaptureFixture) -> None:
    client, key = with_key()
    refused = client.get("/api/cases/one")
    assert refused.status_code == 401
    assert error_of(refused)["message"] == "This browser has not been let in."
    # An address that is fetched ahead while it is typed is not opened by that.
    ahead = client.get(f"/open/{key.secret}", headers={"Sec-Purpose": "prefetch;prerender"})
    assert ahead.status_code == 404
    assert client.get("/open/" + "x" * 43).status_code == 404
    opened = client.get(f"/open/{key.secret}")
    assert opened.status_code == 303
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert int(re.search(r"Max-Age=(\d+)", cookie)[1]) > 300 * 86_400  # type: ignore[index]
    client._client.cookies.clear()
    again = client.get(f"/open/{key.secret}")
    assert again.status_code == 404
    assert "opened before" in again.text
    assert "opened again" in caplog.text
    mine = {"Cookie": cookie.partition(";")[0]}
    assert client.get("/api/cases/one", headers=mine).status_code == 200
    assert client.get("/", headers=mine).headers["cache-control"] == "no-store"
    # The browser stays in when the program is started again: what is signed by the same key holds.
    later = Client(fresh_shop(), serving=Serving(one_time=OneTimeKey(), key=KEY))
    assert later.get("/", headers=mine).status_code == 200
    assert later.get(f"/open/{key.secret}", headers=mine).headers["location"] == "/"
    later.close()
    other = Client(fresh_shop(), serving=Serving(one_time=OneTimeKey(), key=KEY[::-1]))
    assert other.get("/", headers=mine).status_code == 401
    other.close()
    client.close()


def test_without_the_key_every_address_is_refused() -> None:
    client, _ = with_key()
    for method, path in ACCESS:
        if path == "/static":
            continue  # the style sheets of every copy of the program
        address = re.sub(r"\{\w+\}", "one", path)
        for headers in ({}, {"Cookie": "kb_owner=abc.def"}):
            answer = client.call(method, address, headers=headers)
            assert answer.status_code == (404 if path.startswith("/open/") else 401), f"{method} {path}"
    client.close()


def test_of_many_that_open_it_at_once_one_is_let_in() -> None:
    key = OneTimeKey()
    assert [key.opens("another"), key.opens(key.secret), key.opens(key.secret)] == [False, True, False]


def planned(shop: Shop, **changed: str) -> Serving:
    shop.settings = Settings(**{**shop.settings.model_dump(), **changed})
    return addresses.plan(shop, "127.0.0.1")


def test_the_start_says_who_else_could_come_in(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_accounts, "can_be_known", lambda: False)
    monkeypatch.setattr(local_accounts, "has_several_accounts", lambda: True)
    (said,) = addresses.notes(planned(shop))
    assert "Other accounts of this machine can open it too" in said
    assert "KB_SIGN_IN=key" in said
    (said,) = addresses.notes(planned(shop, sign_in="key"))
    assert said.startswith("Only the browser that opens this address first")
    plain = planned(shop, sign_in="network")
    monkeypatch.setattr(local_accounts, "has_several_accounts", lambda: False)
    assert addresses.notes(plain) == []
    monkeypatch.setattr(local_accounts, "has_several_accounts", lambda: True)
    monkeypatch.setattr(local_accounts, "can_be_known", lambda: True)
    assert addresses.notes(plain) == []


def test_accounts_are_counted_without_those_of_services(monkeypatch: pytest.MonkeyPatch) -> None:
    pwd = pytest.importorskip("pwd")

    def entry(name: str, uid: int, shell: str) -> object:
        return pwd.struct_passwd((name, "x", uid, uid, "", f"/{name}", shell))

    services = [
        entry("root", 0, "/bin/bash"),
        entry("www", 33, "/bin/sh"),
        entry("nobody", 65_534, "/bin/sh"),
    ]
    services.append(entry("builder", 1_500, "/usr/sbin/nologin"))
    one, two = entry("bench", 1_000, "/bin/bash"), entry("desk", 1_001, "/bin/zsh")
    monkeypatch.setattr(pwd, "getpwall", lambda: [*services, one])
    assert not local_accounts.has_several_accounts()
    monkeypatch.setattr(pwd, "getpwall", lambda: [*services, one, two])
    assert local_accounts.has_several_accounts()


def test_the_server_prints_the_one_time_address(tmp_path: Path) -> None:
    with served(tmp_path / "data", KB_SIGN_IN="key") as (address, process):
        assert "for good" in process.stdout.readline()
        base, _, secret = address.partition("/open/")
        with httpx.Client(base_url=base, timeout=STUCK_S) as browser:
            assert browser.get("/").status_code == 401
            assert browser.get(f"/open/{secret}").status_code == 303
            assert browser.get("/").status_code == 200
        with httpx.Client(base_url=base, timeout=STUCK_S) as other:
            assert other.get(f"/open/{secret}").status_code == 404
            assert other.get("/api/export").status_code == 401


def test_the_browser_is_led_there_by_a_file_that_nobody_else_reads(tmp_path: Path) -> None:
    for _ in range(2):  # one that was left behind is written again
        file = one_browser.page_leading_to("http://127.0.0.1:8765/open/a-key", tmp_path)
        assert file.stat().st_mode & 0o777 == 0o600
        assert 'url=http://127.0.0.1:8765/open/a-key"' in file.read_text()
