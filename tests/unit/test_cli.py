"""The command line as people use it: exit status, one clear line, nothing half-done."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import commands
import pytest
from databases import PLACES
from factories import a_case, a_family, encoded

from kb import assets


def environment(data: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    return {
        **kept,
        "KB_DATA": str(data),
        "KB_DATABASE_URL": PLACES.of(data),
        "PYTHONWARNINGS": "error::ResourceWarning",
    }


def kb(
    data: Path, *arguments: str, stdin: bytes | None = None, fresh: bool = False, **more: str
) -> subprocess.CompletedProcess[bytes]:
    return commands.run(list(arguments), {**environment(data), **more}, stdin=stdin, fresh=fresh)


def one_line(done: subprocess.CompletedProcess[bytes]) -> str:
    """The one line on standard error of a command that failed."""
    text = done.stderr.decode()
    assert done.returncode == 1, text
    assert done.stdout == b""
    lines = [line for line in re.split(r"[\r\n]", text) if line.strip()]
    assert len(lines) == 1, text
    assert lines[0].startswith("kb: ")
    assert "Traceback" not in text
    return lines[0]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder that holds one family and two cases; only read."""
    data = tmp_path_factory.mktemp("stocked") / "data"
    lines = b"".join(encoded([a_family(), a_case("one"), a_case("two", notes="café ☕")]))
    done = kb(data, "import", "-", stdin=lines)
    assert done.returncode == 0, done.stderr
    assert done.stdout == b"3 added, 0 updated, 0 unchanged, 0 refused\n"
    return data


def test_export_piped_into_import_gives_the_same_store(stocked: Path, data: Path) -> None:
    sent = kb(stocked, "export")
    assert sent.returncode == 0
    assert "café ☕".encode() in sent.stdout
    assert kb(data, "import", "-", stdin=sent.stdout).returncode == 0
    assert kb(data, "export").stdout == sent.stdout


def test_export_does_not_depend_on_the_languages_of_the_machine(stocked: Path) -> None:
    odd = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii"}
    plain = kb(stocked, "export", fresh=True, **odd)
    assert plain.returncode == 0, plain.stderr
    assert plain.stdout == kb(stocked, "export").stdout


def test_export_to_a_file_leaves_only_that_file(stocked: Path, tmp_path: Path) -> None:
    target = tmp_path / "out" / "all.jsonl"
    target.parent.mkdir()
    assert kb(stocked, "export", str(target)).returncode == 0
    assert [path.name for path in target.parent.iterdir()] == ["all.jsonl"]
    assert target.read_bytes() == kb(stocked, "export").stdout


def test_export_into_a_folder_that_is_not_there_is_one_line(stocked: Path, tmp_path: Path) -> None:
    assert "No such file" in one_line(kb(stocked, "export", str(tmp_path / "none" / "all.jsonl")))


@pytest.mark.once("the driver tells of the connection that a broken pipe leaves open")
def test_export_stops_quietly_when_nobody_reads_on(stocked: Path) -> None:
    command = f"{sys.executable} -m kb export | head -c 10"
    done = subprocess.run(
        ["bash", "-c", command],
        capture_output=True,
        env=environment(stocked),
        timeout=commands.STUCK_S,
        check=False,
    )
    assert done.returncode == 0
    assert done.stderr == b""


def test_a_file_that_is_missing_is_named_and_no_store_is_made(data: Path, tmp_path: Path) -> None:
    assert "nothing.jsonl" in one_line(kb(data, "import", str(tmp_path / "nothing.jsonl")))
    assert not data.exists()


def test_a_folder_in_place_of_a_file_is_one_line(data: Path, tmp_path: Path) -> None:
    assert str(tmp_path) in one_line(kb(data, "import", str(tmp_path)))


def test_a_bad_line_is_told_with_number_field_and_remedy(stocked: Path, tmp_path: Path) -> None:
    file = tmp_path / "bad.jsonl"
    file.write_bytes(b"".join(encoded([a_case("three"), {"record": "case", "family": "nobody"}])))
    before = kb(stocked, "export").stdout
    done = kb(stocked, "import", str(file))
    assert done.returncode == 1
    assert done.stdout == b""
    told = done.stderr.decode()
    assert re.search(
        r'^line 2 \(family\): There is no family "nobody" in the store\. Check', told, re.MULTILINE
    )
    assert "nothing was imported" in told
    assert kb(stocked, "export").stdout == before


def test_skip_bad_and_create_missing_do_what_they_say(data: Path, tmp_path: Path) -> None:
    file = tmp_path / "mixed.jsonl"
    file.write_bytes(b"{\n" + b"".join(encoded([a_case("one", family="WB-7")])))
    assert kb(data, "import", str(file), "--skip-bad").stdout.endswith(b"2 refused\n")
    done = kb(data, "import", str(file), "--skip-bad", "--create-missing")
    assert done.returncode == 0
    assert done.stdout == b"1 added, 0 updated, 0 unchanged, 1 refused\n"


def test_reindex_tells_how_many_cases_it_indexed(stocked: Path) -> None:
    done = kb(stocked, "reindex")
    assert (done.returncode, done.stdout) == (0, b"2 cases indexed\n")


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("bake",),
        ("import",),
        ("serve", "--port", "many"),
        ("serve", "--port", "65536"),
        ("serve", "--port", "-1"),
        ("export", "a", "b"),
    ],
)
def test_bad_usage_exits_2_and_shows_the_usage(data: Path, arguments: tuple[str, ...]) -> None:
    done = kb(data, *arguments)
    assert done.returncode == 2
    assert b"usage: kb" in done.stderr
    assert not data.exists()


def test_the_version_is_told(data: Path) -> None:
    assert re.fullmatch(rb"kb \d+\.\d+\.\d+(\.dev\d+)?\n", kb(data, "--version").stdout)


def test_a_setting_that_cannot_be_used_is_named(data: Path) -> None:
    assert "KB_WARRANTY_DAYS" in one_line(kb(data, "export", KB_WARRANTY_DAYS="forever"))


@pytest.mark.once("a file that is no database")
def test_a_damaged_store_is_told_in_one_line(data: Path) -> None:
    data.mkdir()
    (data / "store.sqlite3").write_bytes(b"no database at all " * 500)
    (data / "store.sqlite3").chmod(0o600)  # an open one is mended, which takes a line of its own
    assert "damaged" in one_line(kb(data, "export"))


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "example.org"])
def test_an_address_that_others_can_reach_is_refused_without_an_account(data: Path, host: str) -> None:
    told = one_line(kb(data, "serve", "--host", host, "--no-browser", "--port", "0"))
    assert "others can reach it" in told
    assert "kb person add NAME --level administer" in told


def test_a_taken_port_is_told(data: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        told = one_line(kb(data, "serve", "--port", port, "--no-browser"))
    assert port in told
    assert "--port" in told


@contextmanager
def serving(data: Path, *arguments: str) -> Iterator[tuple[str, commands.Process]]:
    """A running server and its address, stopped with Ctrl+C."""
    server = commands.start(["serve", "--no-browser", "--port", "0", *arguments], environment(data))
    try:
        line = server.stdout.readline()
        found = re.fullmatch(r"Board fault book answers at (http://127\.0\.0\.1:\d+/)\n", line)
        assert found, (line, server.communicate()[1])
        yield found[1], server
    finally:
        server.send_signal(signal.SIGINT)
        server.communicate()


def test_serve_prints_one_line_with_its_address_once_it_answers(stocked: Path) -> None:
    with serving(stocked) as (address, server):
        with urlopen(address + "api/health", timeout=commands.STUCK_S) as answer:
            assert answer.status == 200
        server.send_signal(signal.SIGINT)
        out, err = server.communicate()
    assert out == ""
    assert "Traceback" not in err


def test_the_demo_never_touches_the_data_folder_and_leaves_nothing_behind(data: Path, tmp_path: Path) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    os.environ["TMPDIR"], kept = str(scratch), os.environ.get("TMPDIR")
    try:
        with serving(data, "--demo") as (address, _):
            with urlopen(address + "families/HX-210", timeout=commands.STUCK_S) as answer:
                page = answer.read().decode()
            assert "Demo store" in page
            assert "5VSB" in page
            assert not data.exists()
    finally:
        del os.environ["TMPDIR"]
        if kept is not None:
            os.environ["TMPDIR"] = kept
    assert not data.exists()
    assert list(scratch.iterdir()) == []
    assert (assets.folder("seed_data") / "demo.jsonl").exists()
