"""The program as a service: its unit, what it tells its supervisor, its log, and how it is upgraded."""

from __future__ import annotations

import io
import json
import logging
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.request import urlopen

import commands
import pytest
from factories import a_case, a_family, bring, settings_in, shop_in
from processes import bare_environment

import kb
from kb import system
from kb.cli.autostart import autostart, install
from kb.errors import BadInput
from kb.service.operate import upgrades
from kb.service.operate.upgrades import Failed, Ran
from kb.web import logs

UNIT_NAME = "kb-boards.service"


def unit(options: list[str], **environment: str) -> str:
    """The unit that serves with these options."""
    [one] = autostart(options, "http://127.0.0.1:8765/", environment).files
    return one.text


def verified(text: str, folder: Path) -> str:
    """What systemd itself has to say of a unit; nothing where it is content."""
    tool = shutil.which("systemd-analyze")
    assert tool, "systemd-analyze is missing: install Debian's package systemd and run the tests again."
    file = folder / UNIT_NAME
    file.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [tool, "verify", "--user", str(file)],
        env={**os.environ, "XDG_RUNTIME_DIR": str(folder)},
        capture_output=True,
        text=True,
        timeout=commands.STUCK_S,
        check=False,
    )
    return done.stderr + ("" if done.returncode == 0 else f"exit status {done.returncode}")


def test_systemd_takes_the_unit_as_it_is(tmp_path: Path) -> None:
    assert verified(unit(["--port", "8765"]), tmp_path) == ""


def test_systemd_would_have_said_so_were_it_wrong(tmp_path: Path) -> None:
    wrong = unit([]).replace("RestartSec=5", "RestartSecs=5")
    assert "RestartSecs" in verified(wrong, tmp_path)


def test_places_with_odd_signs_reach_the_service_as_they_are(tmp_path: Path) -> None:
    odd = '/srv/quay 50%/"two" \\ $HOME'
    text = unit(["--tls-cert", odd], KB_DATA=odd, KB_SHOP_NAME="not a place")
    assert verified(text, tmp_path) == ""
    # Quoting of systemd.syntax(7), specifiers of systemd.unit(5), variables of systemd.service(5).
    assert 'Environment="KB_DATA=/srv/quay 50%%/\\"two\\" \\\\ $HOME"' in text
    assert '"/srv/quay 50%%/\\"two\\" \\\\ $$HOME"' in text
    assert "not a place" not in text


def test_the_unit_is_written_for_its_owner_alone(tmp_path: Path) -> None:
    for port in ("1", "2"):
        made = autostart(["--port", port], "http://127.0.0.1/", {"XDG_CONFIG_HOME": str(tmp_path)})
        install(made)
    [file] = [one.file for one in made.files]
    assert file == tmp_path / "systemd" / "user" / "kb-boards.service"
    assert '"--port" "2"' in file.read_text()
    assert file.stat().st_mode & 0o777 == 0o600
    assert [entry.name for entry in file.parent.iterdir()] == [file.name]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--tls-cert", "bench.pem"], "A certificate needs its key. Name both --tls-cert and --tls-key."),
        (["--tls-cert", "none.pem", "--tls-key", "none.key"], "none.pem cannot be used with the key"),
        (["--host", "0.0.0.0"], "there is no account that administers yet. Make one with: kb person add"),
    ],
)
def test_a_unit_that_could_not_serve_is_refused_with_what_it_lacks(
    tmp_path: Path, options: list[str], told: str
) -> None:
    environment = bare_environment(KB_DATA=str(tmp_path / "data"), XDG_CONFIG_HOME=str(tmp_path))
    done = commands.run(["unit", *options], environment)
    said = done.stderr.decode()
    assert (done.returncode, done.stdout) == (1, b""), said
    assert said.startswith("kb: ")
    assert len(said.splitlines()) == 1
    assert told in said
    assert not (tmp_path / "systemd").exists()


def test_a_unit_refuses_a_port_and_settings_as_the_server_does(tmp_path: Path) -> None:
    environment = bare_environment(KB_DATA=str(tmp_path / "data"), XDG_CONFIG_HOME=str(tmp_path))
    wrong = commands.run(["unit", "--port", "99999"], environment)
    assert wrong.returncode == 2
    assert b"a port is a whole number from 0 to 65535" in wrong.stderr
    misspelt = commands.run(["unit", "--show"], environment | {"KB_SHOPNAME": "x"})
    assert misspelt.returncode == 1
    assert b"KB_SHOPNAME, which is no setting. Write KB_SHOP_NAME if that is meant" in misspelt.stderr


def test_a_unit_is_shown_or_written_with_the_places_of_the_records(tmp_path: Path) -> None:
    environment = bare_environment(KB_DATA=str(tmp_path / "data"), XDG_CONFIG_HOME=str(tmp_path))
    shown = commands.run(["unit", "--port", "8766", "--show"], environment)
    assert (shown.returncode, shown.stderr) == (0, b"")
    assert f'Environment="KB_DATA={tmp_path}/data"' in shown.stdout.decode()
    written = commands.run(["unit", "--port", "8766"], environment)
    assert written.returncode == 0, written.stderr
    assert (tmp_path / "systemd" / "user" / UNIT_NAME).read_bytes() == shown.stdout
    assert not (tmp_path / "data").exists()


def test_nothing_is_told_where_nobody_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not system.tell_supervisor("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/at/all")
    assert not system.tell_supervisor("READY=1")


@pytest.mark.parametrize("abstract", [False, True])
def test_a_served_program_says_when_it_is_ready_and_when_it_stops(tmp_path: Path, abstract: bool) -> None:
    """sd_notify(3): the messages a unit of Type=notify waits for."""
    name = f"@kb-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
        supervisor.bind("\0" + name[1:] if abstract else name)
        supervisor.settimeout(commands.STUCK_S)
        kept = {key: value for key, value in os.environ.items() if not key.startswith("KB_")}
        environment = {
            **kept,
            "KB_DATA": str(tmp_path / "data"),
            "KB_CONFIG": str(tmp_path / "none.toml"),
            "KB_LOG_FORMAT": "json",
            "KB_LOG_LEVEL": "info",
            "NOTIFY_SOCKET": name,
        }
        server = commands.start(["serve", "--no-browser", "--port", "0"], environment)
        try:
            assert supervisor.recv(100) == b"READY=1"
            address = server.stdout.readline().split()[-1]
            with urlopen(address + "families", timeout=commands.STUCK_S) as answer:
                request = answer.headers["X-Request-Id"]
            server.send_signal(signal.SIGTERM)
            assert supervisor.recv(100) == b"STOPPING=1"
            _, said = server.communicate()
        finally:
            server.close()
    # systemd counts an end by the signal it sent as a clean one.
    assert server.returncode in (0, -signal.SIGTERM)
    lines = [json.loads(line) for line in said.splitlines()]
    [told] = [line for line in lines if line.get("request") == request]
    assert (told["method"], told["route"], told["status"]) == ("GET", "/families", 200)
    assert told["ms"] > 0


@pytest.fixture
def written() -> Iterator[Callable[[str], str]]:
    """Sets the log up in a style, logs one error and one odd line, and answers what was written."""
    root = logging.getLogger()
    kept, level = root.handlers[:], root.level

    def write(style: str) -> str:
        logs.set_up(style, "info", lambda: "ab12")
        stream = io.StringIO()
        handler = root.handlers[0]
        assert isinstance(handler, logging.StreamHandler)
        handler.setStream(stream)
        log = logging.getLogger("kb.test")
        log.info("one\nline with “quotes”", extra={"cases": 3})
        try:
            raise KeyError("lost")
        except KeyError:
            log.exception("it failed")
        return stream.getvalue()

    yield write
    root.handlers[:] = kept
    root.setLevel(level)


def test_json_lines_hold_one_object_each_with_the_request(written: Callable[[str], str]) -> None:
    first, second = (json.loads(line) for line in written("json").splitlines())
    assert first["message"] == "one\nline with “quotes”"
    assert (first["level"], first["logger"], first["request"], first["cases"]) == (
        "info",
        "kb.test",
        "ab12",
        3,
    )
    assert first["time"].endswith("+00:00")
    assert "KeyError" in second["trace"]


def test_plain_lines_are_for_a_person(written: Callable[[str], str]) -> None:
    said = written("text")
    assert " INFO [ab12] one\nline" in said
    assert "Traceback" in said


class Machine:
    """Answers commands as told and remembers them."""

    def __init__(self, **fails: str) -> None:
        self.fails = fails
        self.ran: list[str] = []

    def __call__(self, command: Sequence[str]) -> Ran:
        line = " ".join(command[1:] if command[0] == sys.executable else command)
        self.ran.append(line)
        failed = next((said for word, said in self.fails.items() if word in line), None)
        return Ran(0, "all in order") if failed is None else Ran(1, failed)


@pytest.fixture
def stocked(tmp_path: Path) -> Path:
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family(), a_case("one")).saved
    shop.close()
    return tmp_path / "data"


def test_an_upgrade_backs_up_before_it_installs(stocked: Path, tmp_path: Path) -> None:
    wheel = tmp_path / "kb_boards-9.whl"
    wheel.touch()
    machine = Machine()
    done = upgrades.upgrade(settings_in(stocked), wheel, top=None, run=machine)
    assert done.backup is not None
    assert done.backup.stat().st_size > 1000
    assert done.checked == "all in order"
    assert [line.split(" ")[1] for line in machine.ran] == ["pip", "pip", "kb"]
    assert machine.ran[-1] == "-m kb check"


def test_a_checkout_is_brought_up_to_date_without_merging(stocked: Path, tmp_path: Path) -> None:
    machine = Machine()
    upgrades.upgrade(settings_in(stocked), None, top=tmp_path, run=machine)
    assert machine.ran[0] == f"git -C {tmp_path} pull --ff-only --quiet"
    assert machine.ran[1] == f"-m pip install --quiet --editable {tmp_path}"


@pytest.mark.once("a database that is named is always there")
def test_without_a_store_there_is_nothing_to_back_up(tmp_path: Path) -> None:
    machine = Machine()
    assert upgrades.upgrade(settings_in(tmp_path / "none"), None, top=tmp_path, run=machine).backup is None


def test_a_failed_installation_stops_before_the_store(stocked: Path, tmp_path: Path) -> None:
    machine = Machine(pip="no matching distribution")
    with pytest.raises(Failed, match=r"store was not touched\. no matching distribution"):
        upgrades.upgrade(settings_in(stocked), tmp_path, top=None, run=machine)
    assert not any("kb check" in line for line in machine.ran)


def test_a_store_the_new_version_cannot_use_is_told_with_the_way_back(stocked: Path, tmp_path: Path) -> None:
    with pytest.raises(Failed, match="cannot use the store: damaged") as caught:
        upgrades.upgrade(settings_in(stocked), tmp_path, top=None, run=Machine(**{"kb check": "damaged"}))
    [backup] = stocked.glob("backups/before-upgrade-*.zip")
    assert f"kb restore {backup}" in (caught.value.remedy or "")


def test_nothing_to_install_from_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="does not know where newer versions are"):
        upgrades.upgrade(settings_in(tmp_path), None, top=None, run=Machine())
    with pytest.raises(BadInput, match="is not there"):
        upgrades.upgrade(settings_in(tmp_path), tmp_path / "kb.whl", top=None, run=Machine())


def test_a_command_is_run_without_a_shell_and_its_last_lines_are_kept() -> None:
    ran = upgrades.run_command([sys.executable, "-c", "print('$HOME'); raise SystemExit(3)"])
    assert (ran.status, ran.said) == (3, "$HOME")


def test_this_program_runs_from_a_checkout() -> None:
    package = Path(kb.__file__).parent
    assert upgrades.checkout(package) == package.parent
    assert upgrades.checkout(package / "service") is None


def test_memory_that_is_free_again_goes_back_to_the_system() -> None:
    """In a process of its own, as what else a test run holds would blur it. glibc only, as in CI."""
    code = """
import re
from pathlib import Path
from kb.system import give_back_memory, keep_memory_small
def resident():
    return int(re.search(r"VmRSS:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
assert keep_memory_small()
held = [bytes([number % 256]) * 5_000 for number in range(20_000)]  # too small to be mapped one by one
last = bytes([1]) * 5_000  # keeps the heap's end in use, so that nothing is given back by itself
full = resident()
del held
assert resident() > full - 20_000
assert give_back_memory()
assert resident() < full - 50_000
"""
    subprocess.run([sys.executable, "-c", code], check=True)


def test_index_and_counts_that_were_set_aside_are_freed_when_they_are_replaced() -> None:
    """Python's collector no longer sees what `settle_memory` has set aside, so no cycle may hold them."""
    code = """
import gc, weakref
from factories import bring, demo_lines, fresh_shop
from kb.web.server import settle_memory
from kb.service.shop.copies import rebuild
from kb.store.records import changes
shop = fresh_shop()
assert bring(shop, *demo_lines()[:120]).saved
derived = shop.derived
search = lambda: derived._index.index.search("relay clicks").total
assert search()
with derived.counts():
    pass
largest = max((part.segment for part in derived._index.index._state.parts), key=lambda segment: segment.size)
ledger = derived._counts.ledger
held = [weakref.ref(one) for one in (largest.ids, largest.weights, ledger, ledger.item_fault.view.base)]
del largest, ledger
before = gc.get_freeze_count()
settle_memory()
assert gc.get_freeze_count() > before + 1_000
gc.disable()
assert all(one() is not None for one in held)
with shop.read() as session:
    rebuild(session, derived._index, derived._counts, changes.latest(session))
assert search()
assert [one() is None for one in held] == [True] * 4
"""
    process = commands.start_code(code, [], dict(os.environ))
    said = process.communicate()
    assert process.returncode == 0, said
