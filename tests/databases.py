"""Where the stores of a test run are kept: in memory and in files, or on a PostgreSQL server of the run.

`pytest --database postgresql` starts a server of its own for each process of the run, as an ordinary user,
in a throw-away folder and behind a Unix socket that nobody else can reach. Each store is a database copied
from one that holds an empty store already, which takes some hundredths of a second.
"""

from __future__ import annotations

import ctypes
import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import needs
import psycopg
from emptying import Emptied

from kb.store import Store

_TOLD = "TEST_STORE_ADDRESS"
_PR_SET_PDEATHSIG = 1  # <linux/prctl.h>
_SETTINGS = {
    "listen_addresses": "",
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "max_connections": "200",
    "shared_buffers": "64MB",
    "autovacuum": "off",
    "log_min_messages": "panic",
}


def binary(name: str) -> str:
    """The path of one of the server's programs. Raises RuntimeError where it is not installed."""
    found = needs.postgresql(name)
    if found is None:
        raise RuntimeError(needs.sentence(["postgresql"]))
    return found


def _as_ordinary_user() -> dict[str, Any]:
    """PostgreSQL refuses to run as root: then the user of Debian's package runs it."""
    if not hasattr(os, "getuid") or os.getuid():
        return {}
    import pwd  # not on Windows

    user = pwd.getpwnam("postgres")
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def _end_with_parent() -> None:
    """Asks Linux for a signal at the death of the test process, however that dies (prctl(2)).

    SIGQUIT lets the server end at once. It is asked for after the change of user, which would undo it.
    """
    if ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGQUIT, 0, 0, 0):
        os._exit(1)


class Server:
    """A PostgreSQL server in a throw-away folder that ends with the test process.

    Trouble at the start is raised, never passed over.
    """

    def __init__(self, **settings: str) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="kb-pg-"))
        self._user = _as_ordinary_user()
        if self._user:
            os.chown(self.folder, self._user["user"], self._user["group"])
        self._settings = _SETTINGS | settings
        self._numbers = itertools.count(1)
        self._emptied: Emptied | None = None
        self._free: list[str] = []  # empty stores that a test before has given back
        self._given: set[str] = set()
        self._run(
            "initdb", "--pgdata", f"{self.folder}/data", "--username", "kb", "--auth", "trust",
            "--encoding", "UTF8", "--locale", "C.UTF-8", "--no-sync",
        )  # fmt: skip
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [binary(program), *arguments], cwd="/", capture_output=True, text=True, **self._user
        )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stderr or done.stdout}")

    def start(self) -> None:
        """Starts the server, again where it was killed, and waits until it answers."""
        if self.process is not None and self.process.poll() is None:
            return
        options = [part for name, value in self._settings.items() for part in ("-c", f"{name}={value}")]
        self.process = subprocess.Popen(
            [binary("postgres"), "-D", f"{self.folder}/data", "-k", str(self.folder), *options],
            cwd="/",
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            preexec_fn=_end_with_parent,
            **self._user,
        )
        while True:
            try:
                psycopg.connect(self.address("postgres"), connect_timeout=3).close()
                return
            except psycopg.OperationalError:
                if self.process.poll() is not None:
                    raise RuntimeError("the PostgreSQL server of this test run did not start") from None
                time.sleep(0.02)

    def address(self, database: str) -> str:
        """The address of one of its databases, as `KB_DATABASE_URL` takes it."""
        return f"postgresql://kb@/{database}?host={self.folder}"

    def ask(self, statement: str, database: str = "postgres") -> list[Any]:
        """Runs one statement outside a transaction; answers its rows."""
        with psycopg.connect(self.address(database), autocommit=True) as connection:
            found = connection.execute(statement)  # type: ignore[arg-type]
            return found.fetchall() if found.description else []

    def empty_database(self) -> str:
        """The address of a new database without any table."""
        return self._new_database("template1")

    def store_address(self) -> str:
        """The address of a new database that holds an empty store with an identity of its own."""
        if self._emptied is None:
            self.ask("CREATE DATABASE kb_template")
            Store(self.address("kb_template")).close()
            self._emptied = Emptied(self.address("kb_template"))
        address = self._free.pop() if self._free else self._new_database("kb_template")
        self._given.add(address)
        with psycopg.connect(address) as connection:
            connection.execute(
                "UPDATE setting SET value = to_json(md5(random()::text)) WHERE name = 'identity'"
            )
        return address

    def _new_database(self, template: str) -> str:
        name = f"kb_{next(self._numbers)}"
        self.ask(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.address(name)

    def drop(self, address: str) -> None:
        """Takes a database of this server back, whoever still uses it."""
        if self._emptied is not None and address in self._given:
            self._given.remove(address)
            try:
                if self._emptied.empty(address):
                    self._free.append(address)
                    return
            except psycopg.Error:  # whatever the test did to it
                pass
        name = psycopg.conninfo.conninfo_to_dict(address)["dbname"]
        self.ask(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def signal_all(self, number: signal.Signals) -> None:
        """Sends a signal to the server and all its processes, each of which may lead a group of its own."""
        assert self.process is not None
        if number == signal.SIGKILL:
            # It would answer the death of its first child with new ones, which then outlive it for a while.
            self.process.send_signal(signal.SIGSTOP)
        for pid in [*self._children(), self.process.pid]:
            try:
                os.kill(pid, number)
            except ProcessLookupError:
                continue
        if number == signal.SIGKILL:
            self.process.wait()

    def _children(self) -> list[int]:
        assert self.process is not None
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
        return [int(pid) for pid in listed.split()]

    def stop(self) -> None:
        """Stops the server, whatever state it is in, and removes its folder."""
        if self.process is not None and self.process.poll() is None:
            self.signal_all(signal.SIGCONT)
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(60)
            except subprocess.TimeoutExpired:
                self.signal_all(signal.SIGKILL)
        shutil.rmtree(self.folder, ignore_errors=True)


class Places:
    """Where the stores of this run are kept."""

    def __init__(self) -> None:
        self.server: Server | None = None
        self._of_folder: dict[Path, str] = {}
        self._made: list[str] = []

    def in_memory(self) -> str:
        """The address of a new empty store that belongs to one test."""
        if self.server is None:
            return "sqlite://"
        address = self.server.store_address()
        self._made.append(address)
        return address

    def of(self, folder: Path) -> str:
        """What `KB_DATABASE_URL` holds for a data folder: "" for the file in it.

        A process that a test has started is told in its environment, see `for_child`.
        """
        if self.server is None:
            return os.environ.get(_TOLD, "")
        folder = folder.absolute()
        if folder not in self._of_folder:
            self._of_folder[folder] = self.in_memory()
        return self._of_folder[folder]

    def for_child(self, folder: Path) -> dict[str, str]:
        """The environment of a process that opens the store of a data folder with these modules."""
        return {**os.environ, _TOLD: self.of(folder)}

    def holds(self, folder: Path) -> bool:
        """Whether a store was made for a data folder before."""
        return folder.absolute() in self._of_folder

    def mark(self) -> int:
        """How many stores will be thrown away after the test that runs."""
        return len(self._made)

    def keep_since(self, mark: int) -> None:
        """Keeps the stores made since `mark` until the run ends."""
        del self._made[mark:]

    def drop_all(self) -> None:
        """Throws away the stores of the test that has run."""
        for address in self._made:
            assert self.server is not None
            self.server.drop(address)
        self._of_folder = {key: kept for key, kept in self._of_folder.items() if kept not in self._made}
        self._made = []


PLACES = Places()
