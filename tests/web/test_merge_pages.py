"""Merging through its page."""

from __future__ import annotations

import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring
from web_client import Client, Page

from kb.service.boards import families
from kb.service.cases import cases


def test_a_merge_is_looked_at_chosen_done_and_undone(client: Client) -> None:
    bring(client.shop, a_family("GL-310", kind="inverter"), a_case("two", "GL-310"))
    assert "Look at it first" in client.get("/data/merge").text
    seen = client.get("/data/merge?entity=family&away=GL-310&into=GL-31")
    assert "1 case that names GL-310 would name GL-31" in seen.text
    form = next(one for one in Page(seen.text).forms if one["method"] == "post")
    fields = {name: value for name, value in dict(form["fields"]).items() if not name.startswith("choice.")}
    unchosen = client.post("/data/merge", data=fields)
    assert unchosen.status_code == 422
    assert "Kind: it is not chosen which stays." in unchosen.text
    done = client.post("/data/merge", data=fields | {"choice.kind": "theirs"})
    assert (done.status_code, done.headers["location"]) == (303, "/families/GL-31")
    assert client.get("/families/GL-310").status_code == 200
    assert cases.stored(client.shop, "two").record.family == "GL-31"
    assert "Merge: GL-310 into GL-31" in client.get("/data/changes").text


def test_a_merge_with_itself_is_refused_at_its_field(client: Client) -> None:
    for answer in (
        client.get("/data/merge?entity=family&away=GL-31&into=GL31-B"),
        client.get("/data/merge?entity=family&away=GL-31&into=GL-31"),
        client.post("/data/merge", data={"entity": "family", "away": "GL-31", "into": "GL-31"}),
    ):
        assert answer.status_code == 422
        assert "Not saved yet" in answer.text
    assert client.post("/data/merge", data={"entity": "boat"}).status_code == 422


def test_many_cases_are_merged_as_long_work(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kb.web.pages.merge._AT_ONCE", 2)
    bring(client.shop, a_family("GL-310"), *(a_case(f"c{number}", "GL-310") for number in range(5)))
    fields = {"entity": "family", "away": "GL-310", "into": "GL-31"}
    answer = client.post("/data/merge", data=fields)
    job = client.shop.jobs.get(answer.headers["location"].rpartition("/")[2])
    assert job.wait(STUCK_S)
    assert (job.state, job.done) == ("done", 5)
    assert families.get(client.shop, "GL-310")[0].code == "GL-31"
