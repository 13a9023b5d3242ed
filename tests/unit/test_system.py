"""What differs between systems, on this one and on a Linux with what Windows lacks taken away."""

from __future__ import annotations

import json
import os
import plistlib
import re
import subprocess
import sys
from pathlib import Path

import httpx
import pictures_made as made
import pytest
from commands import STUCK_S
from factories import TODAY, a_case, a_family, encoded
from processes import bare_environment
from windows_like import environment

from kb import system
from kb.cli.autostart import autostart, install

pytestmark = pytest.mark.once("no store is touched, or the file in a data folder")
PLACES = {"KB_DATA": "/srv/50% quay", "KB_SHOP_NAME": "not a place"}


def test_a_file_is_read_at_any_place_and_one_that_ends_early_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "numbers"
    file.write_bytes(bytes(range(100)))
    placed = system.PlacedFile(file)
    assert (placed.size, placed.read(90, 10), placed.read(0, 3)) == (100, bytes(range(90, 100)), b"\0\1\2")
    with pytest.raises(OSError, match="ends early"):
        placed.read(95, 10)
    placed.close()
    placed.close()


def test_a_lock_is_held_by_one_and_lost_with_the_process_that_holds_it(tmp_path: Path) -> None:
    one, other = (system.FileLock(tmp_path / "lock") for _ in range(2))
    assert one.acquire()
    assert not other.acquire()
    one.release()
    assert other.acquire()
    other.release()
    code = (
        "import sys; from pathlib import Path; from kb.system import FileLock\n"
        "print(FileLock(Path(sys.argv[1])).acquire())"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "lock")], capture_output=True, check=True
    )
    assert ended.stdout.strip() == b"True"
    assert one.acquire()
    one.release()


def test_a_free_place_is_taken_by_the_first_alone(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).write_text(name, encoding="ascii")
    assert system.put_in_free_place(tmp_path / "one", tmp_path / "key")
    assert not system.put_in_free_place(tmp_path / "two", tmp_path / "key")
    assert (tmp_path / "key").read_text(encoding="ascii") == "one"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["key", "two"]


def test_macos_is_asked_for_more_than_fsync(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """F_FULLFSYNC is 51 in <sys/fcntl.h> there (from memory); where it cannot be had, fsync does."""
    asked: list[object] = []

    class Fcntl:
        F_FULLFSYNC = 51
        refuses = False

        def fcntl(self, number: int, what: int) -> None:
            if self.refuses:
                raise OSError("not here")
            asked.append(what)

    stand_in = Fcntl()
    monkeypatch.setattr(system, "_fcntl", stand_in)
    monkeypatch.setattr(os, "fsync", lambda number: asked.append("fsync"))
    (tmp_path / "file").touch()
    system.sync_file(tmp_path / "file")
    stand_in.refuses = True
    system.sync_file(tmp_path / "file")
    assert asked == [51, "fsync"]


def test_a_name_that_somebody_holds_for_a_moment_is_asked_for_again_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(system, "_BETWEEN_TRIES_S", 0.0)
    (tmp_path / "part").touch()
    held, plain = [3], os.replace

    def replace(source: Path, target: Path) -> None:
        if held[0]:
            held[0] -= 1
            raise PermissionError(13, "The file is used by another process")
        plain(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(PermissionError):
        system.replace(tmp_path / "part", tmp_path / "whole")
    monkeypatch.setattr(system, "KIND", "windows")
    system.replace(tmp_path / "part", tmp_path / "whole")
    assert (held, (tmp_path / "whole").exists()) == ([0], True)
    held[0] = 1_000
    (tmp_path / "part").touch()
    with pytest.raises(PermissionError):
        system.replace(tmp_path / "part", tmp_path / "whole")


def test_a_file_that_is_read_stays_on_windows_and_elsewhere_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "The file is used by another process")

    assert system.remove(tmp_path / "none")
    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(PermissionError):
        system.remove(tmp_path / "file")
    monkeypatch.setattr(system, "KIND", "windows")
    assert not system.remove(tmp_path / "file")


def test_a_folder_outside_the_profile_gets_a_list_of_its_own_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    ran: list[list[str]] = []
    status = [0]

    def run(command: list[str], **_: object) -> subprocess.CompletedProcess[bytes]:
        ran.append(command)
        return subprocess.CompletedProcess(command, status[0])

    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(system, "KIND", "windows")
    for name, value in (
        ("USERPROFILE", str(tmp_path / "me")),
        ("USERDOMAIN", "BENCH"),
        ("USERNAME", "bench one"),
    ):
        monkeypatch.setenv(name, value)
    system.make_private_folder(tmp_path / "me" / "kb")
    assert ran == []
    system.make_private_folder(tmp_path / "drive" / "kb")
    [command] = ran
    assert command[:4] == ["icacls", str(tmp_path / "drive" / "kb"), "/inheritance:r", "/grant:r"]
    assert command[4] == "BENCH\\bench one:(OI)(CI)F"
    system.make_private_folder(tmp_path / "drive" / "kb")
    assert len(ran) == 1  # one that is there is somebody's
    status[0] = 5
    assert not caplog.records
    system.make_private_folder(tmp_path / "other")
    assert "icacls refused with 5" in caplog.text


def test_what_a_process_uses_is_known_and_nothing_of_one_that_has_ended() -> None:
    used = system.Used(os.getpid()).now()
    assert used is not None
    assert used[0] > 0
    assert used[1] > 10_000_000
    ended = subprocess.Popen([sys.executable, "-c", "pass"])
    ended.wait()
    assert system.Used(ended.pid).now() is None


def test_a_launch_agent_holds_the_command_and_the_places(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keys of launchd.plist(5)."""
    monkeypatch.setattr(system, "KIND", "macos")
    start = autostart(["--port", "8765"], "http://127.0.0.1:8765/", PLACES)
    [one] = start.files
    agent = plistlib.loads(one.text.encode())
    assert agent["ProgramArguments"][1:] == ["-m", "kb", "serve", "--no-browser", "--port", "8765"]
    assert agent["EnvironmentVariables"] == {"PYTHONUNBUFFERED": "1", "KB_DATA": "/srv/50% quay"}
    assert agent["RunAtLoad"] is True
    assert one.file.parts[-3:] == ("Library", "LaunchAgents", f"{agent['Label']}.plist")
    assert any(line.startswith("  launchctl bootstrap gui/") for line in start.told)


def test_windows_gets_an_entry_that_starts_it_and_one_that_opens_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(system, "KIND", "windows")
    start = autostart(["--port", "8765"], "http://127.0.0.1:8765/", {**PLACES, "APPDATA": str(tmp_path)})
    install(start)
    programs = tmp_path / "Microsoft" / "Windows" / "Start Menu" / "Programs"
    starting = (programs / "Startup" / "kb-boards.cmd").read_bytes()
    assert starting.count(b"\r\n") == starting.count(b"\n") == 4
    lines = starting.decode().split("\r\n")
    assert lines[2] == 'set "KB_DATA=/srv/50%% quay"'
    assert lines[3].startswith(f'start "Board fault book" /min "{sys.executable}" "-m" "kb" "serve"')
    opening = (programs / "Board fault book.url").read_bytes()
    assert opening == b"[InternetShortcut]\r\nURL=http://127.0.0.1:8765/\r\n"


# ---- a Linux with what Windows lacks taken away -----------------------------------------------------------

_TAKEN_AWAY = r"""
import os, sys, tempfile, importlib
from pathlib import Path
from kb import system
refused = []
def tried(name, call, error):
    try:
        call()
    except error:
        refused.append(name)
folder = Path(tempfile.mkdtemp())
file = folder / "file"
file.write_text("line Ω\n", encoding="utf-8", newline="\n")
held = file.open("rb")
tried("fork", lambda: os.fork(), AttributeError)
tried("pread", lambda: os.pread(0, 1, 0), AttributeError)
tried("fcntl", lambda: importlib.import_module("fcntl"), ImportError)
tried("resource", lambda: importlib.import_module("resource"), ImportError)
tried("folder", lambda: os.open(folder, os.O_RDONLY), PermissionError)
tried("unlink", file.unlink, PermissionError)
tried("replace", lambda: os.replace(file, folder / "other"), PermissionError)
tried("sync", lambda: os.fsync(held.fileno()), OSError)
tried("reserved", lambda: (folder / "con.txt").open("wb"), OSError)
tried("case", lambda: (folder / "FILE").open("xb"), FileExistsError)
tried("omega", lambda: (folder / "text").write_text("Ω"), UnicodeEncodeError)
(folder / "lines").write_text("a\n")
held.close()
file.unlink()
print(system.KIND, (folder / "lines").read_bytes(), *refused)
"""


def test_what_windows_lacks_is_indeed_taken_away() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", _TAKEN_AWAY],
        env=environment(dict(os.environ)),
        capture_output=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr.decode()
    assert ran.stdout.decode().strip() == (
        "windows b'a\\r\\n' fork pread fcntl resource folder unlink replace sync reserved case omega"
    )


# Commands one after the other in one interpreter, each followed by a form feed.
_ONE_BY_ONE = r"""
import json, sys
from kb.cli.main import main
for arguments in json.loads(sys.argv[1]):
    try:
        status = main(arguments)
    except SystemExit as end:
        status = end.code
    if status:
        sys.exit(status)
    print("\f", end="", flush=True)
"""


@pytest.mark.parametrize("own_interpreter", [False, pytest.param(True, marks=pytest.mark.long)])
def test_a_whole_story_is_told_without_what_windows_lacks(tmp_path: Path, own_interpreter: bool) -> None:
    """Serve, a case with a picture, search, an import, a backup, restore, reindex, check and export."""
    data = tmp_path / "Daten Ω"
    own = environment(bare_environment(KB_DATA=str(data), KB_CONFIG=str(tmp_path / "none.toml")))

    def kb(*commands: list[str]) -> list[str]:
        """What each says: in the long tier by an interpreter of its own, as people start them."""
        if own_interpreter:
            started = [["-m", "kb", *arguments] for arguments in commands]
        else:
            started = [["-c", _ONE_BY_ONE, json.dumps(commands)]]
        said = []
        for arguments in started:
            ran = subprocess.run(
                [sys.executable, *arguments], env=own, capture_output=True, timeout=STUCK_S, check=False
            )
            assert ran.returncode == 0, ran.stderr.decode()
            said.append(ran.stdout.decode("cp1252"))
        return said if own_interpreter else said[0].split("\f")[:-1]

    first, changed = tmp_path / "first.jsonl", tmp_path / "changed.jsonl"
    first.write_bytes(
        b"".join(encoded([a_family(), *(a_case(f"c{n}", notes="5 Ω → warm") for n in range(40))]))
    )
    bring_in = ["import", "--create-missing", str(first)]
    serve = ["serve", "--no-browser", "--port", "0"]
    if own_interpreter:
        (brought,) = kb(bring_in)
        started = ["-m", "kb", *serve]
    else:
        started = ["-c", _ONE_BY_ONE, json.dumps([bring_in, serve])]
    server = subprocess.Popen(
        [sys.executable, *started], env=own, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        assert server.stdout is not None
        if not own_interpreter:
            brought = server.stdout.readline().decode()
        assert brought.startswith("41 added")
        told = server.stdout.readline().decode()
        assert "answers at" in told, server.communicate()[1].decode()
        address, _, one_time = told.split()[-1].partition("open/")
        own_pages = {"Origin": address.rstrip("/")}
        with httpx.Client(base_url=address, headers=own_pages, timeout=STUCK_S) as client:
            # Where it cannot be known whose a connection is, one browser is let in.
            assert client.get(f"open/{one_time}").is_redirect or not one_time
            case = {"record": "case", "uid": "shown", "family": "GL-31", "complaint": "smells of quince"}
            added = client.post("api/cases", json=case)
            assert added.status_code == 201, added.text
            picture = ("relay Ω.jpg", made.jpeg(), "image/jpeg")
            sent = client.post("api/cases/shown/files", files={"file": picture})
            assert sent.status_code in (200, 201), sent.text
            hits = client.get("api/search", params={"q": "quince"}).json()["hits"]
            assert [hit["case"] for hit in hits] == ["shown"]
            assert client.get("api/health").status_code == 200
            more = b"".join(encoded([a_case("later", complaint="gurgles", closed=TODAY)]))
            assert client.post("api/import", content=more).json()["added"] == 1
            assert client.delete("api/cases/later").is_success
            assert client.get("api/search", params={"q": "gurgles"}).json()["total"] == 0
    finally:
        server.terminate()
        said = server.communicate()[1].decode()
    assert "Traceback" not in said, said
    changed.write_text(json.dumps({**case, "complaint": "changed"}), encoding="utf-8")
    backed_up, before, kept, restored, indexed, _, checked = kb(
        ["backup", str(tmp_path / "kept.zip")],
        ["export"],
        ["import", str(changed)],
        ["restore", str(tmp_path / "kept.zip")],
        ["reindex"],
        ["export", str(tmp_path / "all.jsonl")],
        ["check", "--backups"],
    )
    assert "every part was read back and proved" in backed_up
    assert kept.startswith("0 added")
    assert "1 files were put back" not in restored
    assert "cases indexed" in indexed
    whole = (tmp_path / "all.jsonl").read_bytes()
    assert b"\r" not in whole
    assert len(whole.splitlines()) == len(before.splitlines())
    assert b"quince" in whole
    assert "all in order" in checked
    names = [path.relative_to(data).as_posix() for path in data.rglob("*")]
    assert len({name.casefold() for name in names}) == len(names)
    assert not [name for name in names if re.search(r'[<>:"|?*]|[ .]$', name)]


_AT_ITS_LIMITS = r"""
import apart_calls
from kb.apart import Limits, Pool
from kb.errors import BadInput
pool = Pool("This file", "Save it again.", Limits(cpu_s=1, wall_s=60, memory_bytes=600_000_000))
for call in (apart_calls.fills_the_memory, apart_calls.never_done):
    try:
        pool.run(call)
    except BadInput as error:
        print(error.message)
print(pool.run(apart_calls.twice, 4))
pool.close()
"""


def test_a_process_that_the_system_does_not_hold_to_its_limits_is_ended_at_them_all_the_same() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", _AT_ITS_LIMITS],
        env=environment(dict(os.environ)),
        capture_output=True,
        check=False,
    )
    assert ran.stdout.decode().splitlines() == [
        "This file needs more than 600 MB of memory to open.",
        "This file takes longer than 1 s to open.",
        "8",
    ], ran.stderr.decode()


@pytest.mark.long
@pytest.mark.parametrize(
    "files",
    [
        ["store/test_file_store.py"],
        ["unit/test_apart.py"],
        ["search/test_folder.py", "search/test_index.py", "store/test_backups.py"],
    ],
    ids=["files", "worker", "search and backups"],
)
def test_what_touches_files_passes_its_tests_there(files: list[str]) -> None:
    root = Path(__file__).parents[2]
    command = [sys.executable, "-m", "pytest", "-p", "tests.windows_like", "-q", "-p", "no:cacheprovider"]
    ran = subprocess.run(
        [*command, *(f"tests/{name}" for name in files)],
        cwd=root,
        env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")},
        capture_output=True,
        timeout=STUCK_S,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout.decode()[-3000:]
