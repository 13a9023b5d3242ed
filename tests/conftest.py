"""Makes the modules beside this file importable from every test folder, and says where stores are kept.

`--database postgresql` runs the tests that touch a store on a PostgreSQL server. Those of other modules
would only run once more as they did before, and those marked `once` say why they run in the first pass
only: both are left out and counted in the summary.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from databases import PLACES, Server
from hypothesis import settings

# The same examples every time, and however busy the machine is: a failure is then one of the code.
settings.register_profile("kb", deadline=None, derandomize=True, database=None)
settings.load_profile("kb")

# What a module that has to do with a store mentions.
_TOUCHES_A_STORE = re.compile(
    r"\b(fresh_shop|shop_in|demo_shop|settings_in|web_client|disk_shop|KB_DATA|kb\.store|kb\.service)\b"
)
_LEFT_OUT = pytest.StashKey[dict[str, int]]()


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


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not on_postgresql(config):
        return
    counts = config.stash.setdefault(_LEFT_OUT, {})
    kept, left_out = [], []
    for item in items:
        why = why_left_out(item)
        if why is None:
            kept.append(item)
        else:
            counts[why] = counts.get(why, 0) + 1
            left_out.append(item)
    items[:] = kept
    config.hook.pytest_deselected(items=left_out)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for why, count in config.stash.get(_LEFT_OUT, {}).items():
        terminalreporter.write_line(f"left out on PostgreSQL: {count:>4} tests, {why}")


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
    config.addinivalue_line("markers", "once(why): not run again with --database postgresql")
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
    if on_postgresql(session.config) and not is_leader and not session.config.option.collectonly:
        PLACES.server = Server()


def pytest_sessionfinish(session: pytest.Session) -> None:
    if PLACES.server is not None:
        PLACES.server.stop()
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["left_out"] = session.config.stash.get(_LEFT_OUT, {})


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Each process of the run collects all tests; what one of them left out, all did."""
    node.config.stash[_LEFT_OUT] = getattr(node, "workeroutput", {}).get("left_out", {})


@pytest.fixture(autouse=True)
def _stores_are_thrown_away() -> Iterator[None]:
    """What a test made on the server is gone after it."""
    yield
    PLACES.drop_all()


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A PostgreSQL server that the tests of one module may stop and kill."""
    made = Server()
    yield made
    made.stop()
