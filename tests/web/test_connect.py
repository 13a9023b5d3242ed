"""Connecting a phone: the listener for the network, the page that hands out the certificate, and what is said.

The handshakes are real: Python's `ssl` trusts the authority that was handed out and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path

import commands
import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from factories import a_case, a_family, bring, fresh_shop, settings_in
from processes import free_port, served
from signed_in import KEY, PASSWORD, Office
from web_client import Client, Page

from kb import system
from kb.cli.main import main
from kb.errors import BadInput, Conflict, StoreTrouble
from kb.service import Shop
from kb.service.accounts import people
from kb.service.operate.certificates import fingerprint_of
from kb.web.codes import code
from kb.web.guard.addresses import Serving
from kb.web.hosts import own_names
from kb.web.listening import CertificateKeeper, config_for, own
from kb.web.network import BesideThisMachine, port_of
from kb.web.reach import Network, Reach, addresses_of
from kb.web.trust_page import CERTIFICATE, TrustPage

REACH = Reach(("https://192.168.7.20:8766",), "http://192.168.7.20:8767/", b"der", "AB:CD")


def trusting(authority: bytes) -> httpx.Client:
    return httpx.Client(verify=ssl.create_default_context(cadata=authority), timeout=commands.STUCK_S)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """(address, data folder) of a program on its own machine that knows somebody who administers."""
    folder = tmp_path_factory.mktemp("bench") / "data"
    with served(folder) as (url, _):
        with httpx.Client(base_url=url, headers={"Origin": url}, timeout=commands.STUCK_S) as browser:
            page = browser.post("/people", data={"name": "owner", "level": "administer"}).text
            link = re.search(r"data-link>([^<]+)<", page)
            assert link
            browser.post(link[1], data={"password": PASSWORD, "again": PASSWORD})
        yield url, folder


def test_a_page_lets_the_network_in_by_https_and_shuts_it_out_without_a_restart(
    bench: tuple[str, Path],
) -> None:
    url, folder = bench
    with httpx.Client(base_url=url, headers={"Origin": url}, timeout=commands.STUCK_S) as browser:
        assert browser.get("/connect/board-fault-book.crt").status_code == 404
        opened = browser.post("/connect/open", data={"port": str(free_port())})
        assert opened.headers["location"] == "/connect?changed=open"
        page = browser.get("/connect").text
        port, trust_port = (
            int(one) for one in re.findall(r'aria-label="Code that leads to \S+:(\d+)/?"', page)[::-1]
        )
        authority = browser.get("/connect/board-fault-book.crt").content
        assert fingerprint_of(authority).replace(":", "") in re.sub(r"<[^>]+>|[\s:]", "", page)
        # What the phone gets by plain HTTP is the same, and nothing else is there.
        plain = f"http://127.0.0.1:{trust_port}"
        assert httpx.get(plain + CERTIFICATE).content == authority
        assert "trust this machine once" in httpx.get(plain).text
        assert httpx.get(plain + "/cases").status_code == 404
        with trusting(authority) as phone:
            for host in ("127.0.0.1", "localhost"):
                answer = phone.get(f"https://{host}:{port}/", headers={"Accept": "text/html"})
                assert answer.headers["location"] == "/sign-in"
                assert "strict-transport-security" not in answer.headers
            signed_in = phone.post(
                f"https://localhost:{port}/sign-in",
                data={"name": "owner", "password": PASSWORD},
                headers={"Origin": f"https://localhost:{port}"},
            )
            cookie = signed_in.headers["set-cookie"]
            assert cookie.startswith("__Host-kb_session=")
            assert "Secure" in cookie
            assert phone.get(f"https://localhost:{port}/cases").status_code == 200
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            httpx.get(f"https://localhost:{port}/")
        # On its own machine all is as before.
        assert browser.get("/cases").status_code == 200
        assert json.loads((folder / "network.json").read_text(encoding="utf-8"))["open"] is True
        assert browser.post("/connect/open").status_code == 412
        assert browser.post("/connect/close").headers["location"] == "/connect?changed=closed"
        assert browser.get("/connect/board-fault-book.crt").status_code == 404
        assert json.loads((folder / "network.json").read_text(encoding="utf-8"))["open"] is False


def test_a_program_for_the_network_makes_its_certificate_and_says_how_to_trust_it(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    shop_of(folder)
    port = str(free_port())  # the certificate is handed out one port further
    with served(folder, "--host", "0.0.0.0", "--port", port, "--tls", "auto") as (url, process):
        told = [process.stdout.readline() for _ in range(3)]
        assert url == f"https://0.0.0.0:{port}"
        kept = x509.load_pem_x509_certificate((folder / "tls" / "authority.pem").read_bytes())
        authority = kept.public_bytes(serialization.Encoding.DER)
        assert fingerprint_of(authority) in told[1]
        with trusting(authority) as phone:
            answer = phone.get(url.replace("0.0.0.0", "127.0.0.1") + "/sign-in")
        assert answer.status_code == 200
        assert "strict-transport-security" not in answer.headers
        trust_page = told[2].split()[-1]
        assert trust_page.rstrip("/").rpartition(":")[2] == str(int(port) + 1)
        assert httpx.get(f"http://127.0.0.1:{int(port) + 1}{CERTIFICATE}").content == authority


def shop_of(folder: Path) -> None:
    """A data folder with somebody who administers."""
    shop = Shop.open(settings_in(folder))
    people.add(shop, people.COMMAND_LINE, "owner", "administer", PASSWORD)
    shop.close()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--tls", "auto", "--tls-cert", "a.pem"], "--tls auto makes a certificate, and another is named."),
        (["--tls-cert", "a.pem"], "A certificate needs its key."),
        (["--tls", "auto", "--host", "0.0.0.0"], "there is no account that administers yet"),
    ],
)
def test_options_that_do_not_go_together_are_said_in_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    said: str,
) -> None:
    monkeypatch.setenv("KB_DATA", str(tmp_path / "data"))
    assert main(["serve", "--no-browser", "--port", "0", *options]) == 1
    told = capsys.readouterr().err
    assert said in told
    assert len(told.splitlines()) == 1


def test_a_damaged_authority_stops_the_start_with_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "tls").mkdir()
    (tmp_path / "tls" / "authority.pem").write_text("nothing", encoding="ascii")
    monkeypatch.setenv("KB_DATA", str(tmp_path))
    assert main(["serve", "--no-browser", "--port", "0", "--tls", "auto"]) == 1
    told = capsys.readouterr().err
    assert "The authority of this machine is damaged" in told
    assert "delete the folder" in told


def test_the_service_is_started_with_the_own_certificate_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shop_of(tmp_path / "data")
    monkeypatch.setenv("KB_DATA", str(tmp_path / "data"))
    assert main(["unit", "--show", "--host", "0.0.0.0", "--tls", "auto"]) == 0
    assert '"--tls" "auto"' in capsys.readouterr().out


# -- without sockets


def network(shop: object = None) -> BesideThisMachine:
    return BesideThisMachine(shop or fresh_shop(), lambda _: None, 8766)  # type: ignore[arg-type]


def test_nobody_is_let_in_without_somebody_who_administers() -> None:
    shop = fresh_shop()
    made = network(shop)
    made._loop = asyncio.new_event_loop()
    with pytest.raises(BadInput, match="no account that administers"):
        made.open()
    made._loop.close()
    assert made.reach() is None
    assert not shop.settings.network_file.exists()


def test_a_port_that_is_taken_is_said_with_what_to_do() -> None:
    shop = fresh_shop()
    people.add(shop, people.COMMAND_LINE, "owner", "administer", PASSWORD)
    made = network(shop)
    made._loop = asyncio.new_event_loop()
    with socket.create_server(("0.0.0.0", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(StoreTrouble, match=f"Port {port} on 0.0.0.0 cannot be used") as trouble:
            made.open(port)
    made._loop.close()
    assert trouble.value.remedy == "Stop the program that uses it, or write another port."


def test_what_was_chosen_and_cannot_be_had_at_a_start_is_told_and_does_not_stop_it() -> None:
    shop = fresh_shop()
    shop.settings.data.mkdir(parents=True, exist_ok=True)
    shop.settings.network_file.write_text('{"open": true, "port": 9999}', encoding="utf-8")
    made = network(shop)
    asyncio.run(made.start())
    assert made.port == 9999
    assert "no account that administers" in made.trouble


@pytest.mark.parametrize("content", ["", "[]", "nonsense", '{"open": "yes", "port": "8"}', '{"port": -1}'])
def test_a_damaged_choice_lets_nobody_in(content: str) -> None:
    shop = fresh_shop()
    shop.settings.data.mkdir(parents=True, exist_ok=True)
    shop.settings.network_file.write_text(content, encoding="utf-8")
    made = network(shop)
    asyncio.run(made.start())
    assert (made.reach(), made.port, made.trouble) == (None, 8766, "")


@pytest.mark.parametrize("typed", ["80", "65535", "8766.0", "ten", "٨٧٦٦", "-1", "999999"])
def test_a_port_is_a_number_that_may_be_had(typed: str) -> None:
    assert port_of(" 8766 ") == 8766
    with pytest.raises(BadInput, match="is no port for this"):
        port_of(typed)


def test_a_page_that_cannot_change_it_says_why(client: Client) -> None:
    page = client.get("/connect")
    assert "This program answers on its own machine only." in page.text
    answer = client.post("/connect/open", headers={"Origin": "http://127.0.0.1:8765"})
    assert answer.status_code == Conflict.status
    with pytest.raises(Conflict):
        Network().close()


def test_by_plain_http_the_page_says_what_the_browser_keeps_from_it() -> None:
    office = Office(bare=True)
    headers = office.signed_in("work") | {"Host": "bench.lan"}
    told = office.get("http://bench.lan/connect", headers=headers).text
    assert "What is missing on this connection" in told
    assert "as a program of its own" in told
    assert "--tls auto" in told
    local = office.as_("work", "GET", "/connect").text
    assert "What is missing on this connection" not in local
    office.close()


def test_who_does_not_administer_cannot_let_others_in() -> None:
    office = Office(bare=True)
    for path in ("/connect/open", "/connect/close"):
        assert office.as_("work", "POST", path).status_code == 403
    office.close()


def test_a_link_for_a_person_leads_to_where_a_phone_reaches_it_and_can_be_scanned() -> None:
    office = Office(bare=True, passwords=False)
    shown = office.as_("administer", "POST", "/people", data={"name": "x", "level": "work"}).text
    assert "scan-code" not in shown

    class Reached(Network):
        def reach(self) -> Reach:
            return REACH

    office.app.state.network = Reached()
    again = office.as_("administer", "POST", "/people", data={"name": "y", "level": "work"}).text
    assert "data-link>https://192.168.7.20:8766/set-up/" in again
    assert (
        Page(again).tags.count(
            ("svg", dict(next(g for t, g in Page(again).tags if t == "svg" and "aria-label" in g)))
        )
        == 1
    )
    office.close()


def test_hsts_is_sent_with_a_certificate_of_others_only() -> None:
    for own_certificate in (True, False):
        shop = fresh_shop()
        assert bring(shop, a_family(), a_case("one")).saved
        client = Client(
            shop, serving=Serving(sign_in=True, tls=True, own_certificate=own_certificate, key=KEY)
        )
        sent = "strict-transport-security" in client.get("/sign-in").headers
        assert sent is not own_certificate
        client.close()


def test_the_plain_page_hands_out_the_certificate_and_reads_nothing_else() -> None:
    page = TrustPage(lambda: REACH, "Quay & bench")

    def asked(line: str) -> tuple[bytes, bytes]:
        head, _, body = page.answer(f"{line}\r\nHost: anything\r\n\r\n".encode()).partition(b"\r\n\r\n")
        return head, body

    head, body = asked(f"GET {CERTIFICATE} HTTP/1.1")
    assert body == b"der"
    assert b"application/x-x509-ca-cert" in head
    head, body = asked("GET /?x=1 HTTP/1.1")
    assert b"Quay &amp; bench" in body
    assert b"AB:CD" not in body  # the fingerprint must come another way
    assert b"default-src 'none'" in head
    assert asked("HEAD / HTTP/1.1")[1] == b""
    assert asked("GET /sheet.css HTTP/1.1")[0].startswith(b"HTTP/1.1 200")
    for line in ("POST / HTTP/1.1", "GET", "", "GET /../tls/authority.pem HTTP/1.1", "GET /\xff HTTP/1.1"):
        assert asked(line)[0].startswith((b"HTTP/1.1 404", b"HTTP/1.1 405")), line
    assert TrustPage(lambda: None, "").answer(b"GET / HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 405")


def test_a_listener_is_reached_by_number_first_and_by_the_names_of_the_machine() -> None:
    settings = fresh_shop(hosts="quay.lan", base_url="https://book.quay.lan").settings
    cards = ("192.168.7.20", "fd00::7")
    found = addresses_of(settings, "0.0.0.0", 8766, "https", cards)
    assert found[:2] == ("https://book.quay.lan", "https://192.168.7.20:8766")
    assert "https://quay.lan:8766" in found
    assert "https://[fd00::7]:8766" not in found
    assert "https://[fd00::7]:1" in addresses_of(settings, "::", 1, "https", cards)
    assert addresses_of(fresh_shop().settings, "10.0.0.5", 8765, "http", cards) == ("http://10.0.0.5:8765",)
    assert "quay.lan" in own_names(settings)


def test_a_code_that_no_phone_would_read_is_left_out() -> None:
    assert code("https://192.168.7.20:8766/", 'A "code"').startswith(
        '<svg role="img" aria-label="A &#34;code'
    )
    assert code("https://" + "x" * 500, "long") == ""


def test_a_certificate_is_renewed_while_the_program_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    shop = fresh_shop()
    monkeypatch.setattr(system, "own_addresses", lambda: ("192.168.7.20",))
    tls = own(shop.settings, "0.0.0.0")
    config = config_for(None, Serving(tls=True), tls)
    config.load_app = lambda: None  # type: ignore[method-assign]
    loaded: list[Path] = []

    class Context:
        def load_cert_chain(self, file: Path) -> None:
            loaded.append(file)

    config.ssl = Context()  # type: ignore[assignment]
    keeper = CertificateKeeper(shop, "0.0.0.0", tls, config)
    keeper.loop = asyncio.new_event_loop()
    keeper.look()
    monkeypatch.setattr(system, "own_addresses", lambda: ("192.168.7.21",))
    keeper.look()
    keeper.loop.run_until_complete(asyncio.sleep(0))
    keeper.loop.close()
    assert loaded == [tls.certificate]
    assert keeper.tls.own is not None
    assert "192.168.7.21" in keeper.tls.own.names


def test_this_machine_knows_its_addresses(tmp_path: Path) -> None:
    (tmp_path / "fib_trie").write_text(
        "Main:\n  +-- 0.0.0.0/0 3 0 5\n     |-- 192.168.7.0\n        /24 link UNICAST\n"
        "     |-- 192.168.7.20\n        /32 host LOCAL\n     |-- 127.0.0.1\n        /32 host LOCAL\n",
        encoding="ascii",
    )
    digits = {"fd00::7": "00", "fd00::8": "01", "fe80::1": "80"}
    lines = [
        f"{socket.inet_pton(socket.AF_INET6, one).hex()} 02 40 {'20' if one[:2] == 'fe' else '00'} {flags} eth0\n"
        for one, flags in digits.items()
    ]
    (tmp_path / "if_inet6").write_text("".join(lines), encoding="ascii")
    found = system._listed_addresses(tmp_path)
    assert found == ["192.168.7.20", "127.0.0.1", "fd00::7"]  # neither temporary nor of one cable only
    assert not any(one.startswith("127.") for one in system.own_addresses())


def test_who_does_not_speak_http_gets_no_answer_from_the_plain_page() -> None:
    async def asked(content: bytes) -> bytes:
        listener = socket.create_server(("127.0.0.1", 0))
        page = TrustPage(lambda: REACH, "")
        await page.start(listener)
        reader, writer = await asyncio.open_connection(*listener.getsockname())
        writer.write(content)
        writer.write_eof()
        answer = b""
        with contextlib.suppress(ConnectionError):
            answer = await reader.read()
        writer.close()
        await page.stop()
        return answer

    assert asyncio.run(asked(b"GET / HTTP/1.1\r\n\r\n")).startswith(b"HTTP/1.1 200")
    for content in (b"", b"GET / HTTP/1.1\r\n", b"\x16\x03\x01" * 10):
        assert asyncio.run(asked(content)) == b"", content
