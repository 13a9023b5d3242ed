"""Every page, with and without records, and the forms as a browser without JavaScript sends them."""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import Any

import pytest
from factories import a_case, bring, demo_shop, exported
from web_client import Client, Page

from kb.facts import vocabulary
from kb.model import as_dict
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.shop import derived
from kb.web.guard.access import chosen, routes_of

pytestmark = pytest.mark.both("the statements behind every page")

ALWAYS = (
    "/",
    "/search",
    "/search?q=relay+ticks",
    "/search?q=xyzzy",
    "/search?q=relay&verdict=repaired&year=2024",
    "/diagnose",
    "/diagnose?family=HX-210&symptom=fuse+blown&state=present&reading=5VSB+4.2+standby&order=cheapest",
    "/diagnose?family=nobody&text=dark",
    "/diagnose/ranking?text=relay+ticks",
    "/cases",
    "/cases?show=open",
    "/cases?show=binned",
    "/cases?offset=30",
    "/cases/new",
    "/cases/new?family=HX-210&symptom=fuse+blown&fix=standby+output|electrolytic+capacitor|C9",
    "/families",
    "/families?q=hx",
    "/families/new",
    "/families/new?code=ZZ-1",
    "/data",
    "/data/symptoms",
    "/data/symptoms?name=no+picture",
    "/data/part-classes",
    "/help",
    "/help/running",
    "/api/docs",
    "/complete/family?q=h",
    "/complete/symptom?q=re",
    "/complete/part_class?q=el",
    "/complete/section?q=st",
)


@pytest.mark.parametrize("path", ALWAYS)
def test_every_page_opens_on_the_demo(demo: Client, path: str) -> None:
    answer = demo.get(path)
    assert answer.status_code == 200, answer.text[:500]
    if answer.headers["content-type"].startswith("text/html") and "/ranking" not in path:
        assert "Demo store" in answer.text
        assert re.search(r"<title>[^<]+</title>", answer.text)


@pytest.mark.parametrize("path", ALWAYS)
def test_every_page_opens_on_an_empty_store(empty: Client, path: str) -> None:
    answer = empty.get(path)
    assert answer.status_code == 200, answer.text[:500]
    if answer.headers["content-type"].startswith("text/html") and "/ranking" not in path:
        assert "Demo store" not in answer.text
        assert re.search(r"<title>[^<]+</title>", answer.text)


# In the quick tier one in so many of the demo's records.
EVERY = pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.long)])


@EVERY
def test_every_family_and_case_of_the_demo_has_a_page_and_a_form(demo: Client, every: int) -> None:
    for line in families.listed(demo.shop)[1][::every]:
        page = demo.get(f"/families/{line.code}")
        assert (page.status_code, f">{line.code}" in page.text) == (200, True), line.code
        form = Page(demo.get(f"/families/{line.code}/edit").text).form(f"/families/{line.code}")
        assert form["kind"] == (families.get(demo.shop, line.code)[0].kind or ""), line.code
    uids = [json.loads(line)["uid"] for line in exported(demo.shop).splitlines() if '"record":"case"' in line]
    for uid in uids[:: 6 * every]:
        page = demo.get(f"/cases/{uid}")
        assert (page.status_code, f"/cases/{uid}/edit" in page.text) == (200, True), uid


@pytest.mark.same("what the form holds and where links lead")
@EVERY
def test_every_link_of_the_main_pages_leads_somewhere(demo: Client, every: int) -> None:
    """In the quick tier one link in so many that a route has, and the first of each."""
    seen: set[str] = set()
    for path in (
        "/",
        "/search?q=relay",
        "/families",
        "/families/HX-210",
        "/data",
        "/help",
        "/cases",
        "/diagnose",
    ):
        for tag, attributes in Page(demo.get(path).text).tags:
            href = attributes.get("href") or ""
            if tag == "a" and href.startswith("/"):
                seen.add(href.partition("#")[0])
    assert len(seen) > 40
    routes, met = routes_of(demo.app), Counter[str]()
    for href in sorted(seen):
        route = chosen(routes, "GET", href.partition("?")[0])
        assert route is not None, href
        met[route.path] += 1
        if (met[route.path] - 1) % every:
            continue
        assert demo.get(href).status_code == 200, href


@pytest.mark.same("what the form holds and where links lead")
@pytest.mark.parametrize(
    "path", ["/nowhere", "/cases/nobody", "/families/nobody", "/cases/nobody/edit", "/data/loads"]
)
def test_what_is_not_there_is_told_on_a_page(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (404, 422)
    assert "That did not work" in answer.text


def rich_case(uid: str) -> dict[str, Any]:
    """A case with something in every field."""
    return {
        "record": "case",
        "uid": uid,
        "family": "GL-31",
        "revision": "B",
        "received": "2026-03-02",
        "closed": "2026-03-05",
        "verdict": "repaired",
        "complaint": "\u201cstays dark\u201d & <ticks>\n\nsecond line",
        "customer": "the ferry office",
        "symptoms": [{"name": "relay clicks repeatedly"}, {"name": "fuse blown", "present": False}],
        "readings": [
            {
                "rail": "5VSB",
                "quantity": "dc_v",
                "supply": "standby",
                "load": "none",
                "value": 4.7,
                "written": "4V7",
            },
            {
                "rail": "24V",
                "quantity": "dc_v",
                "supply": "running",
                "load": "test load",
                "min": 3.1,
                "max": 25.0,
            },
            {"rail": "24V", "quantity": "ripple_v", "supply": "running", "load": "test load", "value": 0.12},
            {"point": "C9", "quantity": "esr_ohm", "supply": "unpowered", "load": "none", "value": 4.2},
            {
                "rail": "5VSB",
                "quantity": "dc_v",
                "supply": "standby",
                "load": "none",
                "value": 5.01,
                "after_repair": True,
            },
        ],
        "attempts": [
            {
                "part": "F1",
                "part_class": "fuse",
                "section": "mains input",
                "failure": "open",
                "action": "replace",
                "result": "no change",
                "cost": 0.5,
                "minutes": 5,
            },
            {
                "part": "C9",
                "part_class": "electrolytic capacitor",
                "section": "standby output",
                "action": "replace",
                "result": "cured",
                "cost": 0.0,
                "minutes": 0,
            },
        ],
        "follow_ups": [{"date": "2026-09-01", "state": "still working", "note": "phoned"}],
        "notes": "first\n\n  indented",
    }


def test_an_edit_that_changes_nothing_changes_nothing(client: Client) -> None:
    assert bring(client.shop, rich_case("rich")).saved
    before = exported(client.shop)
    fields = Page(client.get("/cases/rich/edit").text).form("/cases/rich")
    answer = client.post("/cases/rich", data=fields)
    assert answer.status_code == 303, answer.text
    assert exported(client.shop) == before
    assert cases.stored(client.shop, "rich").version == 1


@pytest.mark.same("what the form holds and where links lead")
@EVERY
def test_no_case_of_the_demo_changes_by_being_edited_without_a_change(every: int) -> None:
    client = Client(demo_shop())
    before = exported(client.shop)
    uids = [json.loads(line)["uid"] for line in before.splitlines() if '"record":"case"' in line]
    for uid in uids[:: 20 * every]:
        fields = Page(client.get(f"/cases/{uid}/edit").text).form(f"/cases/{uid}")
        answer = client.post(f"/cases/{uid}", data=fields)
        assert answer.status_code == 303, (uid, Page(answer.text).words[-2000:])
    for line in families.listed(client.shop)[1][::every]:
        fields = Page(client.get(f"/families/{line.code}/edit").text).form(f"/families/{line.code}")
        assert client.post(f"/families/{line.code}", data=fields).status_code == 303, line.code
    assert exported(client.shop) == before
    client.close()


def test_pages_that_only_look_into_the_counts_wait_for_no_choice_of_weights(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def chosen(*_: object, **__: object) -> None:
        raise AssertionError("weights were chosen")

    client = Client(demo_shop())
    monkeypatch.setattr(derived, "choose_strength", chosen)
    assert client.get("/diagnose?family=HX-210&text=dead").status_code == 500  # what ranks does wait
    for path in ("/families", "/families/HX-210", "/cases/new?family=HX-210"):
        assert client.get(path).status_code == 200, path
    client.close()


def test_a_case_is_added_through_the_form(client: Client) -> None:
    fields = Page(client.get("/cases/new").text).form("/cases")
    fields |= {
        "family": "gl31b",
        "complaint": "dark",
        "verdict": "repaired",
        "symptoms.0.name": "relay ticking",
        "readings.0.line": "5VSB 4.7 standby",
        "attempts.0.part": "C9",
        "attempts.0.part_class": "electrolytic capacitor",
        "attempts.0.section": "standby output",
        "attempts.0.minutes": "1h30",
        "attempts.0.cost": "1.20 €",
    }
    answer = client.post("/cases", data=fields)
    assert answer.status_code == 303, Page(answer.text).words
    uid = re.fullmatch(r"/cases/([^?]+)\?saved=new", answer.headers["location"])
    assert uid
    record = as_dict(cases.stored(client.shop, uid[1]).record)
    assert record["family"] == "GL-31"
    assert record["closed"] == "2026-11-01"
    assert record["symptoms"] == [{"name": "relay clicks repeatedly"}]
    assert record["readings"][0] | {"written": ""} == {
        "rail": "5VSB",
        "quantity": "dc_v",
        "supply": "standby",
        "load": "none",
        "value": 4.7,
        "written": "",
    }
    assert record["attempts"][0]["minutes"] == 90
    assert record["attempts"][0]["cost"] == 1.2
    assert record["attempts"][0]["result"] == "cured"
    assert "is saved" in client.get(answer.headers["location"]).text


@pytest.mark.same("what the form holds and where links lead")
def test_the_form_of_a_case_offers_every_section_result_and_verdict(client: Client) -> None:
    shown = client.get("/cases/new").text
    offered = {
        name: re.findall(r'<option value="([^"]*)"', box)
        for name, box in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', shown, re.S)
    }
    assert offered["attempts.0.section"] == ["", *vocabulary.values(vocabulary.SECTIONS)]
    assert offered["attempts.0.result"] == list(vocabulary.values(vocabulary.RESULTS))
    assert offered["verdict"] == ["", *vocabulary.values(vocabulary.VERDICTS)]


@pytest.mark.parametrize("verdict", ["", "repaired"])
def test_a_cure_on_a_case_left_open_is_told_not_to_count_yet(client: Client, verdict: str) -> None:
    fields = {
        "family": "GL-31",
        "verdict": verdict,
        "attempts.0.part_class": "electrolytic capacitor",
        "attempts.0.section": "standby output",
        "attempts.0.result": "cured",
    }
    answer = client.post("/cases", data=fields)
    assert answer.status_code == 303, Page(answer.text).words
    assert ("stays open" in client.get(answer.headers["location"]).text) == (verdict == "")


@pytest.mark.same("what the form holds and where links lead")
def test_rows_are_added_and_removed_without_javascript_and_nothing_typed_is_lost(client: Client) -> None:
    fields = {
        "family": "GL-31",
        "complaint": "dark",
        "symptoms.0.name": "relay ticking",
        "symptoms.0.present": "no",
        "symptoms.1.name": "fuse blown",
        "readings.0.line": "5VSB 4.7 standby",
        "readings.0.after": "yes",
    }
    added = client.post("/cases", data={**fields, "add": "symptoms"})
    assert added.status_code == 200
    shown = Page(added.text).form("/cases")
    assert shown["symptoms.2.name"] == ""
    assert {name: shown[name] for name in fields} == fields
    removed = client.post("/cases", data={**fields, "remove": "symptoms.0"})
    shown = Page(removed.text).form("/cases")
    assert shown["symptoms.0.name"] == "fuse blown"
    assert "relay ticking" not in shown.values()
    assert shown["readings.0.line"] == "5VSB 4.7 standby"
    assert cases.listed(client.shop, "all", limit=1, offset=0)[0] == 1


@pytest.mark.same("what the form holds and where links lead")
def test_words_that_are_new_are_offered_to_be_added(client: Client) -> None:
    fields = {"family": "WB-7", "symptoms.0.name": "sings", "complaint": "sings at night"}
    refused = client.post("/cases", data=fields)
    assert refused.status_code == 422
    assert "create_missing" in refused.text
    assert Page(refused.text).form("/cases")["symptoms.0.name"] == "sings"
    taken = client.post("/cases", data={**fields, "create_missing": "yes"})
    assert taken.status_code == 303
    assert families.find(client.shop, "WB-7") is not None
    nameless = client.post("/cases", data={**fields, "family": "---", "create_missing": "yes"})
    assert nameless.status_code == 422
    assert Page(nameless.text).form("/cases")["complaint"] == "sings at night"


def test_two_edits_of_one_version_show_both_and_save_neither_silently(client: Client) -> None:
    mine = Page(client.get("/cases/one/edit").text).form("/cases/one") | {"notes": "my words"}
    theirs = {**mine, "notes": "their words"}
    assert client.post("/cases/one", data=theirs).status_code == 303
    conflict = client.post("/cases/one", data=mine)
    assert conflict.status_code == 409
    assert "my words" in conflict.text
    assert "their words" in conflict.text
    assert cases.stored(client.shop, "one").record.notes == "their words"
    hidden = Page(conflict.text).form("/cases/one")
    editing = client.post("/cases/one", data={**hidden, "meeting": "edit"})
    assert Page(editing.text).form("/cases/one")["notes"] == "my words"
    chosen = client.post("/cases/one", data={**hidden, "meeting": "mine"})
    assert chosen.status_code == 303
    stored = cases.stored(client.shop, "one")
    assert (stored.record.notes, stored.version) == ("my words", 3)
    assert [old["record"]["notes"] for old in cases.history(client.shop, "one")[:1]] == ["their words"]  # type: ignore[index]


@pytest.mark.same("what the form holds and where links lead")
@pytest.mark.parametrize("version", ["", "0", "abc", "9" * 5000, "-1", "²"])
def test_an_edit_that_does_not_say_its_version_overwrites_nothing(client: Client, version: str) -> None:
    fields = Page(client.get("/cases/one/edit").text).form("/cases/one") | {
        "notes": "mine",
        "version": version,
    }
    answer = client.post("/cases/one", data=fields)
    assert answer.status_code == 409
    assert cases.stored(client.shop, "one").record.notes == ""
    family = Page(client.get("/families/GL-31/edit").text).form("/families/GL-31")
    answer = client.post("/families/GL-31", data=family | {"fuse": "T9A", "version": version})
    assert answer.status_code == 409
    assert Page(answer.text).form("/families/GL-31")["fuse"] == "T9A"
    assert families.get(client.shop, "GL-31")[0].fuse == ""


def test_a_follow_up_is_added_and_a_wrong_one_keeps_what_was_typed(client: Client) -> None:
    fields = Page(client.get("/cases/one").text).form("/cases/one/follow-ups")
    assert fields["date"] == "2026-11-01"
    good = client.post("/cases/one/follow-ups", data=fields | {"date": "2026-09-01", "note": "phoned"})
    assert good.status_code == 303
    assert cases.stored(client.shop, "one").record.follow_ups[0].note == "phoned"
    for wrong in ("2026-01-01", "2036-01-01", "yesterday", ""):
        bad = client.post("/cases/one/follow-ups", data=fields | {"date": wrong, "note": "typed words"})
        assert bad.status_code == 422, wrong
        kept = Page(bad.text).form("/cases/one/follow-ups")
        assert kept["note"] == "typed words"
    assert len(cases.stored(client.shop, "one").record.follow_ups) == 1


def test_the_bin_and_back_through_the_pages(client: Client) -> None:
    assert client.post("/cases/one/bin").status_code == 303
    page = client.get("/cases/one").text
    assert "in the bin" in page
    assert client.post("/cases/one/restore").status_code == 303
    assert "left out of search" not in client.get("/cases/one").text


def test_a_file_is_imported_through_the_page_and_a_bad_one_shows_its_lines(client: Client) -> None:
    def send(content: bytes, **options: str) -> Any:
        return client.post("/data/import", files={"file": ("all.jsonl", content)}, data=options)

    good = json.dumps(as_dict(a_case("two"))).encode()
    answer = send(good)
    assert answer.status_code == 200
    assert "1 added" in answer.text
    bad = send(good + b"\n{<b>\n")
    assert bad.status_code == 422
    assert "Nothing was brought in" in bad.text
    assert client.post("/data/import").status_code == 422
    kept = send(b"{\n" + json.dumps(as_dict(a_case("three"))).encode(), skip_bad="yes")
    assert kept.status_code == 200
    assert cases.exists(client.shop, "three")


def test_a_word_is_added_changed_and_refused_through_its_page(client: Client) -> None:
    form = {"name": "sings", "synonyms": "hums\nwhistles", "how": "look", "minutes": "3"}
    assert client.post("/data/symptoms", data=form).status_code == 303
    shown = Page(client.get("/data/symptoms?name=sings").text).form("/data/symptoms")
    assert shown.pop("sent_key")
    assert shown == {**form, "version": "1"}
    bad = client.post("/data/symptoms", data=form | {"minutes": "a while", "synonyms": "kept words"})
    assert bad.status_code == 422
    assert Page(bad.text).form("/data/symptoms")["synonyms"] == "kept words"


@pytest.mark.same("what the form holds and where links lead")
def test_store_trouble_while_saving_keeps_the_form(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from kb.errors import StoreTrouble

    def full(*_: object, **__: object) -> None:
        raise StoreTrouble(
            "The disk is full, so nothing was saved.", remedy="Free some space and save again."
        )

    monkeypatch.setattr(cases, "save", full)
    answer = client.post("/cases", data={"family": "GL-31", "complaint": "an hour of typing"})
    assert answer.status_code == 503
    assert "The disk is full" in answer.text
    assert Page(answer.text).form("/cases")["complaint"] == "an hour of typing"
