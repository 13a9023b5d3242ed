"""Makes the modules beside this file importable from every test folder, and says where stores are kept.

`--database postgresql` runs on a PostgreSQL server those of `tests/store`, and of other folders those that are
marked `both`, which says what differs there; but for those marked `same`, which says why. All others that touch a
store repeat there what they have shown, so they are `long`. Those that touch none, and those marked `once`, which
says why, run in the first pass only: they are left out and counted in the summary. Modules of which nothing can run
in the quick tier there are not even read.
"""

from __future__ import annotations

import gc
import importlib
import re
import sys
from collections.abc import Generator, Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import few_threads  # noqa: F401  before NumPy is loaded
import needs
import pytest
import shared_statements
import tiers
from databases import PLACES, Server
from hypothesis import is_hypothesis_test, settings

from kb.service.accounts import passwords

# The same examples every time, and however busy the machine is: a failure is then one of the code.
settings.register_profile("long", deadline=None, derandomize=True, database=None, max_examples=100)
settings.register_profile("quick", settings.get_profile("long"), max_examples=25)
settings.load_profile("quick")

# What a module that has to do with a store mentions.
_TOUCHES_A_STORE = re.compile(
    r"\b(fresh_shop|shop_in|demo_shop|settings_in|web_client|disk_shop|KB_DATA|kb\.store|kb\.service)\b"
)
# Hashing a password is dear on purpose: tested in these, with far less work in all others.
_HASH_AS_THE_PROGRAM_DOES = {"test_argon2.py"}
STORE = Path(__file__).parent / "store"
_LEFT_OUT = pytest.StashKey[dict[str, int]]()
_NOT_READ = pytest.StashKey[list[int]]()
# Half an hour of load is one test; in the quick tier a test that hangs is given up sooner (`pyproject.toml`).
_LONG_S = 7_200
_QUICK = "not long"  # the -m of pyproject.toml


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database",
        choices=("sqlite", "postgresql"),
        default="sqlite",
        help="which kind of database holds the stores of the tests",
    )


def on_postgresql(config: pytest.Config) -> bool:
    return bool(config.getoption("--database") == "postgresql")


@cache
def touches_a_store(file: Path) -> bool:
    return bool(_TOUCHES_A_STORE.search(file.read_text(encoding="utf-8")))


def why_left_out(item: pytest.Item) -> str | None:
    """Why a test does not run on PostgreSQL; None where it does."""
    if marker := item.get_closest_marker("once"):
        assert marker.args, f"{item.nodeid} does not say why it runs once only"
        return str(marker.args[0])
    return None if touches_a_store(item.path) else "the module touches no store"


def differs_there(item: pytest.Item) -> bool:
    """Whether a test can show something new on PostgreSQL."""
    if marker := item.get_closest_marker("same"):
        assert marker.args, f"{item.nodeid} does not say why it shows the same on PostgreSQL"
        return False
    if marker := item.get_closest_marker("both"):
        assert marker.args, f"{item.nodeid} does not say what differs on PostgreSQL"
        return True
    return item.path.is_relative_to(STORE)


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Of several processes that read all tests each reads a share of the modules first. In a fresh checkout each is
    compiled then once, and not by all processes: a quarter of a minute of processor time for every one."""
    gc.disable()  # until all is read, since nothing of it is thrown away
    worker = getattr(session.config, "workerinput", None)
    folder = Path(__file__).parent
    if worker is None or sys.dont_write_bytecode or on_postgresql(session.config):
        return
    if [session.config.rootpath / one for one in session.config.args] != [folder]:
        return
    for file in sorted(folder.glob("*/test_*.py"))[int(worker["workerid"][2:]) :: worker["workercount"]]:
        if (file.parent / "__init__.py").exists():
            continue
        if str(file.parent) not in sys.path:
            sys.path.insert(0, str(file.parent))
        # What is wrong with a module is said when it is collected.
        with suppress(Exception, pytest.skip.Exception):
            importlib.import_module(file.stem)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Sets aside what was read, as a server does after its start (`server.settle_memory`): it lives to the end of
    the run, and looking through it again and again took a twentieth of all time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 20, 20)
    gc.enable()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Half of a quick run on PostgreSQL would be reading modules that are then left out, in each process."""
    if not on_postgresql(config) or config.option.markexpr != _QUICK or config.option.collectonly:
        return None
    if not re.fullmatch(r"test_.+\.py", collection_path.name):
        return None
    text = collection_path.read_text(encoding="utf-8")
    if collection_path.is_relative_to(STORE):
        differs = not re.search(r"^pytestmark = pytest\.mark\.(?:same|once)\(", text, re.MULTILINE)
    else:
        differs = bool(re.search(r"\bmark\.both\(", text))
    if differs:
        return None
    config.stash.setdefault(_NOT_READ, [0])[0] += 1
    return True


@pytest.hookimpl(tryfirst=True)  # before -m is asked
def pytest_collection_modifyitems(
    session: pytest.Session, config: pytest.Config, items: list[pytest.Item]
) -> None:
    if tiers.IS_LONG:
        session.add_marker(pytest.mark.timeout(_LONG_S))  # where nothing nearer says another
        # Properties are tried in every run, on some examples, and before a release on all of them.
        for item in items:
            if is_hypothesis_test(getattr(item, "obj", None)):
                item.add_marker(pytest.mark.long)
    if not on_postgresql(config):
        return
    counts = config.stash.setdefault(_LEFT_OUT, {})
    kept, left_out = [], []
    for item in items:
        why = why_left_out(item)
        if why is None:
            if not differs_there(item):
                item.add_marker(pytest.mark.long)
            kept.append(item)
        else:
            counts[why] = counts.get(why, 0) + 1
            left_out.append(item)
    items[:] = kept
    config.hook.pytest_deselected(items=left_out)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for why, count in config.stash.get(_LEFT_OUT, {}).items():
        terminalreporter.write_line(f"left out on PostgreSQL: {count:>4} tests, {why}")
    if files := config.stash.get(_NOT_READ, [0])[0]:
        terminalreporter.write_line(f"not read on PostgreSQL: {files:>4} modules, all of which is long there")


@pytest.fixture(autouse=True)
def _light_passwords(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.path.name not in _HASH_AS_THE_PROGRAM_DOES:
        monkeypatch.setattr(passwords, "_hasher", shared_statements.LIGHT)


class SharedStores:
    """A plugin of its own: this file's hooks are not called for fixtures of the whole session."""

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[object]) -> Generator[None, object, object]:
        """Stores of fixtures that several tests share outlive each of these tests."""
        mark = PLACES.mark()
        result = yield
        if fixturedef.scope != "function":
            PLACES.keep_since(mark)
        return result


def pytest_configure(config: pytest.Config) -> None:
    shared_statements.share()
    shared_statements.keep_templates()
    tiers.IS_LONG = config.option.markexpr == "long"
    settings.load_profile("long" if tiers.IS_LONG else "quick")
    config.addinivalue_line("markers", "once(why): not run again with --database postgresql")
    config.addinivalue_line("markers", "both(what differs): run again with --database postgresql")
    config.addinivalue_line("markers", "same(why): of those that are, run again in the long tier only")
    whole = config.args_source is not pytest.Config.ArgsSource.ARGS or on_postgresql(config)
    if whole and not config.option.collectonly and (packages := needs.missing()):
        # Before anything runs, and not once for each test that would fail.
        raise pytest.UsageError(needs.sentence(packages))
    config.pluginmanager.register(SharedStores())
    if on_postgresql(config):
        # A store that a test leaves open is a file that nobody misses, or a connection that tells of it.
        config.addinivalue_line(
            "filterwarnings", r"ignore:.*psycopg\.Connection.* was deleted while still open:ResourceWarning"
        )
        config.addinivalue_line(
            "filterwarnings", "ignore:.*BaseConnection.__del__:pytest.PytestUnraisableExceptionWarning"
        )


def pytest_sessionstart(session: pytest.Session) -> None:
    # With several processes the first one only hands out work.
    is_leader = session.config.getoption("numprocesses", None) and not hasattr(session.config, "workerinput")
    if is_leader or session.config.option.collectonly:
        return
    shared_statements.share_templates()
    if on_postgresql(session.config):
        PLACES.server = Server()


def pytest_sessionfinish(session: pytest.Session) -> None:
    if PLACES.server is not None:
        PLACES.server.stop()
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["left_out"] = session.config.stash.get(_LEFT_OUT, {})
        session.config.workeroutput["not_read"] = session.config.stash.get(_NOT_READ, [0])


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Each process of the run collects all tests; what one of them left out, all did."""
    of_one = getattr(node, "workeroutput", {})
    node.config.stash[_LEFT_OUT] = of_one.get("left_out", {})
    node.config.stash[_NOT_READ] = of_one.get("not_read", [0])


@pytest.fixture(autouse=True)
def _stores_are_thrown_away() -> Iterator[None]:
    """What a test made on the server is gone after it."""
    yield
    PLACES.drop_all()


def _started() -> Server:
    if needs.postgresql("postgres") is None:
        pytest.fail(needs.sentence(["postgresql"]), pytrace=False)
    return Server()


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A PostgreSQL server that the tests of one module may stop and kill."""
    made = _started()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def shared_server() -> Iterator[Server]:
    """A PostgreSQL server for tests that ask for databases of their own and leave it as it is."""
    if PLACES.server is not None:
        yield PLACES.server
        return
    made = _started()
    yield made
    made.stop()
