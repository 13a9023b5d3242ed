"""Taking records out and sharing them, as the pages and the API do it."""

from __future__ import annotations

import hashlib
import io
import json
import re
import threading
import zipfile
from collections.abc import Iterator
from typing import Any

import pictures_made as made
import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, exported, fresh_shop
from web_client import Client, Page, error_of

from kb.service.cases import files
from kb.service.transfer import shares


@pytest.fixture
def shop() -> Iterator[Client]:
    client = Client(fresh_shop())
    private = a_case("anna-1", complaint="Anna says the relay ticks", customer="Anna Quilverby")
    assert bring(client.shop, a_family(), private, a_case("two", complaint="hums")).saved
    yield client
    client.close()


def test_the_whole_store_and_a_search_result_are_taken_out_from_pages(shop: Client) -> None:
    found = shop.get("/search?q=hums&family=GL-31")
    assert 'href="/data/take-out?q=hums&amp;family=GL-31"' in found.text
    page = shop.get("/data/take-out?q=hums&family=GL-31")
    assert "1 case as found" in page.text
    form = Page(page.text).form("/data/take-out/file")
    assert (form["q"], form["family"], form["format"]) == ("hums", "GL-31", "jsonl")
    answer = shop.get("/data/take-out/file", params=form)
    assert answer.headers["content-disposition"].startswith('attachment; filename="board-faults-found-')
    assert [json.loads(line).get("uid") for line in answer.text.splitlines()][-1] == "two"
    whole = shop.get(
        "/data/take-out/file", params=Page(shop.get("/data/take-out").text).form("/data/take-out/file")
    )
    assert whole.text == exported(shop.shop)


def test_the_api_takes_out_every_format(shop: Client) -> None:
    assert shop.get("/api/export").text == exported(shop.shop)
    sheet = shop.get("/api/export?format=csv&family=GL-31")
    assert sheet.headers["content-type"] == "text/csv; charset=utf-8"
    assert sheet.content.startswith(b"\xef\xbb\xbfuid,")
    assert len(shop.get("/api/export?format=attempts").text.splitlines()) == 3
    package = zipfile.ZipFile(io.BytesIO(shop.get("/api/export?format=package").content))
    assert json.loads(package.read("datapackage.json"))["profile"] == "tabular-data-package"
    assert error_of(shop.get("/api/export?format=pdf"))["field"] == "format"


def test_sharing_shows_everything_before_it_writes_anything(shop: Client) -> None:
    form = Page(shop.get("/data/share").text).form("/data/share")
    form["name"] = "Harbour bench"
    shown = shop.post("/data/share", data=form)
    assert "2 cases of 1 board family. Masked: 1 name." in shown.text
    assert "[name] says the relay ticks" in shown.text
    assert "Board families that go along: 1" in shown.text
    form = Page(shown.text).form("/data/share") | {"leave": "two"}
    without = shop.post("/data/share", data=form)
    assert "1 case of 1 board family" in without.text
    assert "Left out: 1 case." in without.text
    form = Page(without.text).form("/data/share")
    assert form["left"] == "two"
    answer = shop.post("/data/share/file", data=form)
    assert answer.headers["content-disposition"].startswith('attachment; filename="shared-board-faults-')
    records = [json.loads(line) for line in answer.text.splitlines()]
    assert [one["record"] for one in records] == ["origin", "symptom", "part_class", "family", "case"]
    assert "nna" not in answer.text
    assert Page(shop.get("/data/share").text).form("/data/share")["name"] == "Harbour bench"
    again = shop.post("/data/share", data=form | {"again": "yes"})
    assert "2 cases of 1 board family" in again.text


def test_sharing_without_a_name_is_refused_at_the_field_and_keeps_the_rest(shop: Client) -> None:
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": " ", "words": "ticks"}
    answer = shop.post("/data/share/file", data=form)
    assert answer.status_code == 422
    assert "Give the name that other shops shall see." in answer.text
    assert Page(answer.text).form("/data/share")["words"] == "ticks"
    assert "the relay [name]" in answer.text


def test_families_that_are_not_offered_to_tick_are_named_and_a_number_that_none_has_is_refused_there(
    shop: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shares, "MOST_OFFERED", 1)
    other = a_family("QB-7", aliases=["QB 7 rev 2"])
    assert bring(shop.shop, other, a_case("three", "QB-7", complaint="clicks")).saved
    page = shop.get("/data/share")
    # GL-31 has two closed cases, QB-7 one.
    assert 'value="GL-31"' in page.text
    assert 'value="QB-7"' not in page.text
    assert "1 more board family with closed cases of yours." in page.text
    form = Page(page.text).form("/data/share") | {"name": "Harbour bench", "words": "quay"}
    shown = shop.post("/data/share", data=form | {"other_families": "qb7rev2"})
    assert "1 case of 1 board family" in shown.text
    assert Page(shown.text).form("/data/share")["other_families"] == "QB-7"
    both = shop.post("/data/share", data=form | {"families": "GL-31", "other_families": " QB-7 , "})
    assert "3 cases of 2 board families" in both.text
    for address in ("/data/share", "/data/share/file"):
        refused = shop.post(address, data=form | {"other_families": "QB-7\nno such"})
        assert refused.status_code == 422
        assert "No board family is known by the number no such." in refused.text
        kept = Page(refused.text).form("/data/share")
        assert (kept["other_families"], kept["words"]) == ("QB-7\nno such", "quay")


def test_an_import_page_tells_of_the_other_shop(shop: Client) -> None:
    there = Client(fresh_shop())
    assert bring(there.shop, a_family(mains_v=120.0)).saved
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": "Harbour bench"}
    data = shop.post("/data/share/file", data=form).content
    answer = there.post("/data/import", files={"file": ("shared.jsonl", data)})
    assert answer.status_code == 200, answer.text
    assert "From Harbour bench, whose cases they stay." in answer.text
    back = shop.post("/data/import", files={"file": ("shared.jsonl", data)})
    assert "2 cases of your own came back and were left as they are." in back.text
    there.close()


def test_a_long_look_leads_to_the_page_of_the_work_and_from_there_to_what_was_seen(
    shop: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    look_through = shares.preview

    def slow(*given: Any, **options: Any) -> shares.Preview:
        assert go_on.wait()
        return look_through(*given, **options)

    monkeypatch.setattr(shares, "preview", slow)
    shop.shop.jobs.patience_s = 0.0
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": "Harbour bench"}
    sent = shop.post("/data/share", data=form)
    assert sent.status_code == 303
    page = shop.get(sent.headers["location"])
    assert "Looking through what would be shared" in page.text
    job = shop.shop.jobs.get(sent.headers["location"].rsplit("/", 1)[1])
    assert shop.get(job.answer_at).headers["location"] == sent.headers["location"]
    go_on.set()
    assert job.wait(STUCK_S)
    assert shop.get(sent.headers["location"]).headers["location"] == job.answer_at
    seen = shop.get(job.answer_at)
    assert "2 cases of 1 board family. Masked: 1 name." in seen.text
    form = Page(seen.text).form("/data/share")
    assert form["name"] == "Harbour bench"
    assert shop.post("/data/share/file", data=form).status_code == 200


def test_other_work_is_nothing_that_was_looked_through(shop: Client) -> None:
    job = shop.shop.jobs.start("import", "Bringing in", lambda job: None)
    assert shop.get(f"/data/share/seen/{job.id}").status_code == 404
    assert shop.get("/data/share/seen/none").status_code == 404


def test_going_on_to_further_texts_looks_through_nothing_again_until_something_changes(shop: Client) -> None:
    texts = {f"case-{number:03}": f"hums, step {number}" for number in range(60)}
    assert bring(shop.shop, *(a_case(uid, complaint=text) for uid, text in texts.items())).saved
    form = Page(shop.get("/data/share").text).form("/data/share") | {"name": "Harbour bench"}
    first = shop.post("/data/share", data=form)
    jobs = len(shop.shop.jobs.all())
    shown, pages = re.findall(r"hums, step \d+", first.text), [first]
    for offset in ("25", "50"):
        pages.append(
            shop.post("/data/share", data=Page(pages[-1].text).form("/data/share") | {"offset": offset})
        )
        shown += re.findall(r"hums, step \d+", pages[-1].text)
    assert shown == list(texts.values())
    assert "51 to 62 of 62 texts" in pages[-1].text
    back = shop.post("/data/share", data=Page(pages[-1].text).form("/data/share") | {"offset": "25"})
    assert re.findall(r"hums, step \d+", back.text) == list(texts.values())[24:49]
    assert len(shop.shop.jobs.all()) == jobs
    assert bring(shop.shop, a_case("case-030", complaint="mended text")).saved
    again = shop.post("/data/share", data=Page(back.text).form("/data/share") | {"offset": "25"})
    assert len(shop.shop.jobs.all()) == jobs + 1
    assert "mended text" in again.text


def test_photographs_go_along_when_the_box_is_ticked_and_into_nothing_but_the_data_package(
    shop: Client,
) -> None:
    (kept,) = files.add(shop.shop, "two", [("relay.jpg", io.BytesIO(made.jpeg()))]).kept
    page = shop.get("/data/take-out?q=hums")
    assert "hold none" in page.text
    form = Page(page.text).form("/data/take-out/file")
    assert "with_photos" not in form
    ticked = form | {"with_photos": "yes", "format": "package"}
    answer = shop.get("/data/take-out/file", params=ticked)
    name = f"files/{kept.content.content}.jpg"
    archive = zipfile.ZipFile(io.BytesIO(answer.content))
    assert hashlib.sha256(archive.read(name)).hexdigest() == kept.content.content
    refused = shop.get("/data/take-out/file", params=ticked | {"format": "csv"})
    assert refused.status_code == 422
    assert "Photographs go into the data package only" in refused.text
    kept_form = Page(refused.text).form("/data/take-out/file")
    assert (kept_form["q"], kept_form["format"], kept_form["with_photos"]) == ("hums", "csv", "yes")
    called = shop.get("/api/export?format=package&with_photos=true&family=GL-31")
    assert name in zipfile.ZipFile(io.BytesIO(called.content)).namelist()
    assert error_of(shop.get("/api/export?with_photos=true"))["field"] == "with_photos"
    without = zipfile.ZipFile(io.BytesIO(shop.get("/api/export?format=package").content))
    assert name not in without.namelist()
