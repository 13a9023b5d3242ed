"""Connections as they come over a wire: slow, broken, too many, encrypted."""

from __future__ import annotations

import asyncio
import gc
import http.client
import socket
import ssl
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import trustme
import uvicorn
from commands import STUCK_S
from databases import PLACES
from factories import a_case, a_family, bring, settings_in, shop_in
from processes import served, until
from signed_in import PASSWORD
from starlette.applications import Starlette

from kb.service import Shop
from kb.service.accounts import audit, people
from kb.web.app import create_app
from kb.web.guard import requests
from kb.web.guard.connections import BLOCKED_S, HEAD_S, MOST_FROM_ONE_PLACE, PatientProtocol


class StoppedClock(asyncio.SelectorEventLoop):
    """An event loop whose time stands still until a test moves it on, so that no limit is waited for."""

    _now = 0.0

    def time(self) -> float:
        return self._now

    def move_on(self, seconds: float) -> None:
        """From any thread."""

        def move() -> None:
            self._now += seconds

        self.call_soon_threadsafe(move)


class Served:
    """A server in a thread on a clock that stands still."""

    def __init__(self, shop: Shop, protocol: type[PatientProtocol] = PatientProtocol) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.clock = StoppedClock()
        config = uvicorn.Config(
            create_app(shop), http=protocol, ws="none", log_level="critical", server_header=False,
            lifespan="off", timeout_keep_alive=30,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        until(lambda: self._server.started)

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self.clock) as runner:
            runner.run(self._server.serve([self.listener]))

    def open_connections(self) -> int:
        return len(self._server.server_state.connections)

    def wait(self, seconds: float) -> None:
        """So much time goes by, after the server has read all that was sent before and has done what was due."""
        self._settle()
        self.clock.move_on(seconds)
        self._settle()

    def wait_until_closed(self, step_s: float) -> None:
        """Time goes by until no connection is left; for what begins in a thread, no test knows when."""

        def is_closed() -> bool:
            self.wait(step_s)
            return self.open_connections() == 0

        until(is_closed)

    def _settle(self) -> None:
        async def some_rounds() -> None:
            for _ in range(20):
                await asyncio.sleep(0)

        asyncio.run_coroutine_threadsafe(some_rounds(), self.clock).result(STUCK_S)

    def stop(self) -> None:
        self._server.should_exit = True
        while self._thread.is_alive():
            with suppress(RuntimeError):  # closed meanwhile
                self.clock.move_on(1.0)
            self._thread.join(0.01)
        self.listener.close()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), a_case("one")).saved
    yield made
    made.close()


@contextmanager
def serving(shop: Shop) -> Iterator[Served]:
    """A server in a thread, whose time stands still."""
    made = Served(shop)
    try:
        yield made
    finally:
        made.stop()


@pytest.fixture
def served_shop(shop: Shop) -> Iterator[Served]:
    with serving(shop) as made:
        yield made


@pytest.fixture
def port(served_shop: Served) -> int:
    return served_shop.port


def connect(port: int) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=STUCK_S)
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made


def one_answer(connection: socket.socket) -> http.client.HTTPResponse:
    """One answer, read to its end and no further."""
    answer = http.client.HTTPResponse(connection)
    answer.begin()
    answer.read()
    return answer


def rest_of(connection: socket.socket) -> bytes:
    """Everything until the other side closes."""
    found = b""
    try:
        while part := connection.recv(65_536):
            found += part
    except ConnectionResetError:
        pass
    return found


def test_a_head_that_never_ends_is_hung_up_on_however_it_drips(served_shop: Served) -> None:
    with connect(served_shop.port) as silent, connect(served_shop.port) as dripping:
        dripping.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        for number in range(4):
            served_shop.wait(HEAD_S / 5)
            dripping.sendall(b"X-%d: a\r\n" % number)
        served_shop.wait(0)
        assert served_shop.open_connections() == 2
        served_shop.wait(HEAD_S / 5)
        assert rest_of(silent) == b""
        assert rest_of(dripping) == b""


def test_a_quick_second_request_on_the_same_connection_is_answered(served_shop: Served) -> None:
    with connect(served_shop.port) as connection:
        for _ in range(3):
            served_shop.wait(HEAD_S * 0.9)
            connection.sendall(b"GET /api/health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert one_answer(connection).status == 200
        # Half a head after a good request buys no more time than a first one.
        connection.sendall(b"GET /api/hea")
        served_shop.wait(HEAD_S)
        assert rest_of(connection) == b""


def test_a_body_that_comes_too_slowly_is_refused(served_shop: Served) -> None:
    head = (
        b"POST /cases HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 5000\r\n\r\n"
    )
    with connect(served_shop.port) as connection:
        connection.sendall(head + b"family=GL-31")
        served_shop.wait_until_closed(requests.BODY_GRACE_S / 4)
        answer = rest_of(connection)
    assert answer.startswith(b"HTTP/1.1 408"), answer[:200]
    assert b"The request came too slowly." in answer
    assert b"connection: close" in answer.lower()


def test_a_body_that_trickles_after_its_refusal_is_hung_up_on(served_shop: Served) -> None:
    head = b"POST /cases HTTP/1.1\r\nHost: evil.example\r\nContent-Length: 500000\r\n\r\n"
    with connect(served_shop.port) as connection:
        connection.sendall(head)
        assert connection.recv(65_536).startswith(b"HTTP/1.1 403")
        with suppress(OSError):  # it may be hung up on before
            for _ in range(5):
                connection.sendall(b"x")
                served_shop.wait(HEAD_S / 4)
        assert served_shop.open_connections() == 0
        rest_of(connection)


def test_an_answer_that_nobody_reads_is_given_up(served_shop: Served) -> None:
    with socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.connect(("127.0.0.1", served_shop.port))
        connection.setblocking(False)
        asked = b"GET /api/openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        # Asking on and reading nothing: the server reads no further when it can send no more.
        full_since = 0
        while full_since < 20:
            try:
                connection.sendall(asked * 20)
                full_since = 0
            except BlockingIOError:
                full_since += 1
                served_shop.wait(0)
                time.sleep(0.01)  # for the threads that make answers
        assert served_shop.open_connections() == 1
        served_shop.wait_until_closed(BLOCKED_S / 4)


def test_one_place_cannot_take_all_connections(served_shop: Served) -> None:
    held = [connect(served_shop.port) for _ in range(MOST_FROM_ONE_PLACE)]
    until(lambda: served_shop.open_connections() == MOST_FROM_ONE_PLACE)
    with connect(served_shop.port) as one_more:
        assert rest_of(one_more) == b""
    for connection in held:
        connection.close()
    until(lambda: served_shop.open_connections() == 0)
    with connect(served_shop.port) as again:
        again.sendall(b"GET /api/health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert again.recv(65_536).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "sent",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\nContent-Length: 3\r\n\r\nzz\r\n",
        b"POST /cases HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFFFFFFFF\r\n",
        b"GET /a\x00b HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\rb\r\n\r\n",
        b"GET / HTTP/1.1\r\n Host: 127.0.0.1\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 200_000 + b"\r\n\r\n",
        b"\r\n" * 5000,
    ],
    ids=lambda sent: repr(sent[:60]),
)
def test_what_is_no_request_is_refused_and_the_server_goes_on(port: int, sent: bytes) -> None:
    with connect(port) as connection:
        try:
            connection.sendall(sent)
            answer = connection.recv(65_536)
        except ConnectionResetError:
            answer = b""
    assert answer == b"" or answer.split(b" ")[1] in (b"400", b"403"), answer[:100]
    assert b"Traceback" not in answer
    with connect(port) as good:
        good.sendall(b"GET /api/health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert good.recv(65_536).startswith(b"HTTP/1.1 200")


def test_what_people_type_makes_no_header_lines(port: int) -> None:
    for path in (
        "/cases/x%0d%0aSet-Cookie:%20a=b",
        "/sign-in?next=/%0d%0aSet-Cookie:%20a=b",
        "/bench/new?family=%0d%0aX:%20y",
        "/families/%0d%0aX:%20y/",
        "/cases/%0aX:%20y/label.svg",
        "/data/backups/%0d%0aX:%20y",
    ):
        with connect(port) as connection:
            connection.sendall(
                f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode()
            )
            head = rest_of(connection).partition(b"\r\n\r\n")[0].lower()
        assert head.startswith(b"http/1.1 "), path
        assert b"\r\nset-cookie" not in head, path
        assert b"\r\nx:" not in head, path


@contextmanager
def kb_serve(data: Path, *arguments: str, **settings: str) -> Iterator[str]:
    """`kb serve` as people start it; answers its address."""
    with served(data, *arguments, address=PLACES.of(data), **settings) as (address, _):
        yield address + "/"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with one who administers."""
    folder = tmp_path / "data"
    made = shop_in(folder)
    people.add(made, people.COMMAND_LINE, "owner", "administer", PASSWORD)
    made.close()
    return folder


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[trustme.CA, Path, Path]:
    """A certificate of an authority of our own, and where it and its key are."""
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    made = authority.issue_cert("127.0.0.1", "localhost")
    made.cert_chain_pems[0].write_to_path(folder / "bench.pem")
    made.private_key_pem.write_to_path(folder / "bench.key")
    return authority, folder / "bench.pem", folder / "bench.key"


def test_by_https_the_session_cookie_is_secure_and_of_this_host_alone(
    data: Path, certificate: tuple[trustme.CA, Path, Path]
) -> None:
    authority, cert, key = certificate
    trusted = ssl.create_default_context()
    authority.configure_trust(trusted)
    with kb_serve(data, "--tls-cert", str(cert), "--tls-key", str(key), KB_SIGN_IN="always") as address:
        assert address.startswith("https://127.0.0.1:")
        place = address.split("/")[2]
        connection = http.client.HTTPSConnection(place, context=trusted, timeout=STUCK_S)
        connection.request("GET", "/", headers={"Accept": "text/html"})
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 303
        assert answer.headers["Location"] == "/sign-in"
        assert "max-age=15724800" in answer.headers["Strict-Transport-Security"]
        connection.request(
            "POST",
            "/sign-in",
            f"name=owner&password={PASSWORD.replace(' ', '+')}",
            {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"https://{place}"},
        )
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 303
        cookies = answer.headers.get_all("Set-Cookie") or []
        assert [value.split("=")[0] for value in cookies] == ["__Host-kb_session", "__Host-kb_browser"]
        assert all("; Secure" in value and "; HttpOnly" in value for value in cookies)
        connection.request("GET", "/people", headers={"Cookie": cookies[0].partition(";")[0]})
        assert connection.getresponse().status == 200
        connection.close()
    assert (data / "sign-in.key").stat().st_mode & 0o777 == 0o600
    assert data.stat().st_mode & 0o777 == 0o700


def test_a_certificate_that_cannot_be_used_is_told_in_one_line(
    data: Path, certificate: tuple[trustme.CA, Path, Path], tmp_path: Path
) -> None:
    _, cert, key = certificate
    other = tmp_path / "other.key"
    trustme.CA().issue_cert("other").private_key_pem.write_to_path(other)
    for pair in ((cert, other), (tmp_path / "none.pem", key), (key, cert)):
        with (
            pytest.raises(AssertionError, match="cannot be used with the key"),
            kb_serve(data, "--tls-cert", str(pair[0]), "--tls-key", str(pair[1])),
        ):
            pass


def ask(address: str, host: str, path: str = "/api/health", **headers: str) -> int:
    connection = http.client.HTTPConnection(address.split("/")[2], timeout=STUCK_S)
    connection.request("GET", path, headers={"Host": host, **headers})
    status = connection.getresponse().status
    connection.close()
    return status


def test_on_every_address_the_names_that_are_ours_are_answered_and_no_others(data: Path) -> None:
    with kb_serve(
        data, "--host", "0.0.0.0", KB_HOSTS="bench.lan, Book", KB_BASE_URL="http://shop:80"
    ) as address:
        local = address.replace("0.0.0.0", "127.0.0.1")
        for host in (
            "127.0.0.1",
            "localhost",
            "bench.lan",
            "BENCH.LAN:8765",
            "book",
            "shop",
            socket.gethostname(),
        ):
            assert ask(local, host) == 401, host
        for host in ("evil.example", "192.0.2.7", "bench.lan.evil.example", "", "0.0.0.0:1@evil.example"):
            assert ask(local, host) == 403, host


def test_without_sign_in_what_comes_through_a_proxy_is_refused(data: Path) -> None:
    with kb_serve(data) as address:
        assert ask(address, "127.0.0.1") == 200
        for header in ("X-Forwarded-For", "Forwarded", "X-Real-IP", "Via", "X-Forwarded-Host"):
            assert ask(address, "127.0.0.1", **{header: "192.0.2.7"}) == 403, header


def test_the_word_of_a_proxy_is_taken_from_the_one_that_was_named_only(data: Path) -> None:
    def addresses(folder: Path) -> set[str]:
        made = Shop.open(settings_in(folder))
        lines = audit.listed(made, event="sign-in failed", limit=50, offset=0)[1]
        made.close()
        return {line.entry.address for line in lines}

    def wrong(address: str, told: str) -> None:
        connection = http.client.HTTPConnection(address.split("/")[2], timeout=STUCK_S)
        connection.request(
            "POST",
            "/sign-in",
            "name=owner&password=wrong",
            {
                "Content-Type": "application/x-www-form-urlencoded",
                "Host": "shop.lan",
                "Origin": "https://shop.lan",
                "X-Forwarded-For": told,
                "X-Forwarded-Proto": "https",
            },
        )
        assert connection.getresponse().status == 422
        connection.close()

    with kb_serve(data, KB_PROXY="127.0.0.1", KB_BASE_URL="https://shop.lan") as address:
        wrong(address, "192.0.2.8")
        wrong(address, "192.0.2.66, 192.0.2.9")
    assert addresses(data) == {"192.0.2.8", "192.0.2.9"}
    with kb_serve(data, KB_PROXY="192.0.2.1", KB_BASE_URL="https://shop.lan") as address:
        wrong(address, "192.0.2.10")
    assert addresses(data) == {"192.0.2.8", "192.0.2.9", "127.0.0.1"}


def test_a_proxy_without_an_address_of_its_own_is_refused(data: Path) -> None:
    for settings, told in (
        ({"KB_PROXY": "127.0.0.1"}, "KB_BASE_URL"),
        ({"KB_PROXY": "my proxy", "KB_BASE_URL": "https://shop.lan"}, "is no address"),
    ):
        with pytest.raises(AssertionError, match=told), kb_serve(data, **settings):
            pass


@pytest.mark.parametrize("format", ["jsonl", "csv", "attempts", "package"])
def test_downloads_given_up_half_way_hold_no_connection_and_no_folder(
    shop: Shop, format: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bring(shop, *(a_case(f"case-{number}", notes="n" * 18_000) for number in range(200))).saved
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    pool: Any = shop.store._engine.pool

    def held() -> tuple[int, list[Path]]:
        return pool.checkedout(), list(tmp_path.glob("kb-package-*"))

    gc.collect()
    gc.disable()  # what is only held by itself stays until it is collected
    try:
        with serving(shop) as server:
            for _ in range(4):
                with connect(server.port) as connection:
                    head = f"GET /api/export?format={format} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
                    connection.sendall(head.encode())
                    assert connection.recv(2_000).startswith(b"HTTP/1.1 200")
            until(lambda: held() == (0, []))
    finally:
        gc.enable()


class _FromFarAway:
    """A transport as asyncio hands one to a protocol, from an address that this machine does not have."""

    def __init__(self, address: str) -> None:
        self.aborted = False
        self._address = address

    def getpeername(self) -> tuple[str, int, int, int]:
        return (self._address, 50_000, 0, 0)

    def getsockname(self) -> tuple[str, int, int, int]:
        return ("::1", 8765, 0, 0)

    def get_extra_info(self, name: str) -> Any:
        return self if name == "socket" else None

    def is_closing(self) -> bool:
        return self.aborted

    def abort(self) -> None:
        self.aborted = True


def test_a_network_of_64_bits_is_one_place() -> None:
    config = uvicorn.Config(Starlette(), http=PatientProtocol, ws="none", log_config=None)
    config.load()
    state = uvicorn.server.ServerState()
    loop = asyncio.new_event_loop()
    try:

        def connected(address: str) -> bool:
            transport = _FromFarAway(address)
            protocol = PatientProtocol(config, state, {}, loop)
            protocol.connection_made(transport)  # type: ignore[arg-type]
            return not transport.aborted

        taken = [connected(f"2001:db8:0:1::{number:x}") for number in range(MOST_FROM_ONE_PLACE + 3)]
        assert taken == [True] * MOST_FROM_ONE_PLACE + [False] * 3
        assert connected("2001:db8:0:2::1")
        assert connected("192.0.2.7")
    finally:
        loop.close()
