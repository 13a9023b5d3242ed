"""Two people change one record at the same time: both changes are kept, or somebody chooses."""

from __future__ import annotations

from typing import Any

import pytest
from factories import a_case, a_family
from web_client import Client, Page

from kb.model import LoadRecord, NotedSymptom, Rail, SymptomRecord
from kb.service.bench import loads
from kb.service.boards import families, vocabulary
from kb.service.cases import cases

pytestmark = pytest.mark.both("two transactions at once")


def opened(client: Client, path: str, action: str) -> dict[str, Any]:
    return dict(Page(client.get(path).text).form(action))


def test_changes_that_do_not_touch_one_another_are_saved_together(client: Client) -> None:
    mine = opened(client, "/cases/one/edit", "/cases/one") | {
        "notes": "mine",
        "readings.1.line": "24V 25.8 running",
    }
    theirs = a_case("one", customer="ferry office", symptoms=[NotedSymptom(name="fuse blown")])
    cases.save(client.shop.acting_as("bench 2"), theirs, expected_version=1)
    conflict = client.post("/cases/one", data=mine)
    assert conflict.status_code == 409
    assert "bench 2 saved this while you were editing it" in conflict.text
    assert "do not touch one another" in conflict.text
    hidden = Page(conflict.text).form("/cases/one")
    assert client.post("/cases/one", data={**hidden, "meeting": "join"}).status_code == 303
    kept = cases.stored(client.shop, "one")
    assert kept.version == 3
    assert (kept.record.notes, kept.record.customer) == ("mine", "ferry office")
    assert [entry.name for entry in kept.record.symptoms] == ["fuse blown"]
    assert [entry.rail for entry in kept.record.readings] == ["5VSB", "24V"]


def test_a_clash_waits_for_a_choice(client: Client) -> None:
    mine = opened(client, "/cases/one/edit", "/cases/one") | {"notes": "mine", "complaint": "hums"}
    cases.save(client.shop, a_case("one", notes="theirs"), expected_version=1)
    hidden = Page(client.post("/cases/one", data=mine).text).form("/cases/one")
    unchosen = client.post("/cases/one", data={**hidden, "meeting": "join"})
    assert unchosen.status_code == 409
    assert "Notes: it is not chosen which stays." in unchosen.text
    assert cases.stored(client.shop, "one").version == 2
    for side, notes, version in (("theirs", "theirs", 3), ("mine", "mine", 4)):
        settled = client.post("/cases/one", data={**hidden, "meeting": "join", "choice.notes": side})
        if version == 4:  # the store has moved on since that page was shown
            assert settled.status_code == 409
            assert "once more meanwhile" in settled.text
            hidden = Page(settled.text).form("/cases/one")
            settled = client.post("/cases/one", data={**hidden, "meeting": "join", "choice.notes": side})
        assert settled.status_code == 303
        kept = cases.stored(client.shop, "one")
        assert (kept.record.notes, kept.record.complaint, kept.version) == (notes, "hums", version)


def test_what_together_is_no_case_is_refused_with_the_reason(client: Client) -> None:
    mine = opened(client, "/cases/one/edit", "/cases/one") | {"received": "2026-03-04"}
    cases.save(client.shop, a_case("one", closed=a_case().received), expected_version=1)
    hidden = Page(client.post("/cases/one", data=mine).text).form("/cases/one")
    refused = client.post("/cases/one", data={**hidden, "meeting": "join"})
    assert refused.status_code == 409
    assert "Together: " in refused.text
    assert cases.stored(client.shop, "one").version == 2


def test_two_changes_of_a_family_are_joined_rail_by_rail(client: Client) -> None:
    mine = opened(client, "/families/GL-31/edit", "/families/GL-31") | {"rails.0.rated_a": "2 A"}
    stored, version = families.get(client.shop, "GL-31")
    rails = [*stored.rails[:1], stored.rails[1].model_copy(update={"rated_a": 4.0})]
    rails.append(Rail(name="12V", nominal_v=12.0))
    families.save(client.shop, stored.model_copy(update={"rails": rails}), expected_version=version)
    conflict = client.post("/families/GL-31", data=mine)
    assert conflict.status_code == 409
    hidden = Page(conflict.text).form("/families/GL-31")
    assert client.post("/families/GL-31", data={**hidden, "meeting": "join"}).status_code == 303
    kept, _ = families.get(client.shop, "GL-31")
    assert [(rail.name, rail.rated_a) for rail in kept.rails] == [("5VSB", 2.0), ("24V", 4.0), ("12V", None)]


def test_list_entries_and_loads_are_not_overwritten_either(client: Client) -> None:
    vocabulary.save(client.shop, SymptomRecord(name="hums", synonyms=["drones"]))
    mine = opened(client, "/data/symptoms?name=hums", "/data/symptoms") | {"minutes": "4"}
    vocabulary.save(client.shop, SymptomRecord(name="hums", synonyms=["drones", "sings"]))
    conflict = client.post("/data/symptoms", data=mine)
    assert conflict.status_code == 409
    hidden = Page(conflict.text).form("/data/symptoms")
    assert client.post("/data/symptoms", data={**hidden, "meeting": "join"}).status_code == 303
    kept = next(entry for entry in vocabulary.symptoms(client.shop) if entry.name == "hums")
    assert (kept.synonyms, kept.minutes) == (["drones", "sings"], 4.0)

    loads.save(client.shop, LoadRecord(name="coil", kind="resistor", ohm=8.0))
    mine = opened(client, "/loads?name=coil", "/loads") | {"max_w": "20 W"}
    loads.save(client.shop, LoadRecord(name="coil", kind="resistor", ohm=8.2))
    conflict = client.post("/loads", data=mine)
    assert conflict.status_code == 409
    hidden = Page(conflict.text).form("/loads")
    assert client.post("/loads", data={**hidden, "meeting": "join"}).status_code == 303
    assert (loads.find(client.shop, "coil").ohm, loads.find(client.shop, "coil").max_w) == (8.2, 20.0)


def test_adding_a_name_that_is_there_already_overwrites_nothing(client: Client) -> None:
    loads.save(client.shop, LoadRecord(name="coil", kind="resistor", ohm=8.0, max_w=5.0))
    answer = client.post("/loads", data={"name": "Coil", "kind": "resistor", "ohm": "10", "count": "1"})
    assert answer.status_code == 409
    assert loads.find(client.shop, "coil").ohm == 8.0


def test_going_on_opens_the_form_with_both_changes_in_it(client: Client) -> None:
    mine = opened(client, "/cases/one/edit", "/cases/one") | {"notes": "mine"}
    cases.save(client.shop, a_case("one", customer="ferry office"), expected_version=1)
    hidden = Page(client.post("/cases/one", data=mine).text).form("/cases/one")
    form = Page(client.post("/cases/one", data={**hidden, "meeting": "edit"}).text).form("/cases/one")
    assert (form["notes"], form["customer"], form["version"]) == ("mine", "ferry office", "2")


@pytest.mark.parametrize("call", ["PUT", "DELETE"])
def test_the_api_asks_for_the_version_of_a_family_and_refuses_a_stale_one(client: Client, call: str) -> None:
    client.shop.write()
    cases.put_in_bin(client.shop, "one")
    address = "/api/families/GL-31"
    tag = client.get(address).headers["etag"]
    body = {"record": "family", "code": "GL-31", "notes": "by a program"}
    options: dict[str, Any] = {"json": body} if call == "PUT" else {}
    assert client.call(call, address, **options).status_code == 428
    families.save(client.shop, a_family(notes="meanwhile"))
    assert client.call(call, address, headers={"If-Match": tag}, **options).status_code == 412
    assert families.get(client.shop, "GL-31")[0].notes == "meanwhile"
    tag = client.get(address).headers["etag"]
    done = client.call(call, address, headers={"If-Match": tag}, **options)
    assert done.status_code == (200 if call == "PUT" else 204)
    if call == "PUT":
        assert done.headers["etag"] != tag
        assert families.get(client.shop, "GL-31")[0].notes == "by a program"
    else:
        assert families.find(client.shop, "GL-31") is None


def test_the_api_adds_a_family_once(client: Client) -> None:
    body = {"record": "family", "code": "HX-210"}
    added = client.post("/api/families", json=body)
    assert (added.status_code, added.headers["location"]) == (201, "/api/families/HX-210")
    assert client.post("/api/families", json=body).status_code == 409
    other = client.call("PUT", "/api/families/GL-31", json=body, headers={"If-Match": "1"})
    assert other.status_code == 422
    assert client.call("DELETE", "/api/families/GL-31", headers={"If-Match": '"1"'}).status_code == 409
