"""Two server processes on one PostgreSQL: each answers with what the other saved, and both go on without it.

How soon is the matter of benchmarks: here an answer is waited for that comes without the database, or never would.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from databases import Server
from factories import a_family, case_json, encoded
from processes import serving, until, until_at_hand
from web_client import Page

from kb.config import Settings
from kb.service import Shop
from kb.service.shop.cut_off.follower import Follower
from kb.store import Store
from kb.store.records import changes, families

pytestmark = pytest.mark.once("it starts its own server and two processes")


def total(client: httpx.Client, words: str) -> int:
    answer = client.get("api/search", params={"q": words})
    assert answer.status_code == 200, answer.text
    return int(answer.json()["total"])


def save(client: httpx.Client, uid: str, words: str) -> httpx.Response:
    return client.post("api/cases", json=case_json(uid, complaint=words))


@pytest.fixture(scope="module")
def two(
    server: Server, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[httpx.Client, httpx.Client]]:
    """Two processes on one database that knows the family GL-31 and the case `one`."""
    address = server.empty_database()
    with (
        serving(tmp_path_factory.mktemp("first"), address) as first,
        serving(tmp_path_factory.mktemp("second"), address) as second,
    ):
        assert first.post("api/import", content=b"".join(encoded([a_family()]))).status_code == 200
        assert save(first, "one", "relay ticks").status_code == 201
        assert total(first, "relay") == total(second, "relay") == 1
        for client in (first, second):
            until_at_hand(client)
        yield first, second


def test_what_one_process_saved_every_other_answers_with_at_once(
    two: tuple[httpx.Client, httpx.Client],
) -> None:
    for number in range(6):
        writer, reader = two[number % 2], two[1 - number % 2]
        assert save(writer, f"turn-{number}", f"zorble{number} dark").status_code == 201
        assert total(reader, f"zorble{number}") == 1  # the first time it is asked
        body = {"family": "GL-31", "symptoms": [{"name": "relay clicks repeatedly"}]}
        assert reader.post("api/suggestions", json=body).json()["cases_used"] == number + 2


def test_a_follower_takes_in_what_others_saved_without_being_asked(server: Server, tmp_path: Path) -> None:
    """By what writers announce at their commit: the interval of asking is far longer than the test."""
    address = server.empty_database()
    settings = Settings(data=tmp_path, database_url=address, database_poll_seconds=60)
    shop, other = Shop.open(settings), Store(address)
    shop.refresh()
    follower = Follower(shop)
    follower.start()
    try:
        for number in range(3):
            with other.write() as session:
                families.save(session, a_family(f"GL-{number}"))
                newest = changes.latest(session)[0]
            until(lambda seen=newest: shop.derived.seen()["index"] == seen)  # type: ignore[misc]
    finally:
        follower.stop()
        other.close()
        shop.close()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "stopped"])
def test_without_the_database_a_process_says_so_answers_from_what_it_has_and_comes_back_by_itself(
    server: Server, two: tuple[httpx.Client, httpx.Client], how: signal.Signals
) -> None:
    first, second = two
    before = total(second, "relay")
    asked = {"family": "GL-31", "symptoms": [{"name": "relay clicks repeatedly"}]}
    causes = second.post("api/suggestions", json=asked).json()["causes"]
    server.signal_all(how)
    try:
        # It is answered however the database went, and not only when that is back.
        second.get("api/search", params={"q": "relay"})
        until(lambda: "Cut off from the database" in second.get("search?q=relay").text)
        # What is kept here goes on answering, with the same answers.
        assert total(second, "relay") == before
        assert second.post("api/suggestions", json=asked).json()["causes"] == causes
        page = second.get("search?q=relay")
        assert page.status_code == 200
        assert "GL-31" in page.text
        assert "may be old" in page.text
        assert second.get("diagnose?family=GL-31&text=relay+ticks").status_code == 200
        # Writing is refused in a sentence; the form keeps what was typed.
        refused = save(second, "lost", "never kept")
        assert refused.status_code == 503
        assert "Nothing can be saved" in refused.json()["error"]["message"]
        form = second.post("cases", data={"family": "GL-31", "complaint": "typed with dirty hands"})
        assert form.status_code == 503
        assert "typed with dirty hands" in form.text
        assert "Cut off from the database" in form.text
        note = {"date": "2026-10-31", "state": "still working", "note": f"asked at the quay, {how.name}"}
        kept = Page(second.post("cases/one/follow-ups", data=note).text).form("/cases/one/follow-ups")
        # What the index remembers of a case is shown as that; what the database alone holds says so.
        case = second.get("cases/one")
        assert case.status_code == 200
        assert "relay ticks" in case.text
        assert "what the search index remembers" in case.text
        missing = second.get("cases/one/history")
        assert missing.status_code == 503
        assert "Cut off from the database since" in missing.text
        health = second.get("api/health")
        assert health.status_code == 503
        assert "Cut off from the database" in health.text
    finally:
        if how == signal.SIGKILL:
            server.start()
        else:
            server.signal_all(signal.SIGCONT)
    until(lambda: second.get("api/health").status_code == 200)
    until(lambda: first.get("api/health").status_code == 200)
    assert save(first, f"after-{how.name}", f"back{how.name}").status_code == 201
    assert total(second, f"back{how.name}") == 1
    assert "Cut off" not in second.get("search?q=relay").text
    assert second.get("cases/lost").status_code == 404
    # What was kept on the page is sent again and saved.
    assert second.post("cases/one/follow-ups", data=kept).status_code == 303
    assert note["note"] in second.get("cases/one").text
