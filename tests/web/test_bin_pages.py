"""The bin through its pages."""

from __future__ import annotations

from web_client import Client, Page

from kb.model import SymptomRecord
from kb.service.boards import families, vocabulary
from kb.service.cases import cases


def test_a_record_is_put_in_the_bin_from_its_history_and_taken_out_again(client: Client) -> None:
    vocabulary.save(client.shop, SymptomRecord(name="hums"))
    form = Page(client.get("/data/symptoms/history?name=hums").text).form("/data/bin")
    assert client.post("/data/bin", data=form).headers["location"] == "/data/bin?done=put"
    page = client.get("/data/bin?done=put")
    assert "symptom hums" in page.text
    assert "90" in page.text
    back = client.post("/data/bin/take-out", data=Page(page.text).form("/data/bin/take-out"))
    assert back.headers["location"] == "/data/symptoms?name=hums"
    assert "hums" in [entry.name for entry in vocabulary.symptoms(client.shop)]


def test_a_family_with_cases_is_refused_or_goes_with_them(client: Client) -> None:
    form = Page(client.get("/families/GL-31/history").text).form("/data/bin")
    refused = client.post("/data/bin", data=form)
    assert refused.status_code == 409
    assert "1 case names the board family GL-31" in refused.text
    assert client.post("/data/bin", data=form | {"with_cases": "yes"}).status_code == 303
    assert families.find(client.shop, "GL-31") is None
    assert "In the bin" in client.get("/cases?show=binned").text


def test_deleting_for_good_asks_once_more(client: Client) -> None:
    cases.put_in_bin(client.shop, "one")
    asked = client.get("/data/bin/delete?entity=case&name=one")
    assert "Nothing in the program brings it back" in asked.text
    assert client.post("/data/bin/delete", data=Page(asked.text).form("/data/bin/delete")).status_code == 303
    assert client.get("/cases/one").status_code == 404
    assert "deleted for good" in client.get("/data/changes").text
    assert client.post("/data/bin/delete", data={"entity": "case", "name": "one"}).status_code == 404
    assert client.post("/data/bin/delete", data={"entity": "boat", "name": "one"}).status_code == 422
