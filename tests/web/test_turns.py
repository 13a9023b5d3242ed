"""Each kind of request has its share of the threads: what blocks one kind stops no other.

Nothing here waits on a clock: requests stand where they are until the test lets them go on.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
from commands import STUCK_S
from factories import shop_in
from signed_in import PASSWORD, Office
from sqlalchemy import text
from starlette.responses import PlainTextResponse
from web_client import HOST

from kb.web import server
from kb.web.guard import request_limits
from kb.web.guard.access import ACCESS, READ, WORK
from kb.web.guard.request_limits import SHARES
from kb.web.pages import calculators

# One address of each kind at which a request stands still; that of an upload exists, its reading is replaced.
STANDS = {
    "read": ("GET", "/stands"),
    "write": ("POST", "/stands"),
    "download": ("GET", "/api/export-stands"),
    "upload": ("POST", "/helpers/log"),
}
LOG = {"files": {"file": ("log.csv", b"0;4.98\n1;4.97\n")}}


class Standing:
    """Requests that stand in a thread, with two questions to the store open, until they are let go."""

    def __init__(self, office: Office) -> None:
        self._office = office
        self._entered = threading.Semaphore(0)
        self._go_on = threading.Event()
        self.over = 0

    def stand(self) -> str:
        with self._office.shop.read() as one, self._office.shop.read() as another:
            one.execute(text("SELECT count(*) FROM change"))
            another.execute(text("SELECT count(*) FROM change"))
            self._entered.release()
            assert self._go_on.wait(STUCK_S)
        self.over += 1
        return "went on"

    async def entered(self, count: int) -> None:
        for _ in range(count):
            assert await asyncio.to_thread(self._entered.acquire, timeout=STUCK_S)

    def let_go(self) -> None:
        self._go_on.set()


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    made = Office(passwords=True, shop=shop_in(tmp_path / "data"))
    yield made
    made.close()


@pytest.fixture
def standing(office: Office, monkeypatch: pytest.MonkeyPatch) -> Iterator[Standing]:
    made = Standing(office)
    for kind in ("read", "write", "download"):
        method, path = STANDS[kind]
        office.app.add_api_route(path, made.stand, methods=[method])
        monkeypatch.setitem(ACCESS, (method, path), WORK if method == "POST" else READ)
    monkeypatch.setattr(calculators, "_read_log", lambda *_: PlainTextResponse(made.stand()))
    yield made
    made.let_go()


@asynccontextmanager
async def browser(office: Office) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(office.app)
    headers = office.signed_in("work")
    async with httpx.AsyncClient(
        transport=transport, base_url=HOST, headers=headers, timeout=STUCK_S
    ) as made:
        yield made


def ask(client: httpx.AsyncClient, kind: str) -> asyncio.Task[httpx.Response]:
    method, path = STANDS[kind]
    return asyncio.create_task(client.request(method, path, **(LOG if kind == "upload" else {})))


async def everything_else_is_answered(client: httpx.AsyncClient, blocked: set[str]) -> None:
    """One request of each kind but the blocked ones, and of what is never made to wait."""
    always = [
        client.get("/static/css/sheet.css"),
        client.get("/api/health"),
        client.get("/sign-in", headers={"Cookie": ""}),
        client.post("/sign-in", data={"name": "owner", "password": PASSWORD}, headers={"Cookie": ""}),
    ]
    others = {
        "read": [client.get("/"), client.get("/search", params={"q": "relay"}), client.get("/cases/one")],
        "write": [client.post("/cases", data={"family": "GL-31", "complaint": "hums", "verdict": ""})],
        "download": [],
        "upload": [client.post("/data/sheet", files={"file": ("a.csv", b"Board,Fault\nGL-31,dead\n")})],
    }
    asked = always + [one for kind, requests in others.items() for one in requests if kind not in blocked]
    for kind, requests in others.items():
        if kind in blocked:
            for one in requests:
                one.close()
    for answer in await asyncio.gather(*asked):
        assert answer.status_code in (200, 303), (answer.request.url, answer.status_code, answer.text[:300])


@pytest.mark.parametrize("kind", sorted(SHARES))
def test_what_blocks_one_kind_stops_no_other(office: Office, standing: Standing, kind: str) -> None:
    at_once, waiting = SHARES[kind]

    async def story() -> None:
        async with browser(office) as client:
            held = [ask(client, kind) for _ in range(at_once + min(waiting, 30))]
            await standing.entered(at_once)
            await everything_else_is_answered(client, {kind})
            assert standing.over == 0
            assert not any(task.done() for task in held)
            standing.let_go()
            for answer in await asyncio.gather(*held):
                assert answer.status_code == 200
                assert "went on" in answer.text

    asyncio.run(story())
    assert standing.over == at_once + min(waiting, 30)


def test_health_and_signing_in_are_answered_while_every_share_is_taken(
    office: Office, standing: Standing
) -> None:
    """More questions to the store are open than it once had connections: health is not 503 under plain load."""

    async def story() -> None:
        async with browser(office) as client:
            held = [ask(client, kind) for kind, (at_once, _) in SHARES.items() for _ in range(at_once)]
            await standing.entered(len(held))
            await everything_else_is_answered(client, set(SHARES))
            assert standing.over == 0
            standing.let_go()
            assert {answer.status_code for answer in await asyncio.gather(*held)} == {200}

    asyncio.run(story())


def test_more_than_may_wait_is_refused_in_a_sentence_and_nothing_else_suffers(
    office: Office, standing: Standing, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once, _ = SHARES["upload"]
    monkeypatch.setitem(request_limits.SHARES, "upload", (at_once, 3))

    async def story() -> None:
        async with browser(office) as client:
            held = [ask(client, "upload") for _ in range(at_once)]
            await standing.entered(at_once)
            more = [ask(client, "upload") for _ in range(5)]
            done, _ = await asyncio.wait(more, return_when=asyncio.FIRST_COMPLETED)
            while len(done) < 2:
                done, _ = await asyncio.wait(more, return_when=asyncio.FIRST_COMPLETED)
                await asyncio.sleep(0)
            for task in done:
                assert task.result().status_code == 503
                assert "Too much is asked at once." in task.result().text
            await everything_else_is_answered(client, {"upload"})
            standing.let_go()
            answers = await asyncio.gather(*held, *more)
            assert [answer.status_code for answer in answers].count(503) == 2

    asyncio.run(story())


def test_threads_take_turns_more_often_than_python_does_by_itself() -> None:
    before = sys.getswitchinterval()
    try:
        server.share_often()
        assert sys.getswitchinterval() == pytest.approx(0.0005)
    finally:
        sys.setswitchinterval(before)
