"""The same form or call that is sent twice is done once; what was changed before it was sent again is not lost."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from factories import a_family, bring, case_json, fresh_shop
from signed_in import Office
from sqlalchemy import update
from sqlmodel import select
from web_client import Client, Page

from kb.errors import StoreTrouble
from kb.store.records import sent_once

pytestmark = pytest.mark.both("two writers of one key meet in the database")


@pytest.fixture
def client() -> Iterator[Client]:
    shop = fresh_shop()
    assert bring(shop, a_family()).saved
    made = Client(shop)
    yield made
    made.close()


def cases_in(client: Client) -> int:
    total: int = client.get("/api/health").json()["cases"]
    return total


def filled(client: Client, **typed: str) -> dict[str, str]:
    """The form of a new case as a browser would send it."""
    form = Page(client.get("/cases/new").text).form("/cases")
    return {**form, "family": "GL-31", "complaint": "stays dark", **typed}


def test_a_second_click_makes_no_second_case_and_leads_to_the_first(client: Client) -> None:
    form = filled(client)
    first, second = client.post("/cases", data=form), client.post("/cases", data=form)
    assert (first.status_code, second.status_code) == (303, 303)
    assert second.headers["location"].partition("?")[0] == first.headers["location"].partition("?")[0]
    assert cases_in(client) == 1


def test_every_form_that_saves_carries_a_key_of_its_own(client: Client) -> None:
    first, second = filled(client), filled(client)
    assert len(first["sent_key"]) == 32
    assert first["sent_key"] != second["sent_key"]
    client.post("/cases", data=first)
    client.post("/cases", data=second)
    assert cases_in(client) == 2


def test_who_goes_back_and_writes_more_makes_another_case(client: Client) -> None:
    form = filled(client)
    client.post("/cases", data=form)
    client.post("/cases", data={**form, "complaint": "stays dark, and smells"})
    assert cases_in(client) == 2


def test_a_form_that_was_refused_can_be_sent_again(client: Client) -> None:
    form = filled(client, complaint="x" * 5_000)
    assert client.post("/cases", data=form).status_code == 422
    assert client.post("/cases", data={**form, "complaint": "dark"}).status_code == 303
    assert cases_in(client) == 1


def test_a_call_with_a_key_is_done_once_and_answered_with_the_record(client: Client) -> None:
    headers = {"Idempotency-Key": "till 3, board 17"}
    body = {name: part for name, part in case_json("k1").items() if name != "uid"}
    first = client.post("/api/cases", json=body, headers=headers)
    second = client.post("/api/cases", json=body, headers=headers)
    assert first.status_code == 201
    assert second.status_code == 200
    assert second.json() == first.json()
    assert second.headers["etag"] == first.headers["etag"]
    assert cases_in(client) == 1
    client.post("/api/cases", json=body)
    client.post("/api/cases", json=body, headers={"Idempotency-Key": "till 3, board 18"})
    assert cases_in(client) == 3


def test_a_family_sent_twice_is_answered_as_the_first_time(client: Client) -> None:
    body = {"record": "family", "code": "WB-9", "kind": "power supply"}
    headers = {"Idempotency-Key": "one"}
    first, second = (client.post("/api/families", json=body, headers=headers) for _ in range(2))
    assert first.status_code == 201
    assert second.status_code == 200
    assert second.json() == first.json()


def test_a_write_that_was_kept_and_not_answered_is_there_once_when_it_is_sent_again(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full just after the commit, so that the answer is 503."""
    form = filled(client)

    def full(*_: object) -> None:
        raise StoreTrouble("The disk is full.", remedy="Free some space.")

    with monkeypatch.context() as patched:
        patched.setattr(type(client.shop), "refresh", full)
        assert client.post("/cases", data=form).status_code == 503
    assert client.post("/cases", data=form).status_code == 303
    assert cases_in(client) == 1


def test_two_clicks_at_one_moment_make_one_case(client: Client) -> None:
    shop = client.shop
    start = threading.Barrier(2)
    outcomes: list[str] = []

    def click() -> None:
        start.wait()
        try:
            with shop.acting_as("", "k" * 64).write():
                outcomes.append("done")
        except sent_once.AlreadyDone:
            outcomes.append("done before")

    clicks = [threading.Thread(target=click) for _ in range(2)]
    for one in clicks:
        one.start()
    for one in clicks:
        one.join()
    assert sorted(outcomes) == ["done", "done before"]


def test_keys_belong_to_a_person() -> None:
    office = Office()
    try:
        body = {name: part for name, part in case_json("k1").items() if name != "uid"}
        made: set[str] = set()
        for level in ("work", "administer"):
            headers = {**office.signed_in(level), "Idempotency-Key": "one"}
            added = office.post("/api/cases", json=body, headers=headers)
            assert added.status_code == 201
            made.add(added.headers["location"])
        assert len(made) == 2
    finally:
        office.close()


def test_keys_are_kept_for_a_day(client: Client) -> None:
    from kb.store.tables.core import SentOnce, now

    form = filled(client)
    client.post("/cases", data=form)
    with client.shop.store.write() as session:
        session.execute(update(SentOnce).values(at=now() - sent_once.KEPT * 2))
    client.post("/cases", data=filled(client))
    with client.shop.read() as session:
        assert len(session.exec(select(SentOnce)).all()) == 1
