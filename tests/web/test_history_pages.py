"""What changed, who changed it, and the way back, as pages show it."""

from __future__ import annotations

from typing import Any

import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring
from web_client import Client, Page

from kb.model import FollowUp, LoadRecord, NotedSymptom, PartClassRecord, Reading, SymptomRecord
from kb.service.boards import families, vocabulary
from kb.service.cases import cases
from kb.service.history import undo_batch, versions
from kb.store.records import bins


def words_of(html: str) -> str:
    return " ".join(Page(html).words.split())


def test_a_case_tells_its_history_in_plain_words(client: Client) -> None:
    before = a_case("one")
    later = a_case(
        "one",
        verdict="no fault found",
        notes="the second look\nfound nothing",
        readings=[*before.readings, Reading(rail="24V", supply="running", value=24.1)],
        attempts=[before.attempts[0].model_copy(update={"result": "not known yet"})],
        follow_ups=[FollowUp.model_validate({"date": "2026-09-01", "state": "still working"})],
    )
    cases.save(client.shop.acting_as("bench 2"), later, expected_version=1)
    page = client.get("/cases/one/history")
    assert page.status_code == 200
    told = words_of(page.text)
    assert "changed by bench 2" in told
    for line in (
        "Verdict: repaired → no fault found",
        "Reading added: 24V 24.1V running",
        "Attempt 1 (C9), result: cured → not known yet",
        "Follow-up added: 2026-09-01 still working",
    ):
        assert line in told, told
    assert "<ins>the second look\nfound nothing</ins>" in page.text
    assert '"attempts"' not in client.get("/cases/one").text
    assert '/cases/one/history"' in client.get("/cases/one").text


def test_going_back_writes_a_new_version_and_loses_nothing(client: Client) -> None:
    cases.save(client.shop, a_case("one", notes="second"), expected_version=1)
    shown = client.get("/cases/one/history?restore=1")
    (form,) = [one for one in Page(shown.text).forms if one["action"] == "/cases/one/history"]
    assert "Notes: second" in words_of(shown.text)
    answer = client.post(form["action"], data=dict(form["fields"]))
    assert (answer.status_code, answer.headers["location"]) == (303, "/cases/one/history")
    assert cases.stored(client.shop, "one").version == 3
    assert cases.stored(client.shop, "one").record.notes == ""
    assert versions.version_of(client.shop, "case", "one", 2)["notes"] == "second"  # type: ignore[index]
    stale = client.post(form["action"], data={**dict(form["fields"]), "sent_key": "0" * 32})
    assert stale.status_code == 412


def test_an_earlier_version_says_what_has_to_come_back_for_it(client: Client) -> None:
    noted = [NotedSymptom(name="hums"), NotedSymptom(name="clanks")]
    bring(client.shop, SymptomRecord(name="hums"), SymptomRecord(name="clanks"))
    cases.save(client.shop, a_case("one", symptoms=noted), expected_version=1)
    cases.save(client.shop, a_case("one"), expected_version=2)
    with client.shop.write() as session:
        bins.put(session, "symptom", "hums")
    told = words_of(client.get("/cases/one/history?restore=2").text)
    assert "The symptom hums comes out of the bin." in told
    assert versions.restore(client.shop, "case", "one", 2) == ["symptom hums"]
    assert cases.stored(client.shop, "one").record.symptoms == noted


@pytest.mark.parametrize(
    ("path", "change"),
    [
        ("/families/GL-31/history", lambda shop: families.save(shop, a_family(notes="new <fuse>"))),
        (
            "/data/symptoms/history?name=hums",
            lambda shop: [vocabulary.save(shop, SymptomRecord(name="hums", minutes=m)) for m in (1.0, 2.0)],
        ),
        (
            "/data/part-classes/history?name=porthole",
            lambda shop: [
                vocabulary.save(shop, PartClassRecord(name="porthole", letters=x)) for x in (["P"], ["Q"])
            ],
        ),
        (
            "/loads/history?name=coil",
            lambda shop: [
                vocabulary.save(shop, LoadRecord(name="coil", kind="resistor", ohm=o)) for o in (8.0, 9.0)
            ],
        ),
    ],
)
def test_every_kind_of_record_has_a_history_and_a_way_back(client: Client, path: str, change: Any) -> None:
    change(client.shop)
    page = client.get(path)
    assert page.status_code == 200, path
    assert "<ins>" in page.text
    shown = client.get(path + ("&" if "?" in path else "?") + "restore=1")
    (form,) = [one for one in Page(shown.text).forms if "/history" in one["action"]]
    assert client.post(form["action"], data=dict(form["fields"])).status_code == 303
    assert "Version 3" in client.get(path).text


def test_what_changed_before_changes_carried_names_and_versions_still_shows(client: Client) -> None:
    """A store from before that time: the columns are empty."""
    cases.save(client.shop, a_case("one", notes="second"), expected_version=1)
    with client.shop.write() as session:
        session.connection().exec_driver_sql("update change set version = null, who = '', batch = null")
    told = words_of(client.get("/cases/one/history").text)
    assert "Version 2 present" in told
    assert "Version 1" in told
    assert "Notes: second" in told
    assert client.get("/data/changes").status_code == 200


def test_an_import_is_listed_previewed_and_undone_from_the_page(client: Client) -> None:
    report = bring(
        client.shop.acting_as("front desk"), a_case("two"), a_case("one", notes="new"), title="old book"
    )
    cases.save(client.shop, a_case("one", notes="newer"), expected_version=2)
    listed = client.get("/data/changes")
    assert "Import: old book" in words_of(listed.text)
    assert f"/data/changes/{report.batch}" in listed.text
    seen = client.get(f"/data/changes/{report.batch}")
    assert "1 record would go to the bin" in words_of(seen.text)
    assert "It was changed since on" in words_of(seen.text)
    (form,) = [one for one in Page(seen.text).forms if one["action"].endswith("/undo")]
    done = client.post(form["action"])
    assert "It is undone." in words_of(done.text)
    assert cases.stored(client.shop, "two").binned_at is not None
    assert cases.stored(client.shop, "one").record.notes == "newer"
    again = client.post(form["action"])
    assert again.status_code == 422
    assert "undone already" in again.text
    assert "Undoing: old book" in words_of(client.get("/data/changes").text)


def test_a_large_import_is_undone_as_long_work(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kb.web.pages.changes._AT_ONCE", 2)
    report = bring(client.shop, *(a_case(f"more-{number}") for number in range(5)))
    answer = client.post(f"/data/changes/{report.batch}/undo")
    job = client.shop.jobs.get(answer.headers["location"].rpartition("/")[2])
    assert job.wait(STUCK_S)
    assert (job.state, job.done, job.total) == ("done", 5, 5)
    assert cases.stored(client.shop, "more-3").binned_at is not None


def test_single_changes_are_chosen_by_kind_and_person_page_by_page(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kb.web.pages.changes._CHANGES", 5)
    for number in range(7):
        cases.save(client.shop.acting_as("apprentice"), a_case(f"c{number}"))
    page = client.get("/data/changes?who=apprentice&entity=case")
    assert "1 to 5 of 7 changes" in words_of(page.text)
    (link,) = [given["href"] for tag, given in Page(page.text).tags if given.get("rel") == "next"]
    assert link
    assert "6 to 7 of 7 changes" in words_of(client.get(link).text)
    assert "No change of that kind" in client.get("/data/changes?entity=load").text
    assert client.get("/data/changes?entity=boat").status_code == 422


def test_a_history_that_is_not_there_says_so(client: Client) -> None:
    assert client.get("/cases/nobody/history").status_code == 404
    assert client.get("/cases/one/history?restore=9").status_code == 404
    assert client.get("/data/changes/nobody").status_code == 404
    assert undo_batch.size(client.shop, bring(client.shop, a_case("x")).batch) == 1
